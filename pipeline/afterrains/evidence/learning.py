"""What the record itself says of its noise: weights of the structures, scales, odd controls.

Structures are weighted by their prior times their restricted likelihood on the controls' gaps and
on the sown sites' gaps with each site's own gain taken out. Each site has its own variance, drawn
from a scaled inverse chi-squared distribution fitted to all (moderated variances), so that a short
record borrows and a long one speaks for itself; sown sites may be noisier as a group.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from afterrains.evidence.structures import STRUCTURES

__all__ = ["Noise", "Residuals", "learn_noise", "odd_controls", "odd_sown", "tail_df"]

Floats = NDArray[np.float64]

_PRIOR_DF = (3.0, 6.0, 14.0, 50.0, 300.0)
"""Degrees of freedom tried for the spread of the sites' variances."""
_GROUP_PRIOR_DF = 4.0  # weight of "sown sites are as noisy as controls", in degrees of freedom
_LEAST_WEIGHT = 0.01
_ODD_RATIO = 3.0


@dataclass(frozen=True)
class Residuals:
    """Restricted sums of squares of a group of sites under every structure.

    `squares` and `log_determinant` have shape (structures, sites), `df` (sites,), `spread`
    (sites,) the variance that the comparison adds, in units of one site's.
    """

    squares: Floats
    log_determinant: Floats
    df: Floats
    spread: Floats


@dataclass(frozen=True)
class Noise:
    """Structures with their weights and the scale of a sown site's gap under each.

    All arrays have shape (kept,): `structure` is the number of the structure, `weight` sums to 1,
    `variance` is the middle variance of a sown site's gap, `df` says how firmly it is known for one
    site. `control_variance` and `control_df` are the same for a control's own gap.
    """

    structure: NDArray[np.intp]
    weight: Floats
    variance: Floats
    df: Floats
    control_variance: Floats
    control_df: Floats


def learn_noise(controls: Residuals, sown: Residuals) -> Noise:
    """Weigh the structures and fit the scales.

    Parameters
    ----------
    controls : Residuals
        Gaps of each control to the others.
    sown : Residuals
        Gaps of each sown site to its controls, its gain taken out (df 0 where nothing is left).

    Returns
    -------
    Noise

    References
    ----------
    Moderated variances: Smyth, G. K. (2004). Linear models and empirical Bayes methods for
    assessing differential expression. Stat. Appl. Genet. Mol. Biol. 3, 3.
    doi:10.2202/1544-6115.1027
    """
    prior_df = np.array(_PRIOR_DF)[None, :, None]
    plain = controls.squares / (1 + controls.spread)
    own = _scale(plain[:, None, :], controls.df, prior_df)
    count = max(int((controls.df > 0).sum()), 1)
    # Gaps to the others sum to nearly zero: J of them hold what J - 1 free ones would.
    fit = (count - 1) / count * _log_likelihood(controls, plain, own, prior_df)
    fit = fit + np.log(STRUCTURES.prior)[:, None]

    sown_plain = sown.squares / (1 + sown.spread)
    sown_df = float(sown.df.sum())
    group = own
    if sown_df > 0:
        group = _scale(
            sown_plain[:, None, :], sown.df, prior_df, start=own, start_df=_GROUP_PRIOR_DF
        )
        fit = fit + _log_likelihood(sown, sown_plain, group, prior_df)
    weight = np.exp(fit - fit.max())
    weight /= weight.sum()
    kept = weight >= _LEAST_WEIGHT * weight.max()
    structure, df_number = np.nonzero(kept)
    chosen = weight[kept] / weight[kept].sum()
    spread_df = np.array(_PRIOR_DF)[df_number]
    group_df = _GROUP_PRIOR_DF + sown_df
    control_df = max(float(controls.df.sum()) * (count - 1) / count, 1.0)
    return Noise(
        structure=structure,
        weight=chosen,
        variance=group[kept],
        df=1 / (1 / spread_df + 1 / group_df),
        control_variance=own[kept],
        control_df=1 / (1 / spread_df + 1 / control_df),
    )


def _scale(
    squares: Floats, df: Floats, prior_df: Floats, start: Floats | None = None, start_df: float = 0
) -> Floats:
    """Middle variance of a group by EM, shape (structures, prior_df); `start` as prior data."""
    total = float(df.sum()) + start_df
    if total <= 0:
        ones: Floats = np.ones((squares.shape[0], prior_df.shape[1]))
        return ones
    prior = start_df * start if start is not None else 0.0
    scale = (squares.sum(axis=-1) + prior) / total
    scale = np.broadcast_to(scale, (squares.shape[0], prior_df.shape[1])).copy()
    scale = np.maximum(scale, 1e-12)
    out: Floats = scale
    for _ in range(15):
        pull = (prior_df + df) / (prior_df + squares / out[..., None])
        out = np.maximum(((pull * squares).sum(axis=-1) + prior) / total, 1e-12)
    return out


