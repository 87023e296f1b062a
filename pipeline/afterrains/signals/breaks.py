"""Breaks: the strongest step in a pixel's season values, and sudden loss on a polygon.

Kernels take plain numpy arrays of shape (..., time), NaN where a season has no value; wrappers take
xarray objects with a "time" dimension and stay lazy. Both tests take the seasons for independent;
with a correlation of 0.3 between successive seasons the step test calls about 13 % of steady series
a break at the 5 % level. A break says that the level changed, never why.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import scipy
from numpy.typing import NDArray

from afterrains.compiled import compiled
from afterrains.signals.composites import require_whole_time

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["Break", "SuddenLoss", "level_step", "strongest_break", "sudden_losses"]

_SHORTEST_SIDE = 2
"""Seasons with a value on either side of a step: one alone is an outlier, not a level."""


@dataclass(frozen=True)
class Break:
    """The strongest step of many series; every array has the shape of the series."""

    first_after: NDArray[np.int16]
    """Position in time of the first season after the step; -1 where none can be told."""
    shift: NDArray[np.float32]
    """Mean level after less mean level before."""
    p_value: NDArray[np.float32]
    """Two-sided, all possible splits allowed for."""
    beats_line: NDArray[np.bool_]
    """The step leaves less unexplained than a straight line; else read it as a trend."""


@dataclass(frozen=True)
class SuddenLoss:
    """A season that fell out of what the seasons before it foretell."""

    position: int
    """Of the season in the series."""
    expected: float
    """Mean of the seasons before it."""
    drop: float
    """How far below that it lies; positive."""
    p_value: float
    """One-sided chance of such a drop, for this season alone."""


def level_step(values: NDArray[np.floating]) -> Break:
    """The split of each series in two levels that leaves least unexplained.

    Parameters
    ----------
    values : array, shape (..., time)
        Season values; NaN where a season has none.

    Returns
    -------
    Break
        `first_after` is -1, `shift` and `p_value` NaN where fewer than five seasons have a value or
        all values are equal. The p-value is that of the two-sample t statistic at the chosen split
        times the number of splits looked at (Bonferroni): with independent normal noise it is never
        too small, whatever the length, where asymptotic tests of a break cannot reject at all in
        series under ten seasons.

    References
    ----------
    Worsley, K. J. (1979). On the likelihood ratio test for a shift in location of normal
    populations. J. Am. Stat. Assoc. 74, 365-367. doi:10.1080/01621459.1979.10482519
    """
    shape = values.shape[:-1]
    flat = np.ascontiguousarray(values.reshape(-1, values.shape[-1]), np.float64)
    first_after, shift, t, n, beats_line = _steps(flat, _SHORTEST_SIDE)
    splits = n - 2 * _SHORTEST_SIDE + 1
    found = first_after >= 0
    p_value = np.full(t.shape, np.nan)
    p_value[found] = np.minimum(
        1.0, splits[found] * 2 * scipy.special.stdtr(n[found] - 2, -t[found])
    )
    return Break(
        first_after.reshape(shape),
        shift.astype(np.float32).reshape(shape),
        p_value.astype(np.float32).reshape(shape),
        beats_line.reshape(shape),
    )


def strongest_break(cube: xr.DataArray) -> xr.Dataset:
    """`level_step` of each pixel, a variable for each field of `Break`; lazy where the cube is.

    `cube` holds one value a season and has the dimension "time" whole in one chunk; `first_after`
    counts positions along it from 0.
    """
    import xarray as xr  # for cubes alone: it takes 15 MB

    require_whole_time(cube)

    def arrays(values: NDArray[np.floating]) -> tuple[NDArray[np.generic], ...]:
        found = level_step(values)
        return found.first_after, found.shift, found.p_value, found.beats_line

    outputs = xr.apply_ufunc(
        arrays,
        cube,
        input_core_dims=[["time"]],
        output_core_dims=[[]] * 4,
        output_dtypes=[np.int16, np.float32, np.float32, np.bool_],
        dask="parallelized",
        keep_attrs=False,
    )
    names = ("first_after", "shift", "p_value", "beats_line")
    return xr.Dataset(dict(zip(names, outputs, strict=True)))


def sudden_losses(
    values: NDArray[np.floating], *, error_rate: float = 0.01, before: int = 4
) -> tuple[SuddenLoss, ...]:
    """Seasons in which a polygon fell below what earlier seasons foretell: fire, clearing.

    Each season is set against the mean and spread of all earlier seasons that were not losses
    themselves, as a new observation from the same normal population (prediction interval). Give the
    polygon less its comparable ground, or a drought is a loss.

    Parameters
    ----------
    values : array, shape (time,)
        One value a season, in order; NaN where missing.
    error_rate : float
        Chance that a steady series shows any loss, over all of its seasons together.
    before : int
        Fewest earlier values a season is judged by; at least 3.

    Returns
    -------
    tuple of SuddenLoss
        In order. Of a run of lost seasons the first alone; ground that stays low is one loss.

    Raises
    ------
    ValueError
        If `error_rate` is not between 0 and 1 or `before` is below 3.
    """
    if not 0 < error_rate < 1:
        raise ValueError(f"error_rate is {error_rate}; it lies between 0 and 1")
    if before < 3:
        raise ValueError(f"before is {before}; a spread needs at least 3 values")
    values = np.asarray(values, np.float64)
    positions = np.flatnonzero(np.isfinite(values))
    judged = max(len(positions) - before, 1)
    steady: list[float] = []
    losses: list[SuddenLoss] = []
    was_lost = False
    for position in positions:
        value = float(values[position])
        lost = False
        if len(steady) >= before:
            n = len(steady)
            expected = float(np.mean(steady))
            reach = float(np.std(steady, ddof=1)) * np.sqrt(1 + 1 / n)
            drop = expected - value
            lost = drop > reach * -scipy.special.stdtrit(n - 1, error_rate / judged)
            if lost and not was_lost:
                p_value = float(scipy.special.stdtr(n - 1, -drop / reach)) if reach > 0 else 0.0
                losses.append(SuddenLoss(int(position), expected, drop, p_value))
        if not lost:
            steady.append(value)
        was_lost = lost
    return tuple(losses)


@compiled
def _steps(
    values: NDArray[np.float64], side: int
) -> tuple[
    NDArray[np.int16],
    NDArray[np.float64],
    NDArray[np.float64],
    NDArray[np.int64],
    NDArray[np.bool_],
]:
    """Position, shift, t statistic and number of values of each row; whether it beats a line."""
    n_series, n_times = values.shape
    first_after = np.full(n_series, -1, np.int16)
    shift = np.full(n_series, np.nan)
    statistic = np.full(n_series, np.nan)
    count = np.zeros(n_series, np.int64)
    beats_line = np.zeros(n_series, np.bool_)
    for r in range(n_series):
        n = 0
        mean = mean_t = 0.0
        for i in range(n_times):
            if np.isfinite(values[r, i]):
                n += 1
                mean += (values[r, i] - mean) / n
                mean_t += (i - mean_t) / n
        count[r] = n
        total = line_t = line = 0.0
        best = -1.0
        summed = 0.0  # of the deviations so far
        k = 0
        for i in range(n_times):
            if not np.isfinite(values[r, i]):
                continue
            if side <= k <= n - side:
                # What a split into the k values so far and the rest takes off the sum of squares.
                gained = summed * summed * n / (k * (n - k))
                if gained > best:
                    best = gained
                    first_after[r] = i
                    shift[r] = -summed * n / (k * (n - k))
            deviation = values[r, i] - mean
            summed += deviation
            total += deviation * deviation
            line += deviation * (i - mean_t)
            line_t += (i - mean_t) ** 2
            k += 1
        if n <= 2 * side or total == 0:
            first_after[r] = -1
            shift[r] = np.nan
            continue
        statistic[r] = np.sqrt(best / (max(total - best, 0.0) / (n - 2)))
        beats_line[r] = best > line * line / line_t
    return first_after, shift, statistic, count, beats_line
