"""Radar backscatter of a season: everything averaged in linear power, decibels last.

Speckle makes single looks useless: a look of some four independent ones errs by half of its value.
Medians over a season's dates, and means over a few pixels, take most of it away. Both are taken in
power: the mean of 0.05 and 0.01 is 0.03 or -15.2 dB, while the mean of their decibels is -16.5.
Power is never zero or negative over ground; such numbers, and numbers that are not finite, are
missing.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from afterrains.signals.composites import season_composite

__all__ = ["LEAST_DATES", "decibels", "power_median"]

LEAST_DATES = 5
"""Dates from which a pixel's median is taken; a satellite that comes every 12 days gives seven in
90 days (common practice, no source)."""


def decibels(power: NDArray[np.floating]) -> NDArray[np.float64]:
    """Ten times the decimal logarithm of linear power; NaN where power is not above zero.

    Parameters
    ----------
    power : array, any shape
        Backscatter, linear; already averaged, for decibels must not be.
    """
    values = np.asarray(power, np.float64)
    known = np.isfinite(values) & (values > 0)
    out = np.full(values.shape, np.nan)
    np.log10(values, out=out, where=known)
    return 10.0 * out


def power_median(
    stack: NDArray[np.floating], *, least: int = LEAST_DATES
) -> tuple[NDArray[np.float32], NDArray[Any]]:
    """Median power of each pixel over the dates of one track, and how many dates it has.

    Parameters
    ----------
    stack : array, shape (time, y, x)
        Linear power; NaN, infinite, zero and negative numbers are missing.
    least : int
        Fewest dates that still give a median.

    Returns
    -------
    median, count : array, shape (y, x)
        float32, NaN where there are fewer dates than `least`; uint16.

    Raises
    ------
    ValueError
        If the stack has no three dimensions.
    """
    with np.errstate(invalid="ignore"):
        power = np.where(stack > 0, stack, np.nan)
    found = season_composite(power, names=("median",))
    median = np.where(found["count"] >= least, found["median"], np.nan).astype(np.float32)
    return median, found["count"]
