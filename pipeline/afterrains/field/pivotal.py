"""Spatially balanced draws by the local pivotal method.

Neighbours compete: of two near units one passes its chance on to the other, so that a place that is
taken keeps its surroundings from being taken too. Every unit keeps exactly its inclusion
probability, and the sample has exactly its size where the probabilities sum to a whole number.

No kept Python library does this (the method's own packages are for R), hence this kernel.

References
----------
Grafström, A., Lundström, N. L. P. & Schelin, L. (2012). Spatially balanced sampling through the
pivotal method. Biometrics 68, 514-520. doi:10.1111/j.1541-0420.2011.01699.x
Deville, J.-C. & Tillé, Y. (1998). Unequal probability sampling without replacement through a
splitting method. Biometrika 85, 89-101. doi:10.1093/biomet/85.1.89
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from afterrains.compiled import compiled

__all__ = ["balanced_draw", "local_pivotal"]

_DECIDED = 1e-9
_LEAST_CANDIDATES = 2000
_CANDIDATES_A_PLACE = 20


def local_pivotal(
    probabilities: ArrayLike, x: ArrayLike, y: ArrayLike, rng: np.random.Generator
) -> NDArray[np.intp]:
    """Draw a sample by the first local pivotal method.

    Parameters
    ----------
    probabilities : array, shape (unit,)
        Inclusion probabilities, 0-1. Where they sum to a whole number, so many units are drawn.
    x, y : array, shape (unit,)
        Places in one unit of length. Units in one place are allowed.
    rng : numpy.random.Generator
        The only source of chance.

    Returns
    -------
    array
        Numbers of the units drawn, ascending.

    Raises
    ------
    ValueError
        If shapes differ, a place is not finite, or a probability lies outside 0-1.

    Notes
    -----
    Work grows with the square of the number of units; see `balanced_draw` for many.
    """
    p = np.array(probabilities, dtype=np.float64)
    across, up = np.asarray(x, np.float64), np.asarray(y, np.float64)
    if not p.shape == across.shape == up.shape or p.ndim != 1:
        raise ValueError("probabilities, x and y need one value for each unit")
    if not (np.isfinite(across).all() and np.isfinite(up).all()):
        raise ValueError("every unit needs a place")
    if not ((p >= 0) & (p <= 1)).all():
        raise ValueError("inclusion probabilities lie between 0 and 1")
    if p.size:
        _compete(p, across, up, rng)
    return np.flatnonzero(p > 0.5)


def balanced_draw(
    size: int, x: ArrayLike, y: ArrayLike, rng: np.random.Generator
) -> NDArray[np.intp]:
    """Draw `size` of many units, each with the same chance, spread over their ground.

    Of more than a few thousand units, a simple random part is taken first (twenty for each place
    wanted, at least 2,000) and the local pivotal method draws from it. The chance of a unit is the
    product of both steps, exactly size / units.

    Raises
    ------
    ValueError
        If more is wanted than there are units.
    """
    across, up = np.asarray(x, np.float64), np.asarray(y, np.float64)
    units = across.size
    if not 0 <= size <= units:
        raise ValueError(f"{size} of {units} units cannot be drawn")
    wanted = max(_LEAST_CANDIDATES, _CANDIDATES_A_PLACE * size)
    among = np.arange(units)
    if wanted < units:
        among = np.sort(rng.choice(units, wanted, replace=False))
    chance = np.full(among.size, size / max(among.size, 1))
    drawn: NDArray[np.intp] = among[local_pivotal(chance, across[among], up[among], rng)]
    return drawn


@compiled
def _nearest(
    at: int,
    active: NDArray[np.int64],
    count: int,
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    rng: Any,
) -> tuple[int, float]:
    """The nearest other unit still open, one at random among equals, and its squared distance."""
    best, least, equal = -1, np.inf, 0
    for position in range(count):
        other = active[position]
        if other == at:
            continue
        distance = (x[other] - x[at]) ** 2 + (y[other] - y[at]) ** 2
        if distance < least:
            best, least, equal = other, distance, 1
        elif distance == least:
            equal += 1
            if rng.random() * equal < 1.0:
                best = other
    return best, least


@compiled
def _compete(
    p: NDArray[np.float64], x: NDArray[np.float64], y: NDArray[np.float64], rng: Any
) -> None:
    """Let mutual neighbours compete until every probability is 0 or 1."""
    active = np.empty(p.size, dtype=np.int64)
    count = 0
    for unit in range(p.size):
        if _DECIDED < p[unit] < 1 - _DECIDED:
            active[count] = unit
            count += 1
    while count > 1:
        first = active[int(rng.random() * count)]
        second, apart = _nearest(first, active, count, x, y, rng)
        if _nearest(second, active, count, x, y, rng)[1] < apart:
            continue  # The neighbour has a nearer one: not mutual.
        both = p[first] + p[second]
        if both < 1:
            if rng.random() * both < p[second]:
                p[first], p[second] = 0.0, both
            else:
                p[first], p[second] = both, 0.0
        elif rng.random() * (2 - both) < 1 - p[second]:
            p[first], p[second] = 1.0, both - 1
        else:
            p[first], p[second] = both - 1, 1.0
        kept = 0
        for position in range(count):
            unit = active[position]
            if _DECIDED < p[unit] < 1 - _DECIDED:
                active[kept] = unit
                kept += 1
        count = kept
    if count == 1:
        # Only where the probabilities do not sum to a whole number.
        p[active[0]] = 1.0 if rng.random() < p[active[0]] else 0.0
