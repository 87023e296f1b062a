"""The contrast: generalised least squares of each site's gap on the growth of a gain.

The gap of a site (its value minus its controls') is a level, plus a gain that grows after sowing,
plus noise of one of several structures. For each structure the gain and its variance follow by
generalised least squares; `learning` gives the structures their weights and the noise its scale,
`mixture` turns all into one p-value and interval.

The contrast follows mostly the programme's growth ramp and partly a step (`growth.mixed`). What the
gain is *now* depends on the true curve, so the interval is widened in proportion to the gain by
how far the two curves disagree; at a gain of nothing nothing is added, and interval and test agree.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from afterrains.evidence.growth import mixed
from afterrains.evidence.learning import Noise, Residuals
from afterrains.evidence.mixture import Mixture
from afterrains.evidence.structures import (
    DRIFT_SPAN,
    STRUCTURES,
    Structures,
    cross_products,
    sweep,
    whiteners,
)

__all__ = [
    "GapModel",
    "GapSeries",
    "SiteGains",
    "estimate_gains",
    "gap_residuals",
    "standard_errors",
    "trend_tests",
    "without_gain",
]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

ONE, SEASON, TIME, STEP, RAMP, GAP, PULSE = range(7)
_MOST_SHAPE_DOUBT = 0.3
_SITES_AT_ONCE = 1000
_PRIOR_GAIN = 9.0  # variance of a gain, in units of the noise variance, when a fall is sought


@dataclass(frozen=True)
class GapModel:
    """Inverse noise factors of a group of sites under every noise model, for all seasons.

    The factors of a shorter record are their leading blocks, so one is made for the whole judging.
    """

    inverse: Floats
    log_terms: Floats
    seen: Bools

    @classmethod
    def of(cls, variance: Floats, seen: Bools) -> GapModel:
        """Factors for cells of the given relative variance, shape (sites, seasons)."""
        inverse, log_terms = whiteners(STRUCTURES.noise_models, variance, seen)
        return cls(inverse, log_terms, seen)


@dataclass(frozen=True)
class GapSeries:
    """Gaps of a group of sites up to one season, with what they are regressed on.

    `gap`, `step`, `ramp` have shape (sites, seasons), `season` (seasons,) is the mean departure of
    the controls, `before` (sites, seasons) is True before sowing, `spread` (sites,) is the variance
    of the controls' mean in units of one site's.
    """

    gap: Floats
    season: Floats
    step: Floats
    ramp: Floats
    before: Bools
    spread: Floats

    def columns(self, seen: Bools, part: slice) -> Floats:
        """Regressors and gap of some sites, shape (sites, seasons, 7); 0 where not seen."""
        seasons = self.gap.shape[1]
        time = (np.arange(seasons) - (seasons - 1) / 2) / DRIFT_SPAN
        shape = self.gap[part].shape
        stack = [np.ones(shape), np.broadcast_to(scaled_season(self.season), shape)]
        stack += [np.broadcast_to(time, shape), self.step[part], self.ramp[part], self.gap[part]]
        pulse = np.zeros(shape)
        pulse[:, -1] = 1.0
        stack.append(pulse)
        columns = np.stack(stack, axis=-1)
        return np.where(seen[part, :seasons, None], np.nan_to_num(columns), 0.0)


@dataclass(frozen=True)
class SiteGains:
    """Gains of sites at one season; all arrays have shape (sites,), NaN where not estimable.

    `p_gain` and `p_loss` are one-sided, `low` and `high` bound the 95 % interval of the gain now.
    `p_drop` is the one-sided p-value of a fall in the last season below what all earlier seasons,
    a gain among them, foretell.
    """

    gain: Floats
    low: Floats
    high: Floats
    p_gain: Floats
    p_loss: Floats
    se: Floats
    df: Floats
    p_drop: Floats


def scaled_season(season: Floats) -> Floats:
    """Season effects centred and in units of their own size; zeros where they do not vary."""
    filled = np.nan_to_num(season)
    centred = filled - filled.mean() if filled.size else filled
    size = np.sqrt((centred**2).mean()) if filled.size else 0.0
    return centred / size if size > 0 else np.zeros_like(centred)


def _random_effects(products: Floats, structures: Structures) -> tuple[Floats, Floats]:
    """Cross-products per structure with response and drift taken in as random effects."""
    shape = (structures.count,) + (1,) * (products.ndim - 3)
    chosen = products[structures.noise]
    chosen, response = sweep(chosen, SEASON, structures.response.reshape(shape))
    chosen, drift = sweep(chosen, TIME, structures.drift.reshape(shape))
    return chosen, response + drift


def gap_residuals(model: GapModel, series: GapSeries, *, gain: bool) -> Residuals:
    """Restricted sums of squares of each site's gaps under every structure.

    With `gain`, each site's own step and ramp since sowing are fitted and taken out, so that the
    seasons after sowing tell of the noise and not of what the sowing did.
    """
    sites, seasons = series.gap.shape
    squares = np.zeros((STRUCTURES.count, sites))
    logs = np.zeros((STRUCTURES.count, sites))
    seen = model.seen[:, :seasons]
    for start in range(0, sites, _SITES_AT_ONCE):
        part = slice(start, start + _SITES_AT_ONCE)
        columns = series.columns(model.seen, part)
        products = cross_products(model.inverse[:, part, :seasons, :seasons], columns)
        own = (model.log_terms[:, part, :seasons] * seen[part]).sum(axis=-1)
        chosen, extra = _random_effects(products, STRUCTURES)
        for column in (ONE, STEP, RAMP) if gain else (ONE,):
            chosen, fixed = sweep(chosen, column, np.inf)
            extra = extra + fixed
        squares[:, part] = np.maximum(chosen[..., GAP, GAP], 0.0)
        logs[:, part] = own[STRUCTURES.noise] + extra
    fitted = 1.0
    if gain:
        after = seen & (series.step > 0)
        high = np.where(after, series.ramp, -1.0).max(axis=1)
        low = np.where(after, series.ramp, 2.0).min(axis=1)
        fitted = 1.0 + after.any(axis=1) + (high > low + 1e-9)
    df = np.maximum(seen.sum(axis=1) - fitted, 0.0)
    squares = np.where(df > 0, squares, 0.0)
    logs = np.where(df > 0, logs, 0.0)
    return Residuals(squares, logs, df, np.nan_to_num(series.spread))


def without_gain(model: GapModel, series: GapSeries) -> Floats:
    """Gaps less each site's own least-squares level, step and ramp; NaN where not seen."""
    seen = model.seen[:, : series.gap.shape[1]]
    columns = series.columns(model.seen, slice(None))
    regressors, gap = columns[..., [ONE, STEP, RAMP]], columns[..., GAP]
    square = np.swapaxes(regressors, 1, 2) @ regressors
    pull = np.einsum("ntk,nt->nk", regressors, gap)
    fit = np.einsum("nkl,nl->nk", np.linalg.pinv(square, rcond=1e-9, hermitian=True), pull)
    return np.where(seen, gap - np.einsum("ntk,nk->nt", regressors, fit), np.nan)


