"""From a file's numbers to surface reflectance.

Kernels take plain arrays of any shape and return float32 reflectance, 0-1, NaN where there is no
value. Numbers that stand for "no data" are taken out *before* scale and offset, which would turn
them into plausible reflectance. Negative reflectance is kept: over dark ground it is noise around
zero, and cutting it off would bend means.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["share_negative", "to_reflectance"]


def to_reflectance(
    numbers: NDArray[np.generic],
    *,
    scale: float,
    offset: float,
    nodata: float | None,
    valid_range: tuple[float, float] | None = None,
) -> NDArray[np.float32]:
    """Reflectance = number x scale + offset.

    Parameters
    ----------
    numbers : array, any shape
        As stored in the file.
    scale, offset : float
    nodata : float or None
        The number that means "no data"; NaN in a floating-point file never has a value.
    valid_range : (low, high), optional
        Numbers outside are saturated or broken and give NaN; both ends are valid.

    Returns
    -------
    float32 array, same shape
        Computed in double precision and rounded once.

    References
    ----------
    USGS, Landsat Collection 2: reflectance = 0.0000275 x DN - 0.2.
    ESA, Sentinel-2 Level-2A: reflectance = (DN + offset) / 10000.
    """
    if numbers.dtype.kind in "ui" and numbers.dtype.itemsize <= 2:
        # As many numbers as there can be, looked up, in a fifth of the time.
        bits = numbers.dtype.newbyteorder("=").str
        table = _reflectance_of_all(bits, scale, offset, nodata, valid_range)
        places = numbers.astype(bits, copy=False).view(bits.replace("i", "u"))
        return table.take(places)
    return _reflectance(numbers, scale, offset, nodata, valid_range)


@lru_cache(maxsize=64)
def _reflectance_of_all(
    kind: str,
    scale: float,
    offset: float,
    nodata: float | None,
    valid_range: tuple[float, float] | None,
) -> NDArray[np.float32]:
    """Of each number that an integer type holds, by its bits read without a sign."""
    dtype = np.dtype(kind)
    numbers = np.arange(256**dtype.itemsize, dtype=np.uint32).astype(kind.replace("i", "u"))
    table = _reflectance(numbers.view(dtype), scale, offset, nodata, valid_range)
    table.flags.writeable = False
    return table


def _reflectance(
    numbers: NDArray[np.generic],
    scale: float,
    offset: float,
    nodata: float | None,
    valid_range: tuple[float, float] | None,
) -> NDArray[np.float32]:
    values = numbers.astype(np.float64)
    empty = ~np.isfinite(values)
    if nodata is not None and math.isfinite(nodata):
        empty |= values == nodata
    if valid_range is not None:
        low, high = valid_range
        empty |= (values < low) | (values > high)
    found = values * scale + offset
    found[empty] = np.nan
    return found.astype(np.float32)


def share_negative(reflectance: NDArray[np.floating], clear: NDArray[np.bool_]) -> float:
    """Share of clear pixels with negative reflectance; NaN where no pixel is clear.

    On land it stays far under one half in any band. An offset that a catalogue applied already
    and that is applied once more pushes the visible bands of most dry ground below zero.
    """
    values = reflectance[clear & np.isfinite(reflectance)]
    return float((values < 0).mean()) if values.size else math.nan
