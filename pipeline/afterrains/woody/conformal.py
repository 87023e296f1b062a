"""Intervals that hold without a model of the errors: ranks of residuals of places held out.

References
----------
Lei, J. et al. (2018). Distribution-free predictive inference for regression. Journal of the
American Statistical Association 113, 1094-1111. doi:10.1080/01621459.2017.1307116
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["conformal_radius", "share_above"]


def conformal_radius(
    scores: NDArray[np.floating], level: float, group: NDArray[Any] | None = None
) -> float:
    """Size of error that a new plot keeps within, at this level: split conformal.

    With n scores it is the k-th smallest, k = ceil((n + 1) * level). Plots of one place err alike,
    and a new plot lies in a new place: with groups each place counts the same, the n of them and
    the new one a share of 1 / (n + 1) each, so that few places widen the interval (hierarchical
    conformal prediction). Where each score is its own group both are the same.

    Residuals must come from places that the fit had not seen, else the interval holds only on
    ground it has.

    Parameters
    ----------
    scores : array, shape (n,)
        Sizes of residuals of held-out plots, in any unit; finite.
    level : float
        Wanted share of new plots inside, 0-1.
    group : array, shape (n,), optional
        The place of each score.

    Returns
    -------
    float
        In the unit of the scores; infinite where there are too few groups for the level (under 9
        for 0.90, under 19 for 0.95).
    """
    if not 0 < level < 1:
        raise ValueError(f"level is {level}; it lies between 0 and 1")
    sizes = np.asarray(scores, np.float64)
    _, number, members = np.unique(
        np.arange(len(sizes)) if group is None else group, return_inverse=True, return_counts=True
    )
    order = np.argsort(sizes, kind="stable")
    reached = np.cumsum(1.0 / members[number.ravel()][order]) / (len(members) + 1.0)
    # A share that is missed by the last bits of the floats is reached: 18 / 20 for 0.90.
    at = int(np.searchsorted(reached, level - 1e-9))
    return float(sizes[order[at]]) if at < len(sizes) else math.inf


def share_above(
    predicted: NDArray[np.floating],
    scale: NDArray[np.floating],
    signed_scores: NDArray[np.floating],
    threshold: float,
) -> NDArray[np.float64]:
    """How likely the true value reaches a threshold: the share of scores that would lift it there.

    Parameters
    ----------
    predicted, scale : array, same shape
        Predictions and their error scale.
    signed_scores : array, shape (n,)
        (observed - predicted) / scale of held-out plots.
    threshold : float

    Returns
    -------
    array
        0-1, shape of `predicted`; NaN where it is.
    """
    ordered = np.sort(np.asarray(signed_scores, np.float64))
    needed = (threshold - np.asarray(predicted, np.float64)) / np.asarray(scale, np.float64)
    share = 1.0 - np.searchsorted(ordered, needed, side="left") / (ordered.size + 1.0)
    share = share - 0.5 / (ordered.size + 1.0)
    return np.where(np.isfinite(needed), np.clip(share, 0.0, 1.0), np.nan)