def estimate_gains(
    model: GapModel, series: GapSeries, noise: Noise, tails: float = np.inf
) -> SiteGains:
    """Gain of every site at the last season of the series.

    Parameters
    ----------
    model : GapModel
    series : GapSeries
    noise : Noise
        Structures, weights and scales learned at this season.
    tails : float
        Degrees of freedom of a single season's departure (`learning.tail_df`), for sudden falls.

    Returns
    -------
    SiteGains
        NaN for a site without a value before or after sowing.
    """
    sites, seasons = series.gap.shape
    out = np.full((8, sites), np.nan)
    structures = STRUCTURES.take(noise.structure)
    seen = model.seen[:, :seasons]
    counted = seen.sum(axis=1)
    able = (seen & series.before).any(axis=1) & (seen & (series.step > 0)).any(axis=1)
    for start in range(0, sites, _SITES_AT_ONCE):
        part = slice(start, start + _SITES_AT_ONCE)
        columns = series.columns(model.seen, part)
        products = cross_products(model.inverse[:, part, :seasons, :seasons], columns)
        chosen, _ = _random_effects(products, structures)
        chosen, _ = sweep(chosen, ONE, np.inf)
        now = np.stack([series.step[part, -1], series.ramp[part, -1]])
        out[:7, part] = _gain_now(chosen, now, counted[part], series.spread[part], noise)
        out[7, part] = _sudden_drop(chosen, counted[part], series.spread[part], noise, tails)
    out[:, ~able] = np.nan
    return SiteGains(*out)


