"""Where a model may be used: ground that looks like some ground it was trained on.

The dissimilarity index of a pixel is its distance to the nearest training plot, in features
standardised and weighted by their importance, as a share of the mean distance between training
plots. It is applicable where the index is no larger than training plots reach among themselves when
their own fold is left out (the largest that is no outlier: third quartile plus 1.5 times the
interquartile range).

References
----------
Meyer, H. & Pebesma, E. (2021). Predicting into unknown space? Estimating the area of applicability
of spatial prediction models. Methods in Ecology and Evolution 12, 1620-1633.
doi:10.1111/2041-210X.13650
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from afterrains.compiled import compiled

__all__ = ["Domain", "dissimilarity", "find_domain"]


@dataclass(frozen=True)
class Domain:
    """The training plots in weighted feature space, and how far from them is too far."""

    centre: NDArray[np.float64]
    factor: NDArray[np.float64]
    """Importance over spread of each feature, shape (feature,)."""
    points: NDArray[np.float32]
    """Training plots in that space, shape (plot, feature)."""
    mean_distance: float
    threshold: float


def find_domain(
    features: NDArray[np.float64], importance: NDArray[np.float64], fold: NDArray[np.int64]
) -> Domain:
    """The domain of a training set.

    Parameters
    ----------
    features : array, shape (n, feature)
        Finite; at least two rows that differ.
    importance : array, shape (feature,)
        Not negative; all zero counts as all equal.
    fold : array, shape (n,)
        Which plots are held out together.

    Raises
    ------
    ValueError
        With fewer than two folds, or when all plots look the same.
    """
    if np.unique(fold).size < 2:
        raise ValueError("the domain needs plots in at least 2 folds")
    centre = features.mean(axis=0)
    spread = features.std(axis=0)
    weight = importance if importance.sum() > 0 else np.ones_like(importance)
    weight = weight / weight.max()
    factor = np.divide(weight, spread, out=np.zeros_like(weight), where=spread > 0)
    points = (features - centre) * factor
    mean_distance = float(scipy.spatial.distance.pdist(points).mean())
    if mean_distance <= 0:
        raise ValueError("all plots have the same features")
    apart = scipy.spatial.distance.cdist(points, points)
    apart[fold[:, None] == fold[None, :]] = np.inf
    index = apart.min(axis=1) / mean_distance
    lower, upper = np.quantile(index, [0.25, 0.75])
    threshold = float(index[index <= upper + 1.5 * (upper - lower)].max())
    return Domain(centre, factor, points.astype(np.float32), mean_distance, threshold)


def dissimilarity(domain: Domain, features: NDArray[np.floating]) -> NDArray[np.float64]:
    """Dissimilarity index of each row (n, feature); NaN where a feature is NaN."""
    place = ((np.asarray(features, np.float64) - domain.centre) * domain.factor).astype(np.float32)
    found: NDArray[np.float64] = _nearest(np.ascontiguousarray(place), domain.points)
    return found / domain.mean_distance


@compiled
def _nearest(rows: NDArray[np.float32], points: NDArray[np.float32]) -> NDArray[np.float64]:
    """Distance to the nearest point; there are a few hundred, so a tree of them gains nothing."""
    out = np.empty(len(rows), np.float64)
    for i in range(len(rows)):
        known = True
        for j in range(rows.shape[1]):
            known = known and np.isfinite(rows[i, j])
        if not known:
            out[i] = np.nan
            continue
        best = np.float32(np.inf)
        for p in range(len(points)):
            total = np.float32(0.0)
            for j in range(rows.shape[1]):
                gap = rows[i, j] - points[p, j]
                total += gap * gap
            best = min(best, total)
        out[i] = np.sqrt(best)
    return out
