"""Kendall's trend tests of one series, with the numbers a reader can check.

The slope of one series with its interval is `scipy.stats.theilslopes`; maps of pixels are
`afterrains.signals.trend`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from afterrains.signals.pairs import EXACT_UP_TO, exact_p_values

__all__ = ["MannKendall", "SeasonalKendall", "mann_kendall", "seasonal_kendall"]


@dataclass(frozen=True)
class MannKendall:
    """Mann–Kendall test of a series."""

    n: int
    s: int
    """Rising less falling pairs."""
    variance: float
    """Of `s` when there is no trend, corrected for ties."""
    z: float
    """`s` in its standard deviations, one taken off its size for continuity."""
    p_value: float
    """Two-sided."""
    method: Literal["exact", "normal"]


@dataclass(frozen=True)
class SeasonalKendall:
    """Kendall test over several seasons of the year, each compared with itself alone."""

    n: int
    s: int
    variance: float
    z: float
    p_value: float
    """Two-sided, by the normal approximation."""
    slope: float
    """Median slope per year over the pairs within seasons."""


def mann_kendall(values: NDArray[np.floating]) -> MannKendall:
    """Mann–Kendall test for a monotonic trend in independent values.

    There is no correction for serial correlation, because none tried keeps its level in records as
    short as these; `afterrains.signals.trend` gives the numbers.

    Parameters
    ----------
    values : array, shape (time,)
        In order of time; NaN where missing. At least 3 values.

    Returns
    -------
    MannKendall
        Exact p-value up to 40 values without ties, else the normal approximation.

    Raises
    ------
    ValueError
        With fewer than 3 values.

    References
    ----------
    Kendall, M. G. (1975). Rank Correlation Methods, 4th ed. Griffin.
    """
    known = np.asarray(values, np.float64)
    known = known[np.isfinite(known)]
    n = known.size
    if n < 3:
        raise ValueError(f"{n} values; the test needs 3")
    s = int(np.triu(_signs(known)).sum())
    ties = np.unique_counts(known).counts
    variance = float(n * (n - 1) * (2 * n + 5) - (ties * (ties - 1) * (2 * ties + 5)).sum()) / 18
    z = _z(s, variance)
    if n <= EXACT_UP_TO and ties.max() == 1:
        return MannKendall(n, s, variance, z, float(exact_p_values()[n, abs(s)]), "exact")
    return MannKendall(n, s, variance, z, _two_sided(z), "normal")


def seasonal_kendall(
    values: NDArray[np.floating], years: NDArray[np.floating], *, seasons_correlated: bool = False
) -> SeasonalKendall:
    """Seasonal Kendall test: trend over the years within each season of the year.

    Parameters
    ----------
    values : array, shape (year, season)
        NaN where missing.
    years : array, shape (year,)
        Strictly increasing.
    seasons_correlated : bool
        Allow for correlation between the seasons of a year. Without it four seasons of one good
        year count as four witnesses. Advised only from about ten years on; the covariance itself
        is poorly known before.

    Returns
    -------
    SeasonalKendall
        With `seasons_correlated` without continuity correction, as published.

    Raises
    ------
    ValueError
        If the shapes disagree, the years do not increase, or no season has two values.

    References
    ----------
    Hirsch, R. M., Slack, J. R. & Smith, R. A. (1982). Techniques of trend analysis for monthly
    water quality data. Water Resour. Res. 18, 107-121. doi:10.1029/WR018i001p00107
    Hirsch, R. M. & Slack, J. R. (1984). A nonparametric trend test for seasonal data with serial
    dependence. Water Resour. Res. 20, 727-732. doi:10.1029/WR020i006p00727
    """
    values = np.asarray(values, np.float64)
    years = np.asarray(years, np.float64)
    if values.ndim != 2 or values.shape[0] != years.size:
        raise ValueError(f"values of shape {values.shape} for {years.size} years")
    if np.any(np.diff(years) <= 0):
        raise ValueError("years must increase strictly")
    signs = np.stack([_signs(season) for season in values.T])
    first, later = np.triu_indices(years.size, k=1)
    slopes = (values[later] - values[first]) / (years[later] - years[first])[:, None]
    if np.isnan(slopes).all():
        raise ValueError("no season has two values")
    s = int(signs[:, first, later].sum())
    covariance = _season_covariance(signs, np.isfinite(values).sum(axis=0), first, later)
    if seasons_correlated:
        variance = float(covariance.sum())
        z = s / math.sqrt(variance) if variance > 0 else 0.0
    else:
        variance = float(np.trace(covariance))
        z = _z(s, variance)
    n = int(np.isfinite(values).sum())
    return SeasonalKendall(n, s, variance, z, _two_sided(z), float(np.nanmedian(slopes)))


def _signs(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sign of value j less value i at [i, j]; 0 where either is missing."""
    return np.nan_to_num(np.sign(values[None, :] - values[:, None]))


def _z(s: int, variance: float) -> float:
    return math.copysign(max(abs(s) - 1, 0), s) / math.sqrt(variance) if variance > 0 else 0.0


def _two_sided(z: float) -> float:
    return math.erfc(abs(z) / math.sqrt(2.0))


def _season_covariance(
    signs: NDArray[np.float64],
    counts: NDArray[np.int64],
    first: NDArray[np.int64],
    later: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Covariance of the seasons' S; a missing value takes the middle rank (Hirsch & Slack 1984)."""
    n_years = signs.shape[1]
    together = signs[:, first, later] @ signs[:, first, later].T
    # Rank of each value in its season; signs[:, i, :] counts the values above it.
    ranks = (counts[:, None] + 1 - signs.sum(axis=2)) / 2
    middle = n_years * np.outer(counts + 1, counts + 1)
    covariance: NDArray[np.float64] = (together + 4 * ranks @ ranks.T - middle) / 3
    return covariance