def _gain_now(
    products: Floats, now: Floats, counted: NDArray[np.intp], spread: Floats, noise: Noise
) -> Floats:
    """Rows of `SiteGains` from the swept cross-products of some sites."""
    step, ramp = now
    curve_now = mixed(step, ramp)
    to_step = mixed(products[..., STEP, STEP], products[..., RAMP, STEP])
    to_ramp = mixed(products[..., STEP, RAMP], products[..., RAMP, RAMP])
    to_gap = mixed(products[..., STEP, GAP], products[..., RAMP, GAP])
    own = mixed(to_step, to_ramp)
    usable = own > 1e-10
    own = np.where(usable, own, 1.0)
    slope = to_gap / own
    squares = np.maximum(products[..., GAP, GAP] - to_gap**2 / own, 0.0)
    site_df = np.maximum(counted - 2.0, 0.0)
    prior_df = noise.df[:, None]
    wider = 1 + spread
    variance = (prior_df * noise.variance[:, None] + squares / wider) / (prior_df + site_df)
    se = np.sqrt(variance * wider / own) * curve_now
    mixture = Mixture(noise.weight, slope * curve_now, se, prior_df + site_df)
    # What a gain of 1 now would be estimated as, were the step or the ramp the whole truth.
    as_step = np.einsum("k,kn->n", noise.weight, to_step / own) * curve_now / step
    as_ramp = np.einsum("k,kn->n", noise.weight, to_ramp / own) * curve_now
    with np.errstate(divide="ignore", invalid="ignore"):
        as_ramp = np.where(ramp > 0.1, as_ramp / ramp, as_step)
    middle = np.clip((as_step + as_ramp) / 2, 0.5, 2.0)
    doubt = np.where(ramp > 0.1, np.abs(as_step - as_ramp) / 2 / middle, _MOST_SHAPE_DOUBT)
    doubt = np.minimum(doubt, _MOST_SHAPE_DOUBT)
    centre, width = mixture.mean, mixture.standard_error
    low = _widened(centre, centre - mixture.quantile(0.025), width, doubt, -1)
    high = _widened(centre, mixture.quantile(0.975) - centre, width, doubt, 1)
    p_gain = mixture.below(0.0)
    rows = [centre / middle, low / middle, high / middle, p_gain, 1 - p_gain]
    rows += [width / middle, mixture.mean_df]
    return np.where(usable.all(axis=0), np.stack(rows), np.nan)


def _sudden_drop(
    products: Floats, counted: NDArray[np.intp], spread: Floats, noise: Noise, tails: float
) -> Floats:
    """One-sided p-value that the last season fell below what the earlier ones foretell."""
    # Whatever grew since sowing is part of what is foretold, within a wide prior.
    chosen, _ = sweep(products, STEP, _PRIOR_GAIN)
    chosen, _ = sweep(chosen, RAMP, _PRIOR_GAIN)
    own = chosen[..., PULSE, PULSE]
    usable = own > 1e-10
    own = np.where(usable, own, 1.0)
    to_gap = chosen[..., PULSE, GAP]
    site_df = np.maximum(counted - 2.0, 0.0)
    prior_df = noise.df[:, None]
    wider = 1 + spread
    squares = np.maximum(chosen[..., GAP, GAP] - to_gap**2 / own, 0.0)
    variance = (prior_df * noise.variance[:, None] + squares / wider) / (prior_df + site_df)
    # A mean of seasons forgets their tails; a single season does not.
    df = 1 / (1 / (prior_df + site_df) + 1 / tails)
    mixture = Mixture(noise.weight, to_gap / own, np.sqrt(variance * wider / own), df)
    return np.where(usable.all(axis=0), 1 - mixture.below(0.0), np.nan)


