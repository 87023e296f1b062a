"""The contrast: generalised least squares of each site's gap on the growth of a gain.

The gap of a site (its value minus its controls') is a level, plus a gain that grows after sowing,
plus noise of one of several structures. For each structure the gain and its variance follow by
generalised least squares; `learning` gives the structures their weights and the noise its scale,
`mixture` turns all into one p-value and interval.

The contrast follows mostly the programme's growth ramp and partly a step (`growth.mixed`), or more
of either where the other sites' gains do (`growth_shown`). What the gain is *now* depends on the
true curve, so the interval is widened in proportion to the gain by how far the two curves disagree;
at a gain of nothing nothing is added, and interval and test agree.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from afterrains.evidence.common_drift import CommonDrift
from afterrains.evidence.gap_series import (
    GAP,
    PULSE,
    RAMP,
    STEP,
    TIME,
    GapModel,
    GapSeries,
    in_parts,
    under_structures,
)
from afterrains.evidence.growth import STEP_SHARE, mixed
from afterrains.evidence.growth_shown import step_shares
from afterrains.evidence.learning import Noise
from afterrains.evidence.mixture import Mixture
from afterrains.evidence.structures import DRIFT_SPAN, cross_products, sweep

__all__ = ["OWN_COURSE", "SiteGains", "estimate_gains", "rain_told"]

Floats = NDArray[np.float64]

OWN_COURSE = 0.3
"""How plausible it is that a site's gain grows in a way of its own, whatever the others show."""
_MOST_SHAPE_DOUBT = 0.3
_PRIOR_GAIN = 9.0  # variance of a gain, in units of the noise variance, when a fall is sought


@dataclass(frozen=True)
class SiteGains:
    """Gains of sites at one season; all arrays have shape (sites,), NaN where not estimable.

    `p_gain` and `p_loss` are one-sided, `low` and `high` bound the 95 % interval of the gain now.
    `p_drop` is the one-sided p-value of a fall in the last season below what all earlier seasons,
    a gain among them, foretell. `p_step` and `p_ramp` are the one-sided p-values of a rise at once
    and of growth since, fitted side by side. `p_no_drift` is `p_gain` were there surely no common
    drift (`common_drift`), `drifted` what a common drift of 1 a season would add to the gain.
    """

    gain: Floats
    low: Floats
    high: Floats
    p_gain: Floats
    p_loss: Floats
    se: Floats
    df: Floats
    p_drop: Floats
    p_step: Floats
    p_ramp: Floats
    p_no_drift: Floats
    drifted: Floats


