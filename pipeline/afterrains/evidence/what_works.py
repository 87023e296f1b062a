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
import scipy
from numpy.typing import NDArray

__all__ = ["CAUTION", "COLUMNS", "FACTORS", "Pooled", "pool", "shrunken_gains", "what_works"]

Floats = NDArray[np.float64]

FACTORS = ("method", "species", "stratum", "start", "seed_lot")
COLUMNS = (
    "factor",
    "level",
    "sites",
    "pooled_gain",
    "low",
    "high",
    "heterogeneity_percent",
    "cost_per_gained_ha",
    "gain_unit",
    "gained",
    "grass_only",
    "seasons_since_sowing",
)
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
    # A second to load, and not every command pools.
    from statsmodels.stats.meta_analysis import combine_effects

    if gains.size == 0 or not (errors > 0).all():
        raise ValueError("pooling needs at least one site, and standard errors above zero")
    if gains.size == 1:
        half = float(scipy.stats.norm.isf(0.025) * errors[0])
        return Pooled(1, float(gains[0]), gains[0] - half, gains[0] + half, 0.0, 0.0)
    # Sites that gained exactly alike divide nothing by nothing in the heterogeneity.
    with np.errstate(divide="ignore", invalid="ignore"):
        result = combine_effects(gains, errors**2, method_re="iterated", use_t=True)
        share = 100 * float(np.nan_to_num(max(result.i2, 0.0)))
    own = max(float(result.sd_eff_w_re_hksj), float(result.sd_eff_w_re))
    weight = 1 / (errors**2 + result.tau2)
    common = np.sqrt(shared) * float((weight * errors).sum() / weight.sum())
    se = np.hypot(own * np.sqrt(1 - shared), common)
    half = float(scipy.stats.t.isf(0.025, gains.size - 1) * se)
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
    verdicts: pd.DataFrame, ways: pd.DataFrame, factors: Sequence[str] = FACTORS
) -> pd.DataFrame:
    """Pooled gains by each way of sowing, each unit of gain by itself.

    Parameters
    ----------
    verdicts : DataFrame
        A row a site: `site_id, gain, gain_low, gain_high` (95 %), `controls`, and where known
        `gain_unit, verdict, seasons_since_sowing, area_ha, cost`; sites without a gain are left
        out.
    ways : DataFrame
        A row a site: `site_id` and any of `factors`; those already in `verdicts` count too.
    factors : sequence of str
        Those missing are passed over, empty levels too.

    Returns
    -------
    DataFrame
        `COLUMNS`; of each unit first a row `all`. `cost_per_gained_ha` is the cost of all the
        sites sown so over the area of those called `gain`, empty where nothing gained or a cost is
        not known.
    """
    known = [name for name in ways.columns if name == "site_id" or name not in verdicts]
    frame = verdicts.merge(ways[known], on="site_id", how="left")
    frame["se"] = (frame["gain_high"] - frame["gain_low"]) / (2 * scipy.stats.norm.isf(0.025))
    frame = frame[frame["gain"].notna() & (frame["se"] > 0)]
    units = frame["gain_unit"] if "gain_unit" in frame else pd.Series("", index=frame.index)
    rows = []
    for unit, of_unit in frame.groupby(units):
        groups = [("all", "all", of_unit)]
        for factor in factors:
            if factor in of_unit:
                words = of_unit[factor].fillna("").astype(str)
                groups += [(factor, level, part) for level, part in of_unit.groupby(words) if level]
        rows += [(factor, level, *_row(part, str(unit))) for factor, level, part in groups]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _row(part: pd.DataFrame, unit: str) -> tuple[float | int | str, ...]:
    """One pool of sites, in the order of `COLUMNS` after factor and level."""
    shared = float(np.mean(1 / (1 + np.maximum(part["controls"].to_numpy(float), 1))))
    pooled = pool(part["gain"].to_numpy(float), part["se"].to_numpy(float), shared)
    unknown = pd.Series(np.nan, index=part.index)
    verdict = part.get("verdict", unknown)
    gained_ha = float(part.get("area_ha", unknown).astype(float)[verdict == "gain"].sum())
    cost = float(part.get("cost", unknown).astype(float).sum(skipna=False))
    return (
        pooled.sites,
        pooled.gain,
        pooled.low,
        pooled.high,
        pooled.heterogeneity_percent,
        cost / gained_ha if gained_ha > 0 else float("nan"),
        unit,
        int((verdict == "gain").sum()),
        int((verdict == "grass-only").sum()),
        float(part.get("seasons_since_sowing", unknown).astype(float).median()),
    )
