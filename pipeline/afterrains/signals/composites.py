"""Season composites: median and outer quantiles of an index, pixel by pixel.

Kernels take stacks of shape (time, y, x) with NaN where a pixel was not clear; wrappers take xarray
objects with a "time" dimension and stay lazy. Quantiles are those of `numpy.quantile` with the
method "linear" (type 7 of Hyndman & Fan 1996, doi:10.1080/00031305.1996.10473566), of the clear
looks alone.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from functools import lru_cache, partial
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from afterrains.compiled import compiled
from afterrains.signals.season_values import HIGH_QUANTILE, LOW_QUANTILE

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["natural_colour", "season_composite", "season_composites"]

# Pixels sorted side by side: enough to fill the processor's vectors, few enough that forty dates of
# them stay in its first cache.
_BLOCK = 128


_QUANTILES = ("median", "low", "high")
_NAMES = (*_QUANTILES, "count")


def season_composite(
    stack: NDArray[np.floating],
    low: float = LOW_QUANTILE,
    high: float = HIGH_QUANTILE,
    names: Collection[str] = _QUANTILES,
) -> dict[str, NDArray[np.float32] | NDArray[np.uint16]]:
    """Median, low and high quantile and count of a pixel's clear looks.

    Parameters
    ----------
    stack : array, shape (time, y, x)
        Index values; NaN (or infinite) where not clear.
    low, high : float
        Probabilities of the outer quantiles, 0–1.
    names : collection of str
        Of "median", "low" and "high" those that are wanted.

    Returns
    -------
    dict of array, shape (y, x)
        What is wanted of `median`, `low`, `high` (float32, NaN where no look was clear), and
        `count` (uint16).

    Raises
    ------
    ValueError
        If the stack has no three dimensions, more than 65535 dates, or a probability is outside
        0–1.
    """
    if stack.ndim != 3:
        raise ValueError(f"a stack has the dimensions time, y, x; this one has {stack.ndim}")
    if not (0 <= low <= 1 and 0 <= high <= 1):
        raise ValueError(f"probabilities {low} and {high} must lie between 0 and 1")
    wanted = {
        name: probability
        for name, probability in zip(_QUANTILES, (0.5, low, high), strict=True)
        if name in names
    }
    values, count = _of_dates(_flat(stack), np.arange(len(stack)), tuple(wanted.values()))
    shape = stack.shape[1:]
    found = {name: row.reshape(shape) for name, row in zip(wanted, values, strict=True)}
    return {**found, "count": count.reshape(shape)}


def natural_colour(stack: NDArray[np.floating]) -> NDArray[np.float32]:
    """Median reflectance of a season for a picture: a look at the ground, not a measurement.

    Parameters
    ----------
    stack : array, shape (time, band, y, x)
        Reflectance 0–1 of red, green and blue; NaN where not clear.

    Returns
    -------
    array, shape (band, y, x), float32
        NaN where no look was clear.
    """
    if stack.ndim != 4:
        raise ValueError(f"a stack has the dimensions time, band, y, x; this one has {stack.ndim}")
    values, _ = _of_dates(_flat(stack), np.arange(len(stack)), (0.5,))
    return values.reshape(stack.shape[1:])


def season_composites(
    index: xr.DataArray,
    season: Sequence[str | None] | pd.Series,
    *,
    low: float = LOW_QUANTILE,
    high: float = HIGH_QUANTILE,
) -> xr.Dataset:
    """`season_composite` of each season of a cube; lazy where the cube is.

    Parameters
    ----------
    index : DataArray
        With the dimension "time", whole in one chunk, and any others.
    season : sequence of str
        Season of each date, as `season_of` gives it; missing where a date belongs to none.
    low, high : float
        Probabilities of the outer quantiles.

    Returns
    -------
    Dataset
        `median`, `low`, `high`, `count` with the dimension "season", in the order in which the
        seasons first come, in front of the cube's others.

    Raises
    ------
    ValueError
        If the lengths differ, no date has a season, or "time" is split into chunks.
    """
    import xarray as xr  # for cubes alone: it takes 15 MB

    if len(season) != index.sizes["time"]:
        raise ValueError(f"{len(season)} seasons for {index.sizes['time']} dates")
    require_whole_time(index)
    codes, names = pd.factorize(np.asarray(season, object))  # a missing season gets the code -1
    if not len(names):
        raise ValueError("no date lies in a season")

    dates_first = index.transpose("time", ...)
    # One call for each block as it lies: `xarray.apply_ufunc` would copy it with "time" last.
    by_season = partial(_by_season, codes=codes, n_seasons=len(names), low=low, high=high)
    if index.chunks is None:
        packed = by_season(dates_first.to_numpy())
    else:
        pieces = ((len(_NAMES) * len(names),), *dates_first.data.chunks[1:])
        packed = dates_first.data.map_blocks(by_season, dtype=np.float32, chunks=pieces)
    coordinates = dates_first.isel(time=0, drop=True).coords
    dims = ("season", *dates_first.dims[1:])
    composites = xr.Dataset(coords={"season": np.asarray(names, str), **coordinates})
    for k, name in enumerate(_NAMES):
        values = packed[k * len(names) : (k + 1) * len(names)]
        composites[name] = (dims, values.astype(np.uint16) if name == "count" else values)
    return composites


def _by_season(
    values: NDArray[np.floating], codes: NDArray[np.int64], n_seasons: int, low: float, high: float
) -> NDArray[np.float32]:
    """Median, low, high and count of each season, one behind the other along the first axis."""
    flat = _flat(values)
    packed = np.empty((len(_NAMES), n_seasons, flat.shape[1]), np.float32)
    for season in range(n_seasons):
        dates = np.flatnonzero(codes == season)
        packed[:3, season], packed[3, season] = _of_dates(flat, dates, (0.5, low, high))
    return packed.reshape(len(_NAMES) * n_seasons, *values.shape[1:])


def require_whole_time(cube: xr.DataArray) -> None:
    """Stop where a pixel's series would be cut into pieces."""
    chunks = cube.chunksizes.get("time", ())
    if len(chunks) > 1:
        raise ValueError(
            f'{cube.name or "the cube"}: "time" is split into {len(chunks)} chunks; '
            "rechunk with time=-1 to keep each pixel's series whole"
        )


