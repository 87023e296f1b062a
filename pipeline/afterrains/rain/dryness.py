"""How dry: SPI, ranks, dry spells and rain days. Kernels on plain arrays.

A missing day is NaN. It is never dry: sums over days with gaps are the caller's to refuse, and a
missing day ends a dry spell, so that a spell's length is what was certainly dry.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy
from numpy.typing import NDArray

__all__ = [
    "LEAST_REFERENCE_YEARS",
    "USUAL_REFERENCE_YEARS",
    "WET_DAY_MM",
    "GammaWithZeros",
    "dry_runs",
    "dry_spells",
    "fit_gamma_with_zeros",
    "longest_run",
    "rank_from_driest",
    "spi",
    "spi_class",
]

WET_DAY_MM = 1.0
"""Rain from which a day counts as a rain day; less is dry (the ETCCDI wet-day threshold)."""

USUAL_REFERENCE_YEARS = 30
"""Years of record usually asked of an SPI (WMO-No. 1090, 2012)."""

LEAST_REFERENCE_YEARS = 10
"""Fewer totals than this give no SPI: two parameters and a tail cannot be had from them
(rule of thumb, no source)."""

_LARGEST_SPI = float(-scipy.special.ndtri(np.finfo(float).eps))  # 8.13, where probabilities run out


@dataclass(frozen=True)
class GammaWithZeros:
    """Distribution of season totals: a share of zeros, a gamma distribution for the rest.

    `shape` has no unit, `scale_mm` is in mm; both are NaN where the reference held too few or
    equal totals above zero. `years` is the number of reference totals.
    """

    zero_share: float
    shape: float
    scale_mm: float
    years: int


def fit_gamma_with_zeros(totals_mm: NDArray[np.floating]) -> GammaWithZeros:
    """Maximum-likelihood gamma of the totals above zero, and the share of zeros.

    Parameters
    ----------
    totals_mm : array, shape (years,)
        Season totals, mm; NaN totals are left out.

    References
    ----------
    McKee, T. B., Doesken, N. J. & Kleist, J. (1993). The relationship of drought frequency and
    duration to time scales. 8th Conf. Applied Climatology, 179-184. The fit is by
    `scipy.stats.gamma.fit` with its location held at zero.
    """
    totals = np.asarray(totals_mm, dtype=float)
    totals = totals[np.isfinite(totals)]
    wet = totals[totals > 0]
    if totals.size == 0:
        return GammaWithZeros(np.nan, np.nan, np.nan, 0)
    zero_share = 1 - wet.size / totals.size
    if np.unique(wet).size < 2:
        return GammaWithZeros(zero_share, np.nan, np.nan, totals.size)
    shape, _, scale = scipy.stats.gamma.fit(wet, floc=0)
    return GammaWithZeros(zero_share, float(shape), float(scale), totals.size)


def spi(
    totals_mm: NDArray[np.floating],
    reference_mm: NDArray[np.floating] | None = None,
    *,
    least_years: int = LEAST_REFERENCE_YEARS,
) -> NDArray[np.float64]:
    """Standardised precipitation index of totals against a reference.

    SPI = Phi^-1(H) with H = q + (1 - q) G(x): q the share of zero totals in the reference, G the
    gamma distribution of the rest. A zero total gets Phi^-1(q).

    Parameters
    ----------
    totals_mm : array, shape (n,)
        Totals over the same season of different years, mm; NaN where unknown.
    reference_mm : array, shape (years,), optional
        Totals that set the distribution; `totals_mm` itself if unset.
    least_years : int
        Fewest reference totals that still give an index.

    Returns
    -------
    array, shape (n,)
        Standard deviations of a normal distribution; NaN where the total is NaN or the reference
        is too short, dry or constant for a fit. Beyond +-8.1 it is cut off.

    References
    ----------
    McKee et al. (1993); World Meteorological Organization (2012), Standardized Precipitation
    Index User Guide, WMO-No. 1090.
    """
    totals = np.asarray(totals_mm, dtype=float)
    if (totals < 0).any():
        raise ValueError("a total is below zero")
    fitted = fit_gamma_with_zeros(totals if reference_mm is None else np.asarray(reference_mm))
    index = np.full(totals.shape, np.nan)
    if fitted.years < least_years or not np.isfinite(fitted.shape):
        return index
    known = np.isfinite(totals)
    below = scipy.stats.gamma.cdf(totals[known], fitted.shape, scale=fitted.scale_mm)
    share = fitted.zero_share + (1 - fitted.zero_share) * below
    index[known] = np.clip(scipy.stats.norm.ppf(share), -_LARGEST_SPI, _LARGEST_SPI)
    return index


def spi_class(index: NDArray[np.floating] | pd.Series) -> NDArray[np.object_]:
    """The published class of each SPI in words, '' for NaN.

    References
    ----------
    WMO-No. 1090 (2012), table of SPI values.
    """
    values = np.asarray(index, dtype=float)
    classes = np.select(
        [
            values >= 2,
            values >= 1.5,
            values >= 1,
            values <= -2,
            values <= -1.5,
            values <= -1,
            np.isfinite(values),
        ],
        [
            "extremely wet",
            "very wet",
            "moderately wet",
            "extremely dry",
            "severely dry",
            "moderately dry",
            "near normal",
        ],
        default="",
    )
    return classes.astype(object)


def rank_from_driest(totals_mm: NDArray[np.floating]) -> NDArray[np.float64]:
    """Rank of each total, 1 for the driest; equal totals share the lower rank; NaN stays NaN."""
    ranks = pd.Series(np.asarray(totals_mm, dtype=float)).rank(method="min")
    return np.asarray(ranks, dtype=np.float64)


def dry_runs(rain_mm: NDArray[np.floating], wet_day_mm: float = WET_DAY_MM) -> NDArray[np.int64]:
    """Length of the run of dry days that each day closes.

    Parameters
    ----------
    rain_mm : array, shape (days, ...)
        Daily rain, mm; NaN where missing.
    wet_day_mm : float
        Rain from which a day is wet.

    Returns
    -------
    array, shape (days, ...)
        Days; 0 on wet and on missing days.
    """
    dry = np.asarray(rain_mm) < wet_day_mm  # NaN compares as False: a gap is not dry
    count = np.cumsum(dry, axis=0)
    before_run = np.maximum.accumulate(np.where(dry, 0, count), axis=0)
    return np.asarray(np.where(dry, count - before_run, 0), dtype=np.int64)


def dry_spells(
    rain_mm: NDArray[np.floating], *, spell_mm: float = 1.0, window_days: int = 3
) -> tuple[int, int]:
    """Number of dry spells and of the days in them.

    A day is in a dry spell when it belongs to a stretch of `window_days` days that brought less
    than `spell_mm` together; spells are runs of such days.

    Parameters
    ----------
    rain_mm : array, shape (days,)
        Daily rain, mm; a stretch with a missing day (NaN) is not dry.
    spell_mm : float
        Rain of a stretch from which it is not dry.
    window_days : int
        Length of a stretch.

    Returns
    -------
    tuple of int, int
        Spells, and days in spells.
    """
    values = np.asarray(rain_mm, dtype=float)
    if values.size < window_days:
        return 0, 0
    stretches = np.lib.stride_tricks.sliding_window_view(values, window_days)
    begins = np.flatnonzero(stretches.sum(axis=1) < spell_mm)
    inside = np.zeros(values.size + 1, dtype=bool)
    for day in range(window_days):
        inside[begins + day] = True
    return int((inside[:-1] > np.roll(inside, 1)[:-1]).sum()), int(inside.sum())


def longest_run(runs: NDArray[np.integer]) -> NDArray[np.int64]:
    """Longest run within a stretch of `dry_runs` (days first), cut at the stretch's first day."""
    days = np.arange(1, runs.shape[0] + 1).reshape(-1, *[1] * (runs.ndim - 1))
    return np.asarray(np.minimum(runs, days).max(axis=0, initial=0), dtype=np.int64)
