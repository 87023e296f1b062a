"""The interval of a ratio of two sums over sites: what a hectare with gain cost.

Sites are the replicates. Cost and gain of a site go together (a large site costs more and gains
more hectares), so the two sums are taken in pairs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

__all__ = ["FEWEST_SITES", "Estimate", "part_of_sum", "ratio_of_sums"]

Floats = NDArray[np.float64]

FEWEST_SITES = 3
"""Fewer, and the spread between sites is not worth an interval (common practice, no source)."""


@dataclass(frozen=True)
class Estimate:
    """A figure with its interval; NaN where it cannot be said."""

    value: float
    low: float
    high: float
    sites: int


def ratio_of_sums(top: Floats, bottom: Floats, *, error_rate: float = 0.05) -> Estimate:
    """Sum of `top` over sum of `bottom`, with an interval from the spread between sites.

    Parameters
    ----------
    top, bottom : array, shape (sites,)
        A pair a site, all finite and not below zero; e.g. cost, and hectares with gain (zero where
        a site did not gain).
    error_rate : float
        Two-sided.

    Returns
    -------
    Estimate
        NaN where the bottom adds up to nothing; without an interval where there are fewer than
        `FEWEST_SITES`. The interval is that of the delta method on the logarithm, with Student's t:
        the residuals `top - ratio x bottom` give the standard error of a ratio estimator. It is
        above zero and longer upwards. On invented sites (6 to 30, of which 15 to 60 % gained) it
        held the truth in 92 to 97 % of draws; Fieller's held it as often, but had no upper bound in
        up to 99 % of them, and percentiles of the bootstrap held it in 88 to 98 %.

    References
    ----------
    Cochran, W. G. (1977). Sampling Techniques, 3rd ed., Wiley, section 6.4: the variance of a
    ratio estimator.
    """
    if top.shape != bottom.shape or not (np.isfinite(top).all() and np.isfinite(bottom).all()):
        raise ValueError("a ratio needs one finite pair a site")
    sites = int(top.size)
    if not bottom.sum() > 0:
        return Estimate(np.nan, np.nan, np.nan, sites)
    value = float(top.sum() / bottom.sum())
    if sites < FEWEST_SITES or value == 0:
        return Estimate(value, np.nan, np.nan, sites)
    residual = top - value * bottom
    error = float(residual.std(ddof=1)) / np.sqrt(sites) / float(top.mean())
    half = float(scipy.stats.t.isf(error_rate / 2, sites - 1)) * error
    return Estimate(value, value * float(np.exp(-half)), value * float(np.exp(half)), sites)


def part_of_sum(part: Floats, whole: Floats, *, error_rate: float = 0.05) -> Estimate:
    """Sum of `part`, and what as many sites of this kind may add up to; never above the whole.

    Parameters
    ----------
    part, whole : array, shape (sites,)
        A pair a site, `part` between zero and `whole`; e.g. hectares with gain, and hectares.
    error_rate : float
        Two-sided.

    Returns
    -------
    Estimate
        With the interval of the share by the delta method on its log-odds, Student's t, the
        standard error as in `ratio_of_sums`; without one where there are fewer than `FEWEST_SITES`,
        or the share is 0 or 1.
    """
    sites, size = int(part.size), float(whole.sum())
    value = float(part.sum())
    if sites < FEWEST_SITES or not 0 < value < size:
        return Estimate(value, np.nan, np.nan, sites)
    share = value / size
    residual = part - share * whole
    error = float(residual.std(ddof=1)) / np.sqrt(sites) / float(whole.mean())
    half = float(scipy.stats.t.isf(error_rate / 2, sites - 1)) * error / (share * (1 - share))
    middle = np.log(share / (1 - share))
    low, high = (size / (1 + float(np.exp(-(middle + sign * half)))) for sign in (-1, 1))
    return Estimate(value, low, high, sites)
