"""Spending an error rate over the seasons in which a site is judged.

Lan-DeMets spending of the O'Brien-Fleming kind: nearly nothing in the first seasons, when nothing
can be seen anyway. A season's nominal level is the share newly spent (the union bound), which
keeps the total under any dependence between seasons.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import stats

__all__ = ["nominal_levels", "spent"]

Floats = NDArray[np.float64]


def spent(fraction: Floats, error_rate: float) -> Floats:
    """Error rate spent, one-sided, when `fraction` of the judged seasons has passed.

    Parameters
    ----------
    fraction : array
        Share of the judged seasons that has passed; clipped to 0..1.
    error_rate : float
        The one-sided error rate over all judged seasons.

    Returns
    -------
    array
        2 - 2 Phi(z(error_rate / 2) / sqrt(fraction)); 0 at fraction 0, `error_rate` from 1 on.

    References
    ----------
    Lan, K. K. G. & DeMets, D. L. (1983). Discrete sequential boundaries for clinical trials.
    Biometrika 70, 659-663. doi:10.1093/biomet/70.3.659
    """
    if not 0 < error_rate < 1:
        raise ValueError(f"error_rate is {error_rate}; it must lie between 0 and 1")
    share = np.clip(np.asarray(fraction, dtype=float), 1e-12, 1.0)
    out: Floats = 2 * stats.norm.sf(stats.norm.isf(error_rate / 2) / np.sqrt(share))
    return out


def nominal_levels(judged_seasons: int, error_rate: float) -> Floats:
    """One-sided level at which each of the judged seasons is tested.

    Parameters
    ----------
    judged_seasons : int
        Number of seasons the error rate is spent over; at least 1.
    error_rate : float
        The one-sided error rate over all of them.

    Returns
    -------
    array, shape (judged_seasons,)
        Levels that sum to `error_rate`, so that the chance of ever crossing is at most that.
    """
    if judged_seasons < 1:
        raise ValueError(f"judged_seasons is {judged_seasons}; at least one season is judged")
    fractions = np.arange(judged_seasons + 1) / judged_seasons
    levels: Floats = np.diff(spent(fractions, error_rate))
    return levels