def _log_likelihood(group: Residuals, plain: Floats, scale: Floats, prior_df: Floats) -> Floats:
    """Restricted log-likelihood of a group, shape (structures, prior_df)."""
    df = group.df
    out: Floats = (
        scipy.special.gammaln((prior_df + df) / 2)
        - scipy.special.gammaln(prior_df / 2)
        - df / 2 * np.log(prior_df * scale[..., None])
        - group.log_determinant[:, None, :] / 2
        - (prior_df + df) / 2 * np.log1p(plain[:, None, :] / (prior_df * scale[..., None]))
    ).sum(axis=-1)
    return out


def odd_controls(gaps: Floats) -> NDArray[np.bool_]:
    """Controls that changed abruptly while the others did not: cleared, burnt, quietly sown.

    Parameters
    ----------
    gaps : array, shape (controls, seasons)
        Gap of each control to the others (their median); NaN where missing.

    Returns
    -------
    array of bool, shape (controls,)
        True where the largest step between the means of the seasons before and after any date, in
        units of the control's own season-to-season noise, is far beyond what the controls show
        otherwise. With fewer than four controls or five seasons nothing can be told.
    """
    controls, seasons = gaps.shape
    if controls < 4 or seasons < 5:
        return np.zeros(controls, dtype=bool)
    step = largest_step(gaps)
    known = np.isfinite(step)
    if known.sum() < 4:
        return np.zeros(controls, dtype=bool)
    usual = float(np.median(step[known]))
    return np.nan_to_num(step) > _ODD_RATIO * usual


def odd_sown(gaps: Floats, controls: Floats) -> NDArray[np.bool_]:
    """Sown sites that changed abruptly beyond any gain, by the measure of `odd_controls`.

    Parameters
    ----------
    gaps : array, shape (sites, seasons)
        Gaps of sown sites with each site's own gain taken out; NaN where missing.
    controls : array, shape (controls, seasons)
        Gaps of the controls that are not odd, whose steps say what is usual.

    Returns
    -------
    array of bool, shape (sites,)
    """
    usual = largest_step(controls) if controls.shape[1] >= 2 else np.empty(0)
    if np.isfinite(usual).sum() < 3 or gaps.shape[0] == 0:
        return np.zeros(gaps.shape[0], dtype=bool)
    out: NDArray[np.bool_] = np.nan_to_num(largest_step(gaps)) > _ODD_RATIO * np.nanmedian(usual)
    return out


def largest_step(gaps: Floats) -> Floats:
    """Largest scaled step of each series; NaN with fewer than five values."""
    seen = np.isfinite(gaps)
    filled = np.where(seen, gaps, 0.0)
    count = seen.sum(axis=1, keepdims=True)
    total = filled.sum(axis=1, keepdims=True)
    before_n, before = np.cumsum(seen, axis=1)[:, :-1], np.cumsum(filled, axis=1)[:, :-1]
    after_n, after = count - before_n, total - before
    usable = (before_n >= 2) & (after_n >= 1)
    gap = np.where(usable, before / np.maximum(before_n, 1) - after / np.maximum(after_n, 1), 0.0)
    size = np.abs(gap) * np.sqrt(before_n * after_n / np.maximum(count, 1))
    # The pooled size of the differences, not the site's own: one jump would hide itself.
    differences = np.diff(gaps, axis=1)
    noise = (
        np.nanmedian(np.abs(differences)) / (0.6745 * np.sqrt(2))
        if (np.isfinite(differences).any())
        else np.nan
    )
    out: Floats = np.where(count[:, 0] >= 5, size.max(axis=1) / max(noise, 1e-12), np.nan)
    return out


def tail_df(gaps: Floats) -> float:
    """Degrees of freedom of the t distribution that the single gaps of the controls follow.

    Parameters
    ----------
    gaps : array, shape (controls, seasons)
        Gap of each control to the others; NaN where missing.

    Returns
    -------
    float
        By maximum likelihood over a few values; infinity where the tails are those of the normal
        distribution or there are fewer than 30 values. A sudden fall is judged against these tails.
    """
    seen = np.isfinite(gaps) & (np.isfinite(gaps).sum(axis=1, keepdims=True) >= 4)
    rows = seen.any(axis=1)
    if seen.sum() < 30:
        return np.inf
    part, here = gaps[rows], seen[rows]
    centred = part - np.nanmedian(part, axis=1, keepdims=True)
    # Scaled by each site's own size, drawn towards the middle of all: a site's few values make an
    # uncertain scale, and that alone would look like heavy tails.
    size = np.nanmean(np.abs(centred), axis=1, keepdims=True)
    size = (size + np.median(size)) / 2
    z = (centred / np.where(size > 0, size, 1.0))[here]
    best, best_fit = np.inf, float(-0.5 * z.size * np.log((z**2).mean()) - 0.5 * z.size)
    best_fit -= 0.5 * z.size * float(np.log(2 * np.pi))
    for df in (2.5, 4.0, 7.0):
        scale = 1.0
        for _ in range(20):
            scale = float(((df + 1) / (df + z**2 / scale) * z**2).mean())
        constant = scipy.special.gammaln((df + 1) / 2) - scipy.special.gammaln(df / 2)
        constant -= 0.5 * np.log(df * np.pi * scale)
        fit = float((constant - (df + 1) / 2 * np.log1p(z**2 / (df * scale))).sum())
        if fit > best_fit + 1.5:
            best, best_fit = df, fit
    return best
