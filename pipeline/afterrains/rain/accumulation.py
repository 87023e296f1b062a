"""Rainy seasons by anomalous accumulation: kernels on plain arrays.

The accumulated anomaly of a stretch of days is A(d) = sum up to day d of (rain - long-term daily
mean). It falls while days are drier than the mean and rises while they are wetter. A rainy season
is the largest rise of A: its **first day is the day after the minimum, its last day is the day
of the maximum** (the "+1 convention"; some papers call the day of the minimum itself the onset).

Years have 365 slots, 0 for 1 January; 29 February shares the slot of 28 February.

References
----------
Liebmann, B. & Marengo, J. (2001). Interannual variability of the rainy season and rainfall in the
Brazilian Amazon basin. J. Climate 14, 4308-4318.
Liebmann, B. et al. (2012). Seasonality of African precipitation from 1996 to 2009. J. Climate 25,
4304-4322. doi:10.1175/JCLI-D-11-00157.1
Dunning, C. M., Black, E. C. L. & Allan, R. P. (2016). The onset and cessation of seasonal rainfall
over Africa. J. Geophys. Res. Atmos. 121, 11405-11424. doi:10.1002/2016JD025428
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "DAYS_IN_YEAR",
    "ClimateSeason",
    "climate_seasons",
    "daily_climatology",
    "harmonic_ratio",
    "largest_rise",
    "two_largest_rises",
]

DAYS_IN_YEAR = 365

_SMOOTHING_DAYS = 30  # running mean before two seasons are told apart, as in Dunning 2016
_REFINING_DAYS = 15  # half of it: how far the smoothing can have moved an extreme


@dataclass(frozen=True)
class ClimateSeason:
    """A rainy season of the long-term mean year.

    `first` is a slot of the year (0 to 364); `last` is the last slot, inclusive, 365 or more when
    the season runs across New Year; `rise_mm` is by how much A rises from `first` to `last`.
    """

    first: int
    last: int
    rise_mm: float


def daily_climatology(
    rain_mm: NDArray[np.floating], slots: NDArray[np.integer]
) -> NDArray[np.float64]:
    """Mean rain of each day of the year.

    Parameters
    ----------
    rain_mm : array, shape (days,)
        Rain, mm a day; NaN days are left out of the mean.
    slots : array, shape (days,)
        Slot of the year of each day, 0 to 364.

    Returns
    -------
    array, shape (365,)
        mm a day; NaN for a slot that was never read.
    """
    seen = np.isfinite(rain_mm)
    count = np.bincount(slots[seen], minlength=DAYS_IN_YEAR)
    total = np.bincount(slots[seen], weights=rain_mm[seen], minlength=DAYS_IN_YEAR)
    mean = np.full(DAYS_IN_YEAR, np.nan)
    np.divide(total, count, out=mean, where=count > 0)
    return mean


def harmonic_ratio(climatology: NDArray[np.floating]) -> float:
    """Amplitude of the second annual harmonic over that of the first; above 1: two seasons.

    Parameters
    ----------
    climatology : array, shape (365,)
        Mean rain of each day of the year, mm; no NaN.

    Returns
    -------
    float
        Unitless; inf where only the second harmonic is there, 0 where there is neither.
    """
    amplitude = np.abs(np.fft.rfft(climatology)[1:3])
    # A constant year leaves rounding noise in both harmonics; its ratio means nothing.
    noise = 1e-12 * max(float(np.abs(climatology).sum()), 1.0)
    if amplitude[1] <= noise:
        return 0.0
    return float(amplitude[1] / amplitude[0]) if amplitude[0] > noise else float("inf")


def largest_rise(anomaly_mm: NDArray[np.floating]) -> tuple[int, int, float]:
    """The stretch of days over which the accumulated anomaly rises most.

    Parameters
    ----------
    anomaly_mm : array, shape (days,)
        Rain minus the long-term daily mean, mm; no NaN.

    Returns
    -------
    tuple of int, int, float
        First day, last day (inclusive) and the rise in mm. Where several stretches rise equally,
        the earliest to reach the maximum and, of its equal minima, the latest. When no day is
        wetter than the mean the rise is 0 or less and the stretch is one day.
    """
    accumulated = np.concatenate([[0.0], np.cumsum(anomaly_mm)])
    lowest = np.minimum.accumulate(accumulated[:-1])
    rise = accumulated[1:] - lowest
    last = int(np.argmax(rise))
    first = int(np.flatnonzero(accumulated[: last + 1] == lowest[last])[-1])
    return first, last, float(rise[last])


def two_largest_rises(
    anomaly_mm: NDArray[np.floating],
) -> tuple[tuple[int, int, float], tuple[int, int, float]]:
    """The two stretches, one after the other, whose rises together are largest.

    Parameters and results as in `largest_rise`, for at least two days.
    """
    anomaly = np.asarray(anomaly_mm, dtype=float)
    best_so_far = _best_rise_up_to(anomaly)
    best_from = _best_rise_up_to(anomaly[::-1])[::-1]
    cut = int(np.argmax(best_so_far[:-1] + best_from[1:])) + 1
    early = largest_rise(anomaly[:cut])
    late = largest_rise(anomaly[cut:])
    return early, (late[0] + cut, late[1] + cut, late[2])


def _best_rise_up_to(anomaly: NDArray[np.floating]) -> NDArray[np.float64]:
    """Largest rise within the days up to each day."""
    accumulated = np.concatenate([[0.0], np.cumsum(anomaly)])
    rise = accumulated[1:] - np.minimum.accumulate(accumulated[:-1])
    return np.asarray(np.maximum.accumulate(rise), dtype=float)


def climate_seasons(climatology: NDArray[np.floating], count: int) -> tuple[ClimateSeason, ...]:
    """The rainy seasons of the long-term mean year, in the order of their first day.

    Parameters
    ----------
    climatology : array, shape (365,)
        Mean rain of each day of the year, mm; no NaN.
    count : int
        1 or 2. Two seasons are looked for in the accumulated anomaly smoothed by a 30-day running
        mean, and their ends are then set to the extremes of the unsmoothed curve nearby.

    Returns
    -------
    tuple of ClimateSeason
        `count` seasons that do not overlap.
    """
    if count not in (1, 2):
        raise ValueError(f"count is {count}; one or two rainy seasons a year are known")
    anomaly = np.asarray(climatology, dtype=float) - np.mean(climatology)
    if count == 1:
        # The year begins anew at its lowest point, so that no season is cut at New Year.
        shift = (int(np.argmin(np.cumsum(anomaly))) + 1) % DAYS_IN_YEAR
        rises = [largest_rise(np.roll(anomaly, -shift))]
    else:
        shift, rises = _two_seasons(anomaly)
    seasons = []
    for first, last, rise in rises:
        slot = (first + shift) % DAYS_IN_YEAR
        seasons.append(ClimateSeason(slot, slot + last - first, rise))
    return tuple(sorted(seasons, key=lambda season: season.first))


def _two_seasons(anomaly: NDArray[np.floating]) -> tuple[int, list[tuple[int, int, float]]]:
    """Shift of the year's start, and the two rises in the shifted year."""
    accumulated = np.cumsum(anomaly)
    half = _SMOOTHING_DAYS // 2
    wrapped = np.concatenate([accumulated[-half:], accumulated, accumulated[: half - 1]])
    smooth = np.convolve(wrapped, np.full(_SMOOTHING_DAYS, 1 / _SMOOTHING_DAYS), mode="valid")
    shift = (int(np.argmin(smooth)) + 1) % DAYS_IN_YEAR
    rises = two_largest_rises(np.diff(np.roll(smooth, -shift), prepend=smooth[shift - 1]))
    # Three years in a row, so that an extreme can be refined across the cut.
    years = np.concatenate([[0.0], np.cumsum(np.tile(np.roll(anomaly, -shift), 3))])
    bounds = [DAYS_IN_YEAR + day for rise in rises for day in (rise[0], rise[1] + 1)]
    refined = []
    for place, bound in enumerate(bounds):
        # An extreme moves at most half the way to its neighbours, so that none change places.
        before = bounds[place - 1] if place else bounds[-1] - DAYS_IN_YEAR
        after = bounds[place + 1] if place < 3 else bounds[0] + DAYS_IN_YEAR
        low = bound - min(_REFINING_DAYS, (bound - before - 1) // 2)
        high = bound + min(_REFINING_DAYS, (after - bound - 1) // 2)
        nearby = years[low : high + 1]
        refined.append(low + int(np.argmin(nearby) if place % 2 == 0 else np.argmax(nearby)))
    found = [
        (refined[k], refined[k + 1] - 1, float(years[refined[k + 1]] - years[refined[k]]))
        for k in (0, 2)
    ]
    return shift, found
