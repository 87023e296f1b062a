"""What works: gains pooled over sites by method, species, stratum, rain after sowing, seed lot.

Random-effects meta-analysis: sites differ in what their ground gained, not only in what was
measured. Ways of sowing were not drawn by lot, so a difference between two of them may be one
between the grounds they were used on; `CAUTION` says so wherever the table is shown.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats
from statsmodels.stats.meta_analysis import combine_effects

__all__ = ["CAUTION", "FACTORS", "Pooled", "pool", "shrunken_gains", "what_works"]

Floats = NDArray[np.float64]

FACTORS = ("method", "species", "stratum", "start", "seed_lot")
CAUTION = (
    "Ways of sowing were not drawn by lot: a difference between two of them may be one between the"
    " grounds on which they were used."
)


@dataclass(frozen=True)
class Pooled:
    """Mean gain of a group of sites with its 95 % interval.

    `between_variance` is the variance of the true gains, `heterogeneity_percent` (I squared) the
    share of the spread that it explains.
    """

    sites: int
    gain: float
    low: float
    high: float
    between_variance: float
    heterogeneity_percent: float


def pool(gains: Floats, errors: Floats, shared: float = 0.0) -> Pooled:
    """Random-effects mean of site gains.

    Parameters
    ----------
    gains, errors : array, shape (sites,)
        Gains and their standard errors, all finite and above zero the latter.
    shared : float
        Share of each squared error that the sites have in common, as they have the same controls;
        averaging does not shrink it.

    Returns
    -------
    Pooled
        With the Paule-Mandel between-site variance and the Knapp-Hartung interval (t with sites - 1
        degrees of freedom, never narrower than without it); one site keeps its own interval.

    References
    ----------
    Paule, R. C. & Mandel, J. (1982). Consensus values and weighting factors. J. Res. Natl. Bur.
    Stand. 87, 377-385. doi:10.6028/jres.087.022
    Knapp, G. & Hartung, J. (2003). Improved tests for a random effects meta-regression with a
    single covariate. Stat. Med. 22, 2693-2710. doi:10.1002/sim.1482
    """
    if gains.size == 0 or not (errors > 0).all():
        raise ValueError("pooling needs at least one site, and standard errors above zero")
    if gains.size == 1:
        half = float(stats.norm.isf(0.025) * errors[0])
        return Pooled(1, float(gains[0]), gains[0] - half, gains[0] + half, 0.0, 0.0)
    # Sites that gained exactly alike divide nothing by nothing in the heterogeneity.
    with np.errstate(divide="ignore", invalid="ignore"):
        result = combine_effects(gains, errors**2, method_re="iterated", use_t=True)
        share = 100 * float(np.nan_to_num(max(result.i2, 0.0)))
    own = max(float(result.sd_eff_w_re_hksj), float(result.sd_eff_w_re))
    weight = 1 / (errors**2 + result.tau2)
    common = np.sqrt(shared) * float((weight * errors).sum() / weight.sum())
    se = np.hypot(own * np.sqrt(1 - shared), common)
    half = float(stats.t.isf(0.025, gains.size - 1) * se)
    mean = float(result.mean_effect_re)
    return Pooled(gains.size, mean, mean - half, mean + half, float(result.tau2), share)


def shrunken_gains(gains: Floats, errors: Floats) -> Floats:
    """Site gains drawn towards their random-effects mean, the more the less is known of each.

    NaN stays NaN; with fewer than three known sites nothing is drawn.
    """
    out = np.array(gains, dtype=float)
    known = np.isfinite(gains) & np.isfinite(errors) & (errors > 0)
    if known.sum() < 3:
        return out
    pooled = pool(gains[known], errors[known])
    total = pooled.between_variance + errors[known] ** 2
    out[known] = pooled.gain + pooled.between_variance / total * (gains[known] - pooled.gain)
    return out


def what_works(
    verdicts: pd.DataFrame,
    ways: pd.DataFrame,
    factors: Sequence[str] = FACTORS,
    *,
    gain_in_points: bool = True,
) -> pd.DataFrame:
    """Pooled gains by each way of sowing.

    Parameters
    ----------
    verdicts : DataFrame
        A row a site: `site_id, gain, gain_low, gain_high` (95 %), `controls`; sites without a gain
        are left out.
    ways : DataFrame
        A row a site: `site_id`, any of `factors`, and `area_ha`, `cost` where known.
    factors : sequence of str
        Those missing in `ways` are passed over, empty levels too.
    gain_in_points : bool
        Whether gains are points of cover, of which hectares can be reckoned.

    Returns
    -------
    DataFrame
        `factor, level, sites, pooled_gain, low, high, heterogeneity_percent, cost_per_gained_ha`,
        and first a row `all`. The cost of a gained hectare is all cost over area times pooled gain,
        empty where the pooled gain is not above zero or a cost is not known.
    """
    names = ["factor", "level", "sites", "pooled_gain", "low", "high"]
    names += ["heterogeneity_percent", "cost_per_gained_ha"]
    frame = verdicts.merge(ways, on="site_id", how="left", suffixes=("", "_way"))
    frame["se"] = (frame["gain_high"] - frame["gain_low"]) / (2 * stats.norm.isf(0.025))
    frame = frame[frame["gain"].notna() & (frame["se"] > 0)]
    rows = []
    groups = [("all", "all", frame)]
    for factor in factors:
        if factor in frame:
            words = frame[factor].fillna("").astype(str)
            groups += [(factor, level, part) for level, part in frame.groupby(words) if level]
    for factor, level, part in groups:
        if part.empty:
            continue
        shared = float(np.mean(1 / (1 + np.maximum(part["controls"].to_numpy(float), 1))))
        pooled = pool(part["gain"].to_numpy(float), part["se"].to_numpy(float), shared)
        cost = _cost(part, pooled.gain) if gain_in_points else np.nan
        rows.append(
            (
                factor,
                level,
                pooled.sites,
                pooled.gain,
                pooled.low,
                pooled.high,
                pooled.heterogeneity_percent,
                cost,
            )
        )
    return pd.DataFrame(rows, columns=names)


def _cost(part: pd.DataFrame, gain: float) -> float:
    """Cost of a gained hectare of woody cover; NaN where it cannot be said."""
    if not {"cost", "area_ha"} <= set(part.columns) or gain <= 0:
        return float("nan")
    cost, area = part["cost"].astype(float), part["area_ha"].astype(float)
    if cost.isna().any() or area.isna().any() or area.sum() <= 0:
        return float("nan")
    return float(cost.sum() / (area.sum() * gain / 100))