def estimate_gains(
    model: GapModel,
    series: GapSeries,
    noise: Noise,
    tails: float = np.inf,
    drift: CommonDrift | None = None,
    shares: Floats | None = None,
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
    drift : CommonDrift or None
        What is believed of a drift that all these sites share (`common_drift`); None is none.
    shares : array, shape (sites,), or None
        The step's share in each site's contrast (`growth_shown`); None is `growth.STEP_SHARE`.

    Returns
    -------
    SiteGains
        NaN for a site without a value before or after sowing.
    """
    sites, seasons = series.gap.shape
    out = np.full((12, sites), np.nan)
    shares = np.full(sites, STEP_SHARE) if shares is None else shares
    seen = model.seen[:, :seasons]
    counted = seen.sum(axis=1) - series.rain_terms
    able = (seen & series.before).any(axis=1) & (seen & (series.step > 0)).any(axis=1)
    for part in in_parts(sites, noise.structure.size):
        columns = series.columns(model.seen, part)
        products = cross_products(model.factors(part, seasons), columns)
        chosen = under_structures(products, noise.structure)
        now = np.stack([series.step[part, -1], series.ramp[part, -1], shares[part]])
        told = _gain_now(chosen, now, counted[part], series.spread[part], noise, drift)
        out[:7, part], out[10:, part] = told[:7], told[7:]
        out[7, part] = _sudden_drop(chosen, counted[part], series.spread[part], noise, tails)
        out[8:10, part] = _rise_at_once(chosen, counted[part], series.spread[part], noise)
    out[:, ~able] = np.nan
    return SiteGains(*out)


def rain_told(
    model: GapModel,
    series: GapSeries,
    noise: Noise,
    gains: SiteGains,
    drift: CommonDrift | None = None,
) -> tuple[Floats, Floats]:
    """How far rain differed since sowing, mm a season, and what allowing for it did to the gain.

    NaN for sites whose rain did not differ from their controls' beyond noise.
    """
    unknown = np.full(gains.gain.size, np.nan)
    if series.rain is None:
        return unknown, unknown
    seen = model.seen[:, : series.gap.shape[1]]
    groups = (seen & (series.step > 0), seen & series.before)
    after, before = (
        np.where(group, series.rain.column, 0.0).sum(axis=1) / np.maximum(group.sum(axis=1), 1)
        for group in groups
    )
    dry = replace(series, rain=None)
    # Without its rain, the course of the gains is read anew as well.
    plain = estimate_gains(model, dry, noise, drift=drift, shares=step_shares(model, dry, noise))
    used = series.rain.used
    apart = np.where(used, (after - before) * series.rain.size_mm, np.nan)
    return apart, np.where(used, gains.gain - plain.gain, np.nan)


def _gain_now(
    products: Floats,
    now: Floats,
    counted: NDArray[np.intp],
    spread: Floats,
    noise: Noise,
    drift: CommonDrift | None,
) -> Floats:
    """Rows of `SiteGains` from the swept cross-products of some sites: the first 7 and last 2."""
    step, ramp, share = now
    curve_now = mixed(step, ramp, share)
    to_step = mixed(products[..., STEP, STEP], products[..., RAMP, STEP], share)
    to_ramp = mixed(products[..., STEP, RAMP], products[..., RAMP, RAMP], share)
    to_gap = mixed(products[..., STEP, GAP], products[..., RAMP, GAP], share)
    own = mixed(to_step, to_ramp, share)
    usable = own > 1e-10
    own = np.where(usable, own, 1.0)
    slope = to_gap / own
    # How far a gain's true curve lies from the blended one is no noise: both are taken out.
    slopes, _, both = _step_and_ramp(products)
    told = np.einsum("jkn,jkn->kn", slopes, np.stack([products[..., i, GAP] for i in (STEP, RAMP)]))
    squares = products[..., GAP, GAP] - np.where(both, told, to_gap**2 / own)
    site_df = np.maximum(counted - np.where(both, 3.0, 2.0), 0.0)
    squares = np.where(site_df > 0, np.maximum(squares, 0.0), 0.0)
    prior_df = noise.df[:, None]
    wider = 1 + spread
    variance = (prior_df * noise.variance[:, None] + squares / wider) / (prior_df + site_df)
    se = np.sqrt(variance * wider / own) * curve_now
    mixture = Mixture(noise.weight, slope * curve_now, se, prior_df + site_df)
    p_no_drift = mixture.below(0.0)
    # What a drift of 1 in the unit of time would add to the gain as estimated.
    drifted = mixed(products[..., STEP, TIME], products[..., RAMP, TIME], share) / own * curve_now
    if drift is not None:
        mixture = _beside_drift(mixture, drifted, drift)
    # What a gain of 1 now would be estimated as, were the step or the ramp the whole truth.
    as_step = np.einsum("k,kn->n", noise.weight, to_step / own) * curve_now / step
    as_ramp = np.einsum("k,kn->n", noise.weight, to_ramp / own) * curve_now
    with np.errstate(divide="ignore", invalid="ignore"):
        as_ramp = np.where(ramp > 0.1, as_ramp / ramp, as_step)
    # How plausible the step is for this site: its course is the others', or one of its own.
    chance = (1 - OWN_COURSE) * share + OWN_COURSE * STEP_SHARE
    middle = np.clip(mixed(as_step, as_ramp, chance), 0.5, 2.0)
    apart = np.abs(as_step - as_ramp) * np.sqrt(chance * (1 - chance))
    doubt = np.where(ramp > 0.1, apart / middle, _MOST_SHAPE_DOUBT)
    doubt = np.minimum(doubt, _MOST_SHAPE_DOUBT)
    centre, width = mixture.mean, mixture.standard_error
    low = _widened(centre, centre - mixture.quantile(0.025), width, doubt, -1)
    high = _widened(centre, mixture.quantile(0.975) - centre, width, doubt, 1)
    p_gain = mixture.below(0.0)
    rows = [centre / middle, low / middle, high / middle, p_gain, 1 - p_gain]
    rows += [width / middle, mixture.mean_df, p_no_drift]
    rows.append(np.einsum("k,kn->n", noise.weight, drifted) * DRIFT_SPAN / middle)
    return np.where(usable.all(axis=0), np.stack(rows), np.nan)


def _beside_drift(mixture: Mixture, leverage: Floats, drift: CommonDrift) -> Mixture:
    """The mixture with a common drift taken out and what is not known of it added."""
    weight = (drift.weight * mixture.weight).ravel()
    estimate = mixture.estimate - leverage * drift.mean[..., None]
    se = np.sqrt(mixture.se**2 + leverage**2 * drift.variance[..., None])
    df = np.broadcast_to(mixture.df, estimate.shape)
    kept = weight > 1e-4
    flat = (-1, estimate.shape[-1])
    parts = (each.reshape(flat)[kept] for each in (estimate, se, df))
    return Mixture(weight[kept] / weight[kept].sum(), *parts)


def _widened(centre: Floats, half: Floats, width: Floats, doubt: Floats, side: int) -> Floats:
    """Bound of the gains g with |centre - g| within sqrt(half² + (t doubt g)²)."""
    share = np.minimum((half / width * doubt) ** 2, 0.6)
    root = np.sqrt(share * centre**2 + (1 - share) * half**2)
    out: Floats = (centre + side * root) / (1 - share)
    return out


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


def _rise_at_once(
    products: Floats, counted: NDArray[np.intp], spread: Floats, noise: Noise
) -> tuple[Floats, Floats]:
    """One-sided p-values of the step and of the ramp, fitted side by side; NaN where they cannot.

    What rose in the first season and did not grow is not what the growth curve expects of trees.
    """
    slopes, shares, usable = _step_and_ramp(products)
    explained = slopes[0] * products[..., STEP, GAP] + slopes[1] * products[..., RAMP, GAP]
    squares = np.maximum(products[..., GAP, GAP] - explained, 0.0)
    site_df, prior_df = np.maximum(counted - 3.0, 0.0), noise.df[:, None]
    wider = 1 + spread
    variance = (prior_df * noise.variance[:, None] + squares / wider) / (prior_df + site_df)
    p = []
    for slope, share in zip(slopes, shares, strict=True):
        se = np.sqrt(np.maximum(variance * wider * share, 1e-300))
        mixture = Mixture(noise.weight, slope, se, prior_df + site_df)
        p.append(np.where(usable.all(axis=0), mixture.below(0.0), np.nan))
    return p[0], p[1]


def _step_and_ramp(products: Floats) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Both coefficients, shape (2, structures, sites), their variance factors, and where they can.

    The two can be told apart once a ramp has begun to rise.
    """
    a, b, c = (products[..., i, j] for i, j in ((STEP, STEP), (STEP, RAMP), (RAMP, RAMP)))
    step, grown = products[..., STEP, GAP], products[..., RAMP, GAP]
    area = a * c - b**2
    usable = area > 1e-6 * np.maximum(a * c, 1e-12)
    area = np.where(usable, area, 1.0)
    slopes = np.stack([(c * step - b * grown) / area, (a * grown - b * step) / area])
    return slopes, np.stack([c / area, a / area]), usable
