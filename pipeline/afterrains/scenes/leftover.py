"""Haze and shadow that the masks missed, found by a pixel's own season.

Kernels take plain arrays of shape (time, y, x), NaN where masked. A look is compared with the same
pixel's looks shortly before and after it: a line through them (median of slopes, so that one more
bad look among them does no harm) says what was to be expected, and a look that lies too far from
it, up or down, is an outlier. Green-up and dry-down are slopes and pass. What lasts as long as the
window – a fire scar, a flooded pan – moves the line with it and passes after its first looks; a
look with too few neighbours cannot be tested and passes.

On simulated seasons (red falling by 0.12 and rising again, noise 0.01, one look in twenty moved by
0.1) the defaults find 99 % of the moved looks where there is a look every five days, but only half
where there is one every ten; of good looks they lose fewer than 1 in 900.

References
----------
Davies, L. & Gather, U. (1993). The identification of multiple outliers. J. Am. Stat. Assoc. 88,
782-792 (the Hampel identifier). doi:10.1080/01621459.1993.10476339
Sen, P. K. (1968). Estimates of the regression coefficient based on Kendall's tau. J. Am. Stat.
Assoc. 63, 1379-1389. doi:10.1080/01621459.1968.10480934
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from afterrains.compiled import compiled

__all__ = ["Leftovers", "leftovers", "season_residuals"]

_MAD_TO_SD = 1.4826  # of a normal distribution
_LOOKS_AT_ONCE = 250_000  # pixels times dates; working copies of them take 10 MB


@dataclass(frozen=True)
class Leftovers:
    """What the test found; all arrays (time, y, x)."""

    outlier: NDArray[np.bool_]
    tested: NDArray[np.bool_]
    """Looks with enough neighbours; the others pass untested."""

    @property
    def counts(self) -> NDArray[np.int64]:
        """Outliers by date, for the report."""
        return np.asarray(self.outlier.sum(axis=(1, 2)), dtype=np.int64)


def leftovers(
    values: NDArray[np.floating],
    days: NDArray[np.integer],
    *,
    threshold: float = 4.0,
    smallest_spread: float = 0.015,
    window_days: int = 45,
    neighbours: int = 3,
    passes: int = 2,
) -> Leftovers:
    """Looks that do not fit their own pixel's season, in either direction.

    Parameters
    ----------
    values : array, shape (time, y, x)
        One band or index of one season, best one that haze and shadow move strongly (blue or red
        reflectance); NaN where masked.
    days : integer array, shape (time,)
        Day numbers, not decreasing.
    threshold : float
        How many spreads a look may lie from what its neighbours say.
    smallest_spread : float
        Floor of a pixel's spread, in the unit of `values`; without it a very steady season would
        make outliers of its own noise.
    window_days : int
        How far before and after a look its neighbours may lie.
    neighbours : int
        The most neighbours on each side; the nearest count. At least four in all are needed.
    passes : int
        Outliers of one pass are left out in the next, so that a bad look does not hide another.

    Returns
    -------
    Leftovers

    Raises
    ------
    ValueError
        If shapes do not match, days decrease, or a setting is not above zero.
    """
    _check(values, days, threshold, smallest_spread, window_days, neighbours, passes)
    outlier = np.zeros(values.shape, dtype=bool)
    tested = np.zeros(values.shape, dtype=bool)
    dates, rows, columns = values.shape
    some = max(1, _LOOKS_AT_ONCE // max(1, dates * columns))
    for start in range(0, rows, some):
        part = np.s_[:, start : start + some]
        looks = np.asarray(values[part], dtype=np.float64)
        for _ in range(passes):
            kept = np.where(outlier[part], np.nan, looks)
            residuals = season_residuals(looks, kept, days, window_days, neighbours)
            residuals_kept = np.where(outlier[part], np.nan, residuals)
            spread = np.maximum(_spread(residuals_kept), smallest_spread)
            tested[part] = np.isfinite(residuals)
            with np.errstate(invalid="ignore"):
                found = tested[part] & (np.abs(residuals) > threshold * spread)
            if np.array_equal(found, outlier[part]):
                break
            outlier[part] = found
    return Leftovers(outlier, tested)


def _check(values: NDArray[np.floating], days: NDArray[np.integer], *settings: float) -> None:
    if values.ndim != 3 or days.shape != values.shape[:1]:
        raise ValueError("values must be (time, y, x) and days (time,)")
    if np.any(np.diff(days) < 0):
        raise ValueError("days must not decrease; sort by time")
    if min(settings) <= 0:
        raise ValueError("every setting must be above zero")


def _spread(residuals: NDArray[np.float64]) -> NDArray[np.float64]:
    """Robust spread of each pixel's residuals, (y, x); NaN where there are none."""
    out = np.full(residuals.shape[1:], np.nan)
    some = np.isfinite(residuals).any(axis=0)
    out[some] = _MAD_TO_SD * np.nanmedian(np.abs(residuals[:, some]), axis=0)
    return out


