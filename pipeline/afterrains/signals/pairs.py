"""The compiled kernel under the trend maps: every pair of seasons of every pixel.

All pairs of one pixel lie in one short array, a row for each lag: pair (i, i + lag), wrapped round
at the end, so that each row has the same length, every pair comes once and the processor works on
whole vectors. The median is then found without sorting: from the least-squares slope, which is
seldom more than a few pairs away, a pivot is moved until counting finds half of the pairs below it.
The result is the exact median, whatever the path.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from afterrains.compiled import compiled, counting

__all__ = ["EXACT_UP_TO", "exact_p_values", "slopes_and_tests"]

_Float = TypeVar("_Float", np.float32, np.float64)

EXACT_UP_TO = 40
"""Longest series without ties whose p-value is exact; Gilbert (1987) tables it so far."""


@lru_cache(maxsize=1)
def exact_p_values() -> NDArray[np.float64]:
    """Two-sided p-value of Mann–Kendall's S without ties, at [n, abs(S)].

    Counts the orderings of n values by their inversions: the product of 1 + x + … + x^(k-1) for k
    up to n. Kendall, M. G. (1938). A new measure of rank correlation. Biometrika 30, 81-93.
    doi:10.1093/biomet/30.1-2.81
    """
    most = EXACT_UP_TO * (EXACT_UP_TO - 1) // 2
    table = np.ones((EXACT_UP_TO + 1, most + 1))
    chance = np.ones(1)  # of each number of inversions
    for n in range(2, EXACT_UP_TO + 1):
        chance = np.convolve(chance, np.full(n, 1 / n))
        pairs = n * (n - 1) // 2
        tail = np.cumsum(chance)
        s = np.arange(pairs % 2, pairs + 1, 2)
        table[n, s] = np.minimum(1.0, 2 * tail[(pairs - s) // 2])
    table.setflags(write=False)
    return table


def slopes_and_tests(
    values: NDArray[_Float], years: NDArray[np.float64], min_valid: int
) -> tuple[NDArray[_Float], NDArray[_Float], NDArray[np.uint16]]:
    """Theil–Sen slope, Mann–Kendall p-value and number of values of each row of `values`.

    `values` has the shape (series, time) and is NaN where missing, `years` increases strictly.
    See `trend.slope_and_test`.
    """
    # Centred, so that the sums of squares keep their digits.
    time = years - years.mean()
    return _slopes_and_tests(
        values, time, _inverse_spans(time, values.dtype), min_valid, exact_p_values()
    )


def _inverse_spans(time: NDArray[np.float64], dtype: np.dtype[_Float]) -> NDArray[_Float]:
    """One over the years between the seasons of each pair, shape (lag, season), padded by NaN."""
    n = time.size
    # Whole vectors of eight; the padding is NaN and drops out of every count.
    inverse = np.full((n // 2, -(-n // 8) * 8), np.nan, dtype)
    for lag in range(1, n // 2 + 1):
        span = np.roll(time, -lag) - time
        # With an even number of seasons the last lag would meet each pair from both ends.
        kept = n if 2 * lag < n else n // 2
        inverse[lag - 1, :kept] = 1 / span[:kept]
    return inverse


@compiled
def _slopes_and_tests(
    values: NDArray[_Float],
    time: NDArray[np.float64],
    per_year: NDArray[_Float],
    min_valid: int,
    exact: NDArray[np.float64],
) -> tuple[NDArray[_Float], NDArray[_Float], NDArray[np.uint16]]:
    n_series, n_times = values.shape
    slope = np.full(n_series, np.nan, values.dtype)
    p_value = np.full(n_series, np.nan, values.dtype)
    count = np.zeros(n_series, np.uint16)
    slopes = np.empty_like(per_year)
    # The series twice over for the pairs that wrap round, and a rim for the padding.
    twice = np.zeros(slopes.shape[1] + n_times + len(slopes), values.dtype)
    density = _density(per_year)
    for r in range(n_series):
        n = 0
        v1 = v2 = t1 = t2 = tv = 0.0
        for i in range(n_times):
            value = values[r, i]
            if np.isfinite(value):
                v = np.float64(value)
                n += 1
                v1 += v
                v2 += v * v
                t1 += time[i]
                t2 += time[i] * time[i]
                tv += time[i] * v
            else:
                value = values.dtype.type(np.nan)
            twice[i] = value
            twice[n_times + i] = value
        count[r] = n
        if n < min_valid:
            continue
        _pair_slopes(twice, per_year, slopes)
        falling, rising = _signs(slopes.reshape(-1))
        tied = n * (n - 1) // 2 - falling - rising
        least_squares = (tv - t1 * v1 / n) / (t2 - t1 * t1 / n)
        residual = max(v2 - v1 * v1 / n - least_squares * (tv - t1 * v1 / n), 0.0)
        rate = density * (n / n_times) ** 2 / math.sqrt(residual / n)
        slope[r] = _median(slopes, falling, tied, rising, least_squares, rate)
        s = abs(rising - falling)
        if tied == 0 and n < len(exact):
            p_value[r] = exact[n, s]
        elif s == 0:
            p_value[r] = 1.0
        else:
            variance = n * (n - 1) * (2 * n + 5) / 18
            if tied > 0:
                variance -= _tie_correction(twice[:n_times])
            p_value[r] = math.erfc((s - 1) / math.sqrt(2 * variance))
    return slope, p_value, count


@compiled
def _density(per_year: NDArray[_Float]) -> float:
    """How many slopes a unit of slope holds near their middle, for normal noise of SD 1.

    The slope of a pair then has the SD sqrt(2) / span, hence the density span / (2 sqrt(pi)).
    """
    spans = 0.0
    for inverse in per_year.flat:
        if inverse == inverse:  # not the padding
            spans += float(abs(1 / inverse))
    return float(spans / (2 * math.sqrt(math.pi)))


@compiled
def _pair_slopes(
    twice: NDArray[_Float], per_year: NDArray[_Float], slopes: NDArray[_Float]
) -> None:
    """Slopes of all pairs into `slopes`; NaN for padding and for pairs with a missing season."""
    for row in range(len(slopes)):
        later = twice[row + 1 :]
        weight, out = per_year[row], slopes[row]
        for i in range(out.size):
            out[i] = (later[i] - twice[i]) * weight[i]


@counting
def _signs(slopes: NDArray[_Float]) -> tuple[int, int]:
    """Number of falling and of rising pairs."""
    zero, one = slopes.dtype.type(0), slopes.dtype.type(1)
    falling = rising = zero
    for i in range(slopes.size):
        falling += one if slopes[i] < zero else zero
        rising += one if slopes[i] > zero else zero
    return int(falling), int(rising)


@counting
def _count_upto(slopes: NDArray[_Float], pivot: _Float) -> int:
    """Number of slopes that are at most the pivot."""
    zero, one = slopes.dtype.type(0), slopes.dtype.type(1)
    count = zero
    for i in range(slopes.size):
        count += one if slopes[i] <= pivot else zero
    return int(count)


@compiled
def _median(
    slopes: NDArray[Any], falling: int, tied: int, rising: int, guess: float, rate: float
) -> float:
    """Median of the slopes that are not NaN; `rate` is the expected number of them per unit."""
    pairs = falling + tied + rising
    half, odd = pairs // 2, pairs % 2
    if falling < half + odd and falling + tied > half:
        return 0.0  # tied seasons hold the middle
    # Of the sorted slopes, `under` come up to and with `low`, `upto` up to and with `high`, and the
    # middle lies between. A pivot that parts them in halves ends the search.
    flat = slopes.reshape(-1)
    infinity = flat.dtype.type(np.inf)
    low, under, high, upto = -infinity, 0, infinity, pairs
    pivot, count = flat.dtype.type(0), falling + tied
    turn = 0
    while count != half and count != half + odd:
        turn += 1
        if count < half:
            low, under = pivot, count
        else:
            high, upto = pivot, count
        pivot = flat.dtype.type(guess if turn == 1 else pivot + (half - count) / rate)
        if turn > 3 or not low < pivot < high:
            if np.isinf(low):
                low = np.nextafter(_around(slopes, -infinity)[1], -infinity)
            if np.isinf(high):
                high = _around(slopes, infinity)[0]
            # Between two pivots the count grows about evenly; halving guards against outliers.
            share = (half - under) / (upto - under) if turn % 3 else 0.5
            pivot = flat.dtype.type(low + (high - low) * share)
            if not low < pivot < high:
                pivot = flat.dtype.type(low + (high - low) / 2)
            if not low < pivot < high:
                return float(
                    high
                )  # no number lies between: the slopes above `low` are all this one
        count = _count_upto(flat, pivot)
    below, above = _around(slopes, pivot)
    if odd:
        return float(above if count == half else below)
    return float((below + above) / 2)


@compiled
def _around(slopes: NDArray[_Float], pivot: _Float) -> tuple[_Float, _Float]:
    """Greatest slope up to the pivot and least slope above it."""
    below = np.full(slopes.shape[1], -np.inf, slopes.dtype)
    above = np.full(slopes.shape[1], np.inf, slopes.dtype)
    for row in range(len(slopes)):
        for i in range(below.size):
            slope = slopes[row, i]
            if slope <= pivot and slope > below[i]:
                below[i] = slope
            if slope > pivot and slope < above[i]:
                above[i] = slope
    # A loop: compiling the reductions of NumPy takes longer than all of them ever run.
    nearest_below, nearest_above = below[0], above[0]
    for i in range(1, below.size):
        nearest_below = max(nearest_below, below[i])
        nearest_above = min(nearest_above, above[i])
    return nearest_below, nearest_above


@compiled
def _tie_correction(values: NDArray[_Float]) -> float:
    """What groups of equal values take off the variance of S (Kendall 1975)."""
    # A group of t values takes off t(t - 1)(2t + 5)/18; here each value brings its share of that.
    correction = 0.0
    for i in range(values.size):
        alike = 0
        for j in range(values.size):
            alike += values[i] == values[j]
        if alike > 1:
            correction += (alike - 1) * (2 * alike + 5) / 18
    return correction
