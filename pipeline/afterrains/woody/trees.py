"""Shallow regression trees as plain arrays: grown by scikit-learn, evaluated by our own kernel.

A forest is the mean of its trees. The arrays can be stored and read without running code, and the
kernel follows scikit-learn's rule: features as float32, left where the value is at most the
threshold. A row with a NaN feature gets NaN.

References
----------
Geurts, P., Ernst, D. & Wehenkel, L. (2006). Extremely randomized trees. Machine Learning 63, 3-42.
doi:10.1007/s10994-006-6226-1
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from afterrains.compiled import compiled

__all__ = ["Forest", "evaluate", "grow", "no_trees", "require_sound"]

_LEAF = -1


@dataclass(frozen=True)
class Forest:
    """Every node of every tree, one tree after the other; a node's children come after it.

    Without a tree every row gets 0.
    """

    feature: NDArray[np.int32]
    """Feature that a node splits on; -1 at a leaf. Shape (nodes,), as all below but `root`."""
    threshold: NDArray[np.float64]
    left: NDArray[np.int32]
    right: NDArray[np.int32]
    value: NDArray[np.float64]
    root: NDArray[np.int32]
    """First node of each tree, shape (trees,)."""


def grow(
    features: NDArray[np.float64],
    target: NDArray[np.float64],
    weight: NDArray[np.float64],
    *,
    trees: int,
    depth: int,
    leaf: int,
    seed: int,
) -> Forest:
    """Grow extremely randomised trees; the same forest for the same arguments.

    Parameters
    ----------
    features : array, shape (n, feature)
        Finite.
    target, weight : array, shape (n,)
    trees, depth, leaf : int
        How many trees, how deep at most, and the fewest rows of a leaf.
    seed : int
    """
    # Loaded only where a model is fitted: prediction does without.
    from sklearn.ensemble import ExtraTreesRegressor

    model = ExtraTreesRegressor(
        trees, max_depth=depth, min_samples_leaf=leaf, random_state=seed, n_jobs=1
    ).fit(features.astype(np.float32), target, sample_weight=weight)
    parts = [tree.tree_ for tree in model.estimators_]
    starts = np.cumsum([0, *(part.node_count for part in parts)])

    def children(part_children: NDArray[np.int64], start: int) -> NDArray[np.int64]:
        return np.where(part_children == _LEAF, _LEAF, part_children + start)

    feature = np.concatenate([part.feature for part in parts])
    starts_of = list(zip(parts, starts[:-1], strict=True))
    return Forest(
        feature=np.where(feature < 0, _LEAF, feature).astype(np.int32),
        threshold=np.concatenate([part.threshold for part in parts]).astype(np.float64),
        left=np.concatenate([children(p.children_left, at) for p, at in starts_of]).astype(
            np.int32
        ),
        right=np.concatenate([children(p.children_right, at) for p, at in starts_of]).astype(
            np.int32
        ),
        value=np.concatenate([part.value[:, 0, 0] for part in parts]).astype(np.float64),
        root=starts[:-1].astype(np.int32),
    )


def no_trees() -> Forest:
    """The forest that adds nothing."""
    whole, real = np.empty(0, np.int32), np.empty(0, np.float64)
    return Forest(whole, real, whole, whole, real, whole)


def evaluate(forest: Forest, features: NDArray[np.float32]) -> NDArray[np.float64]:
    """Mean of the trees for each row; shape (n,), NaN where a feature is NaN.

    Parameters
    ----------
    features : array, shape (n, feature)
    """
    rows = np.ascontiguousarray(features, dtype=np.float32)
    f = forest
    found: NDArray[np.float64] = _mean_of_trees(
        rows, f.feature, f.threshold, f.left, f.right, f.value, f.root
    )
    return found


def require_sound(forest: Forest, features: int) -> None:
    """Raise ValueError where following the nodes could leave the arrays or never end."""
    nodes = forest.feature.size
    here = np.arange(nodes)
    inner = forest.feature != _LEAF
    sizes = {a.shape for a in (forest.threshold, forest.left, forest.right, forest.value)}
    if sizes != {(nodes,)} or forest.root.ndim != 1 or (forest.root.size == 0) != (nodes == 0):
        raise ValueError("the trees' arrays differ in length")
    for child in (forest.left[inner], forest.right[inner]):
        if np.any(child <= here[inner]) or np.any(child >= nodes):
            raise ValueError("a tree's node points outside its tree")
    if np.any(forest.feature < _LEAF) or np.any(forest.feature >= features):
        raise ValueError("a tree splits on a feature that the model has not")
    if np.any(forest.root < 0) or np.any(forest.root >= nodes):
        raise ValueError("a tree begins outside the arrays")
    if not (np.isfinite(forest.value).all() and np.isfinite(forest.threshold).all()):
        raise ValueError("a tree holds a number that is not finite")


@compiled
def _mean_of_trees(
    rows: NDArray[np.float32],
    feature: NDArray[np.int32],
    threshold: NDArray[np.float64],
    left: NDArray[np.int32],
    right: NDArray[np.int32],
    value: NDArray[np.float64],
    root: NDArray[np.int32],
) -> NDArray[np.float64]:
    out = np.empty(len(rows), np.float64)
    for i in range(len(rows)):
        known = True
        for j in range(rows.shape[1]):
            known = known and np.isfinite(rows[i, j])
        if not known:
            out[i] = np.nan
            continue
        total = 0.0
        for t in range(root.size):
            node = root[t]
            while feature[node] >= 0:
                node = left[node] if rows[i, feature[node]] <= threshold[node] else right[node]
            total += value[node]
        out[i] = total / max(root.size, 1)
    return out