def _flat(stack: NDArray[np.floating]) -> NDArray[np.float32]:
    """The stack as float32 of shape (time, pixels), without a copy where it is that already."""
    n_pixels = math.prod(stack.shape[1:])  # not -1, which a stack without dates cannot give
    return np.ascontiguousarray(stack.reshape(len(stack), n_pixels), np.float32)


def _of_dates(
    stack: NDArray[np.float32], dates: NDArray[np.int64], probabilities: tuple[float, ...]
) -> tuple[NDArray[np.float32], NDArray[np.uint16]]:
    """Quantiles (probability, pixel) and counts (pixel) over some dates of (time, pixel)."""
    if len(dates) > np.iinfo(np.uint16).max:
        raise ValueError(f"{len(dates)} dates are more than the count can hold")
    return _quantiles(stack, dates, np.array(probabilities), _comparators(len(dates)))


@lru_cache(maxsize=256)
def _comparators(n: int) -> NDArray[np.int64]:
    """Pairs (i, j), i < j, that sort `n` values when exchanged in order.

    Batcher's merge-exchange network. Its steps do not depend on the values, so a row of pixels is
    sorted with vector minima and maxima instead of branches. Batcher, K. E. (1968). Sorting
    networks and their applications. AFIPS Spring Joint Computer Conference 32, 307-314.
    doi:10.1145/1468075.1468121
    """
    pairs = []
    merged = 1
    while merged < n:
        step = merged
        while step >= 1:
            for start in range(step % merged, n - step, 2 * step):
                for i in range(start, start + min(step, n - start - step)):
                    if i // (2 * merged) == (i + step) // (2 * merged):
                        pairs.append((i, i + step))
            step //= 2
        merged *= 2
    return np.array(pairs, np.int64).reshape(-1, 2)


@compiled
def _quantiles(
    stack: NDArray[np.float32],
    dates: NDArray[np.int64],
    probabilities: NDArray[np.float64],
    comparators: NDArray[np.int64],
) -> tuple[NDArray[np.float32], NDArray[np.uint16]]:
    """Quantiles (probability, pixel) and counts (pixel) over some dates of (time, pixel)."""
    n_dates, n_pixels = dates.size, stack.shape[1]
    values = np.empty((probabilities.size, n_pixels), np.float32)
    count = np.zeros(n_pixels, np.uint16)
    block = np.empty((n_dates, _BLOCK), np.float32)
    seen = np.empty(_BLOCK, np.int32)
    for start in range(0, n_pixels, _BLOCK):
        width = min(_BLOCK, n_pixels - start)
        seen[:] = 0
        for k in range(n_dates):
            for c in range(width):
                value = stack[dates[k], start + c]
                known = np.isfinite(value)
                # Missing looks sort behind all others.
                block[k, c] = value if known else np.float32(np.inf)
                seen[c] += known
        for k in range(len(comparators)):
            first, second = block[comparators[k, 0]], block[comparators[k, 1]]
            for c in range(_BLOCK):
                a, b = first[c], second[c]
                first[c] = a if a < b else b
                second[c] = b if a < b else a
        for c in range(width):
            n = seen[c]
            count[start + c] = n
            for q in range(probabilities.size):
                if n == 0:
                    values[q, start + c] = np.nan
                else:
                    place = probabilities[q] * (n - 1)
                    below = int(place)
                    a = np.float64(block[below, c])
                    b = np.float64(block[min(below + 1, n - 1), c])
                    values[q, start + c] = a + (b - a) * (place - below)
    return values, count
