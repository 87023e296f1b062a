"""Doubts that only many looks together raise: a shifted product, and bright soil taken for cloud.

Kernels take plain arrays and judge nothing: they point at dates and pixels, and the report names
them.
"""

from __future__ import annotations

import numpy as np
import scipy
from numpy.typing import NDArray

__all__ = ["always_clouded", "shifted_dates"]

_SHIFT = 0.1  # the additive offset of Sentinel-2 since baseline 04.00, as reflectance


def shifted_dates(
    levels: NDArray[np.floating], days: NDArray[np.integer], *, neighbours: int = 4
) -> NDArray[np.float64]:
    """Dates on which all bands jump by the product's offset against the dates around them.

    An offset forgotten or applied twice moves every band by the same 0.1. Haze moves blue far more
    than short-wave infrared, and vegetation moves red and near infrared apart; neither passes.

    Parameters
    ----------
    levels : array, shape (time, band)
        Median reflectance of the ground that is clear on most dates, by date and band: at least
        three bands, one of them short-wave infrared. NaN where a date shows too little.
    days : integer array, shape (time,)
        Day numbers, increasing.
    neighbours : int
        Dates on each side whose median is the comparison.

    Returns
    -------
    array, shape (time,)
        +0.1 where the offset seems not to be applied, -0.1 where it seems applied twice, else 0.
        A run of shifted dates longer than `neighbours` is a step, seen at its ends alone.

    Raises
    ------
    ValueError
        If there are fewer than three bands or the shapes do not match.
    """
    if levels.ndim != 2 or levels.shape[1] < 3 or days.shape != levels.shape[:1]:
        raise ValueError("levels must be (time, band) with three bands or more, days (time,)")
    found = np.zeros(levels.shape[0])
    whole = np.flatnonzero(np.isfinite(levels).all(axis=1))
    for place, date in enumerate(whole):
        around = np.r_[
            whole[max(0, place - neighbours) : place], whole[place + 1 : place + 1 + neighbours]
        ]
        if around.size < 2:
            continue
        jump = levels[date] - np.median(levels[around], axis=0)
        middle = float(np.median(jump))
        # All bands within a third of the shift: no haze, fire or green-up is as even as that.
        if abs(abs(middle) - _SHIFT) < _SHIFT / 3 and np.ptp(jump) < _SHIFT / 3:
            found[date] = np.copysign(_SHIFT, middle)
    return found


def always_clouded(
    masked: NDArray[np.integer],
    covered: NDArray[np.integer],
    *,
    chance: float = 1e-6,
    fewest: int = 10,
) -> NDArray[np.bool_]:
    """Pixels masked far more often than the ground around them: soil that is taken for cloud.

    Clouds move, so over a season every pixel of a window is masked about equally often. Bright
    bare soil classified as cloud is masked on nearly every date. The ground that is left is then
    biased towards vegetation, and the report must say so.

    Parameters
    ----------
    masked, covered : integer arrays, shape (y, x)
        How often each pixel was masked, and covered at all.
    chance : float
        Largest probability, were the pixel masked as often as the window's median share, of being
        masked at least this often.
    fewest : int
        Covered dates below which nothing is said.

    Returns
    -------
    bool array, shape (y, x)
        Never where at most half of the looks were masked.

    Raises
    ------
    ValueError
        If a pixel was masked more often than covered.
    """
    if masked.shape != covered.shape or np.any(masked > covered):
        raise ValueError("a pixel cannot be masked more often than it was covered")
    enough = covered >= fewest
    if not enough.any():
        return np.zeros(masked.shape, dtype=bool)
    usual = float(np.median(masked[enough] / covered[enough]))
    tail = scipy.special.bdtrc(masked - 1, covered, usual)  # of the binomial distribution
    return np.asarray(enough & (tail <= chance) & (masked > covered / 2), dtype=bool)
