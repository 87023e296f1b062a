"""What one more sowing may bring: the gain of its way, where the rain held, and how sure.

Ways are pooled over sites whose rain held, because the chance of rain that holds is multiplied in
afterwards. A way of which little is known is drawn towards the mean of all ways (empirical Bayes
with the Paule-Mandel variance between ways).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from afterrains.choices.groups import pool_of, standard_errors
from afterrains.evidence.what_works import pool

__all__ = ["WayGain", "cost_per_ha_of_ways", "gains_of_ways"]

_HALF_WIDTH = 1.959964
_FEWEST_LEVELS = 3
_FOUR_IN_FIVE = 0.8416  # quantile of the normal distribution
OF_SOWING = ("method", "species")


@dataclass(frozen=True)
class WayGain:
    """Expected gain of a sowing of one way into rain that holds, with its 95 % interval."""

    factor: str
    level: str
    sites: int
    gain: float
    low: float
    high: float


def gains_of_ways(frame: pd.DataFrame) -> dict[tuple[str, str], WayGain]:
    """Expected gains by method and by species mix, and of all sites together.

    Parameters
    ----------
    frame : DataFrame
        Sites that count, of one unit: `gain, gain_low, gain_high, controls`, and `method`,
        `species` where known.

    Returns
    -------
    dict
        By (factor, level), with ("all", "all"); empty without a site. With fewer than three levels
        of a factor the spread between them cannot be told from noise, and every level gets the gain
        of all sites.

    References
    ----------
    Borenstein, M., Hedges, L. V., Higgins, J. P. T. & Rothstein, H. R. (2009). Introduction to
    Meta-Analysis, Wiley, chapter 19: one variance between sites for all groups, where groups are
    too small to have their own.
    """
    everyone = pool_of(frame)
    if everyone is None:
        return {}
    known = frame[frame["gain"].notna() & standard_errors(frame).notna()]
    whole = WayGain("all", "all", everyone.sites, everyone.gain, everyone.low, everyone.high)
    found = {("all", "all"): whole}
    for factor in OF_SOWING:
        if factor not in frame:
            continue
        pools = {
            str(level): _mean(part, everyone.between_variance)
            for level, part in known[known[factor] != ""].groupby(factor, sort=True)
        }
        if len(pools) < _FEWEST_LEVELS:
            for level, told in pools.items():
                found[factor, level] = WayGain(
                    factor, level, told.sites, whole.gain, whole.low, whole.high
                )
            continue
        gains = np.array([each.gain for each in pools.values()])
        errors = np.array([each.error for each in pools.values()])
        between = pool(gains, errors)
        keep = between.between_variance / (between.between_variance + errors**2)
        drawn = everyone.gain + keep * (gains - everyone.gain)
        mean_error = (everyone.high - everyone.low) / 2 / _HALF_WIDTH
        half = _HALF_WIDTH * np.sqrt(keep * errors**2 + ((1 - keep) * mean_error) ** 2)
        for (level, told), gain, width in zip(pools.items(), drawn, half, strict=True):
            found[factor, level] = WayGain(
                factor, level, told.sites, float(gain), float(gain - width), float(gain + width)
            )
    return found


@dataclass(frozen=True)
class _Mean:
    """Mean gain of the sites sown one way, and its standard error."""

    gain: float
    error: float
    sites: int


def _mean(part: pd.DataFrame, between_variance: float) -> _Mean:
    """Random-effects mean with the variance between sites that all ways share."""
    gains, errors = part["gain"].to_numpy(float), standard_errors(part).to_numpy(float)
    weight = 1 / (errors**2 + between_variance)
    return _Mean(
        float((weight * gains).sum() / weight.sum()), float(weight.sum() ** -0.5), len(part)
    )


def cost_per_ha_of_ways(
    sowing: pd.DataFrame, area_ha: Mapping[str, float]
) -> dict[tuple[str, str], float]:
    """Mean cost of one sowing by hectare: costs over hectares of the sowings whose cost is known.

    By (factor, level) of the sowing's own row, and ("all", "all"); a way without a known cost is
    not there.
    """
    area = sowing["site_id"].map(dict(area_ha)).astype(float)
    known = sowing.assign(area_ha=area)[sowing["cost"].notna() & (area > 0)]
    found = {}
    if len(known):
        found["all", "all"] = _per_ha(known)
    for factor in OF_SOWING:
        if factor in known:
            words = known[factor].fillna("").astype(str).str.split().str.join(" ")
            found |= {
                (factor, str(level)): _per_ha(part)
                for level, part in known.groupby(words, sort=True)
                if level
            }
    return found


def _per_ha(rows: pd.DataFrame) -> float:
    return float(rows["cost"].sum() / rows["area_ha"].sum())


def best_other(
    gains: Mapping[tuple[str, str], WayGain], own: Iterable[tuple[str, str]]
) -> WayGain | None:
    """The way with the highest expected gain that is none of the site's own and likely beats them.

    Likely: with a chance of four in five by the two intervals (our own bar: a seed or a method is
    not changed for a difference that may as well be the other way round). None where there is none.
    A level that stands for several ways one after the other is none that can be chosen.
    """
    tried = set(own)
    last = max((gains[way] for way in tried if way in gains), key=_by_gain, default=None)
    others = [
        each
        for way, each in gains.items()
        if way not in tried
        and each.factor != "all"
        and each.gain > 0
        and " then " not in each.level
        and (last is None or _likely_better(each, last))
    ]
    return max(others, key=_by_gain, default=None)


def _by_gain(way: WayGain) -> tuple[float, str, str]:
    return way.gain, way.factor, way.level


def _likely_better(one: WayGain, other: WayGain) -> bool:
    widths = one.high - one.low, other.high - other.low
    spread = float(np.hypot(widths[0], widths[1])) / 2 / _HALF_WIDTH
    return one.gain > other.gain + _FOUR_IN_FIVE * spread