def _widened(centre: Floats, half: Floats, width: Floats, doubt: Floats, side: int) -> Floats:
    """Bound of the gains g with |centre - g| within sqrt(half² + (t doubt g)²)."""
    share = np.minimum((half / width * doubt) ** 2, 0.6)
    root = np.sqrt(share * centre**2 + (1 - share) * half**2)
    out: Floats = (centre + side * root) / (1 - share)
    return out


def trend_tests(model: GapModel, series: GapSeries, noise: Noise) -> tuple[Floats, Floats, Floats]:
    """Slope of each site's gap before sowing, per season, its standard error and two-sided p.

    The slope is tested against the drifts that structures of this record allow; NaN with fewer
    than four seasons before sowing.
    """
    sites, seasons = series.gap.shape
    out = np.full((3, sites), np.nan)
    part_of = model.seen[:, :seasons] & series.before
    enough = part_of.sum(axis=1) >= 4
    drift = STRUCTURES.drift[noise.structure][:, None]
    for start in range(0, sites, _SITES_AT_ONCE):
        part = slice(start, start + _SITES_AT_ONCE)
        columns = series.columns(model.seen, part) * part_of[part, :, None]
        whitened = model.inverse[:, part, :seasons, :seasons] @ columns[None]
        whitened = whitened * part_of[part][None, :, :, None]
        products = np.swapaxes(whitened, -1, -2) @ whitened
        chosen = products[STRUCTURES.noise[noise.structure]]
        chosen, _ = sweep(chosen, SEASON, STRUCTURES.response[noise.structure][:, None])
        chosen, _ = sweep(chosen, ONE, np.inf)
        own = np.where(chosen[..., TIME, TIME] > 1e-10, chosen[..., TIME, TIME], 1.0)
        slope = chosen[..., TIME, GAP] / own
        squares = np.maximum(chosen[..., GAP, GAP] - slope**2 * own, 0.0)
        df = np.maximum(part_of[part].sum(axis=1) - 2.0, 0.0)
        prior = noise.df[:, None]
        wider = 1 + np.nan_to_num(series.spread[part])
        variance = (prior * noise.variance[:, None] + squares / wider) / (prior + df) * wider
        mixture = Mixture(noise.weight, slope, np.sqrt(variance * (1 / own + drift)), prior + df)
        p = mixture.below(0.0)
        out[:, part] = (
            mixture.mean / DRIFT_SPAN,
            mixture.standard_error / DRIFT_SPAN,
            (2 * np.minimum(p, 1 - p)),
        )
    out[:, ~enough] = np.nan
    return out[0], out[1], out[2]


def standard_errors(noise: Noise, season: Floats, step: Floats, ramp: Floats, first: int) -> Floats:
    """Standard error of the full gain of a site with every value, at each look of one sowing.

    Parameters
    ----------
    noise : Noise
    season : array, shape (known,)
        Mean departures of the controls so far; later seasons are taken to vary like them.
    step, ramp : array, shape (seasons,)
        The curves of one sowing, seasons to come included.
    first : int
        Number of seasons before sowing.

    Returns
    -------
    array, shape (seasons - first,)
        For one season after sowing, two, three and so on.
    """
    total = step.size
    inverse, _ = whiteners(
        STRUCTURES.noise_models, np.ones((1, total)), np.ones((1, total), dtype=bool)
    )
    curve = mixed(step, ramp)
    again = np.resize(scaled_season(season), total)
    time = np.arange(total) / DRIFT_SPAN
    columns = np.stack([np.ones(total), again, time, curve], axis=-1)[None]
    whitened = (inverse @ columns[None])[:, 0]
    running = np.cumsum(whitened[..., :, None] * whitened[..., None, :], axis=1)[:, first:]
    chosen, _ = _random_effects(running, STRUCTURES.take(noise.structure))
    chosen, _ = sweep(chosen, ONE, np.inf)
    own = np.maximum(chosen[..., STEP, STEP], 1e-12)
    out: Floats = np.sqrt(np.einsum("k,kn->n", noise.weight * noise.variance, 1 / own))
    return out
