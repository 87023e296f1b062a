"""How much of the ground is green, dead or bare: spectral unmixing, where no plots teach a model.

A pixel's or site's values are taken as a mixture of three surfaces, by shares that are not negative
and sum to one (fully constrained linear unmixing). The axes are those of Guerschman et al.: NDVI,
which green leaves raise, and NBR2, which dead matter raises with them because its cellulose absorbs
at 2.1 µm. Late in a dry season green leaves are mostly crowns; yet a share of green ground is no
cover: shade and twigs of crowns count as other, and grass that stays green counts in full.

The three surfaces are typical reflectances from memory, not measured on anyone's ground: sand
(red .27, nir .34, swir16 .46, swir22 .40), standing dead grass (.24, .36, .39, .26), green leaves
(.04, .40, .18, .09). Other soils shift the level of the shares; their differences between
seasons and sites move less. Indices of a mixture are not quite the mixture of indices: bright sand
outweighs dark leaves.

References
----------
Guerschman, J. P. et al. (2009). Estimating fractional cover of photosynthetic vegetation,
non-photosynthetic vegetation and bare soil in the Australian tropical savanna region upscaling the
EO-1 Hyperion and MODIS sensors. Remote Sensing of Environment 113, 928-945.
doi:10.1016/j.rse.2009.01.006
Heinz, D. C. & Chang, C.-I. (2001). Fully constrained least squares linear spectral mixture analysis
method for material quantification in hyperspectral imagery. IEEE Transactions on Geoscience and
Remote Sensing 39, 529-545. doi:10.1109/36.911111
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
from numpy.typing import NDArray

__all__ = ["SURFACES", "SURFACE_INDICES", "ground_shares", "unmix"]

SURFACES = ("bare", "dead", "green")

_RED, _NIR, _SWIR16, _SWIR22 = np.array(
    [[0.27, 0.24, 0.04], [0.34, 0.36, 0.40], [0.46, 0.39, 0.18], [0.40, 0.26, 0.09]]
)
SURFACE_INDICES: NDArray[np.float64] = np.column_stack(
    [(_NIR - _RED) / (_NIR + _RED), (_SWIR16 - _SWIR22) / (_SWIR16 + _SWIR22)]
)
"""NDVI and NBR2 of each of `SURFACES`, shape (3, 2)."""

_MOST_SURFACES = 6
# What the solver's own rounding may take a share below nought by.
_ROUNDING = 1e-9


def ground_shares(ndvi: NDArray[np.floating], nbr2: NDArray[np.floating]) -> NDArray[np.float64]:
    """Shares of bare, dead and green ground from two indices of the same dates.

    Parameters
    ----------
    ndvi, nbr2 : array, same shape
        NaN where missing.

    Returns
    -------
    array, shape (..., 3)
        In the order of `SURFACES`, 0-1, summing to 1; NaN where either index is.
    """
    return unmix(np.stack([ndvi, nbr2], axis=-1), SURFACE_INDICES)


def unmix(values: NDArray[np.floating], surfaces: NDArray[np.floating]) -> NDArray[np.float64]:
    """Shares that come nearest in least squares, none negative and all summing to one.

    The best shares are those of some of the surfaces alone, found with the sum as the only
    constraint; so every choice of surfaces is solved in closed form and the nearest that is
    allowed is taken. That is exact, and quick for a few surfaces.

    Parameters
    ----------
    values : array, shape (..., axis)
        Reflectances or indices of mixtures.
    surfaces : array, shape (surface, axis)
        The same of each pure surface; at most six, no two alike.

    Returns
    -------
    array, shape (..., surface)
        NaN where any value is missing.

    Raises
    ------
    ValueError
        If shapes differ, there are no or too many surfaces, or a surface is a mixture of others,
        so that shares have no single answer.
    """
    pure = np.asarray(surfaces, np.float64)
    if pure.ndim != 2 or np.shape(values)[-1] != pure.shape[1]:
        raise ValueError(f"surfaces of shape {pure.shape}, values of shape {np.shape(values)}")
    if not 1 <= len(pure) <= _MOST_SURFACES:
        raise ValueError(f"{len(pure)} surfaces; unmixing takes 1 to {_MOST_SURFACES}")
    if np.linalg.matrix_rank(pure[1:] - pure[0], tol=1e-6) < len(pure) - 1:
        raise ValueError("a surface is a mixture of others; shares have no single answer")
    flat = np.asarray(values, np.float64).reshape(-1, pure.shape[1])
    best = np.full(len(flat), np.inf)
    shares = np.full((len(flat), len(pure)), np.nan)
    for count in range(1, len(pure) + 1):
        for chosen in combinations(range(len(pure)), count):
            some = list(chosen)
            found = _summing_to_one(flat, pure[some])
            miss = np.square(flat - found @ pure[some]).sum(axis=1)
            # A comparison with NaN is false: missing values stay missing.
            better = (found >= -_ROUNDING).all(axis=1) & (miss < best)
            best[better] = miss[better]
            shares[better] = 0.0
            shares[np.ix_(better, some)] = np.clip(found[better], 0.0, 1.0)
    return shares.reshape(*np.shape(values)[:-1], len(pure))


def _summing_to_one(values: NDArray[np.float64], pure: NDArray[np.float64]) -> NDArray[np.float64]:
    """Least-squares shares whose sum is one: the last is what the others leave."""
    last = pure[-1]
    others = (values - last) @ np.linalg.pinv(pure[:-1] - last)
    return np.column_stack([others, 1.0 - others.sum(axis=1)])