def season_residuals(
    values: NDArray[np.floating],
    kept: NDArray[np.floating],
    days: NDArray[np.integer],
    window_days: int = 45,
    neighbours: int = 3,
) -> NDArray[np.float64]:
    """How far each look lies from the line through its neighbours in time.

    Parameters
    ----------
    values : array, shape (time, y, x)
        The looks to be compared; NaN where masked.
    kept : array, shape (time, y, x)
        The looks that may serve as neighbours; NaN where masked or left out.
    days : integer array, shape (time,)
        Day numbers, not decreasing.
    window_days, neighbours
        As for `leftovers`.

    Returns
    -------
    array, shape (time, y, x)
        Value minus expectation; NaN where masked, or with fewer than four neighbours, or with none
        before or none after that fall on another day.

    References
    ----------
    The line is that of Sen (1968) with the median of the neighbours' own intercepts.
    """
    out = np.full(values.shape, np.nan)
    _residuals(
        np.ascontiguousarray(values, dtype=np.float64),
        np.ascontiguousarray(kept, dtype=np.float64),
        np.ascontiguousarray(days, dtype=np.int64),
        window_days,
        neighbours,
        out,
    )
    return out


@compiled
def _median(scratch: NDArray[np.float64], count: int) -> float:
    """Median of the first few numbers, which are left in order.

    Insertion: there are fifteen at most, and the library's own median takes seconds to compile.
    """
    for i in range(1, count):
        value = scratch[i]
        k = i
        while k > 0 and scratch[k - 1] > value:
            scratch[k] = scratch[k - 1]
            k -= 1
        scratch[k] = value
    half = count // 2
    middle: float = scratch[half]
    return middle if count % 2 else (scratch[half - 1] + middle) / 2


@compiled
def _residuals(
    values: NDArray[np.float64],
    kept: NDArray[np.float64],
    days: NDArray[np.int64],
    window_days: int,
    neighbours: int,
    out: NDArray[np.float64],
) -> None:
    dates, rows, columns = values.shape
    near = np.empty(2 * neighbours, dtype=np.int64)
    slopes = np.empty(neighbours * (2 * neighbours - 1))
    levels = np.empty(2 * neighbours)
    for row in range(rows):
        for column in range(columns):
            for look in range(dates):
                if np.isnan(values[look, row, column]):
                    continue
                count = 0
                for step in (-1, 1):
                    taken = 0
                    other = look + step
                    while 0 <= other < dates and taken < neighbours:
                        if abs(days[other] - days[look]) > window_days:
                            break
                        if not np.isnan(kept[other, row, column]):
                            near[count] = other
                            count += 1
                            taken += 1
                        other += step
                if count < 4:
                    continue
                pairs = 0
                for a in range(count):
                    for b in range(a):
                        gap = days[near[a]] - days[near[b]]
                        if gap != 0:
                            rise = kept[near[a], row, column] - kept[near[b], row, column]
                            slopes[pairs] = rise / gap
                            pairs += 1
                if pairs == 0:
                    continue
                slope = _median(slopes, pairs)
                for a in range(count):
                    back = days[look] - days[near[a]]
                    levels[a] = kept[near[a], row, column] + slope * back
                out[look, row, column] = values[look, row, column] - _median(levels, count)
