"""What the controls show of themselves: which can be trusted, and the gap of each to the others."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from afterrains.evidence.gap_series import GapSeries
from afterrains.evidence.gaps import site_levels
from afterrains.evidence.growth import GrowthCurve, ramp
from afterrains.evidence.learning import odd_controls
from afterrains.evidence.rain_gap import SiteRain

__all__ = ["FEWEST_TRUSTED", "gaps_to_others", "trusted"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]

FEWEST_TRUSTED = 3
"""Controls of which none is left out, however odd one looks."""


def trusted(values: Floats, precision: Floats) -> tuple[Bools, Floats]:
    """Which controls changed abruptly, and the weight of each value (0 for theirs).

    Parameters
    ----------
    values, precision : array, shape (controls, seasons)
        NaN where missing; relative precision of each value.

    Returns
    -------
    odd : array of bool, shape (controls,)
    trust : array, shape (controls, seasons)
    """
    departures = values - site_levels(values, precision)[:, None]
    some = np.isfinite(departures).any(axis=0)
    middle = np.zeros(departures.shape[1])
    middle[some] = np.nanmedian(departures[:, some], axis=0)
    odd = odd_controls(departures - middle)
    if (~odd).sum() < FEWEST_TRUSTED:
        odd = np.zeros_like(odd)
    return odd, np.where(odd[:, None], 0.0, precision)


def gaps_to_others(
    departures: Floats, trust: Floats, since: Ints, growth: GrowthCurve, rain: SiteRain | None
) -> GapSeries:
    """Gap of each control to the other controls, as if sown when the programme first was.

    Parameters
    ----------
    departures : array, shape (controls, seasons)
        Values minus levels; NaN where missing.
    trust : array, shape (controls, seasons)
        Of `trusted`.
    since : array of int, shape (seasons,)
        Seasons since the programme's first sowing, 0 before it.
    growth : GrowthCurve
    rain : SiteRain or None

    Returns
    -------
    GapSeries
    """
    seen = np.isfinite(departures)
    weight = seen * trust
    filled = np.where(seen, departures, 0.0)
    total, worth = (weight * filled).sum(axis=0), weight.sum(axis=0)
    season = np.where(worth > 0, total / np.where(worth > 0, worth, 1.0), 0.0)
    left, rest = total - weight * filled, worth - weight
    others = np.where(rest > 0, left / np.where(rest > 0, rest, 1.0), np.nan)
    # Each value's variance is the inverse of its weight, so a squared weight counts once.
    spread = np.where(rest > 0, rest / np.where(rest > 0, rest, 1.0) ** 2, 1.0).mean(axis=1)
    shape = departures.shape
    return GapSeries(
        np.nan_to_num(departures - others),
        season,
        np.broadcast_to((since > 0).astype(float), shape),
        np.broadcast_to(ramp(since.astype(float), growth), shape),
        np.broadcast_to(since == 0, shape),
        spread,
        None if rain is None else rain.of_controls(departures, trust),
    )
