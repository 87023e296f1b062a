"""How many places each stratum gets.

Strata are a verdict and a map class. The sample goes by area, but no stratum gets fewer than an
even share of half the sample (at most 50), so that the rare classes of change, for whose accuracy
and area the work is done, are told well enough.

References
----------
Olofsson, P. et al. (2014). Good practices for estimating area and assessing accuracy of land
change. Remote Sensing of Environment 148, 42-57, section 5.1.2. doi:10.1016/j.rse.2014.02.015
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["LEAST_IN_STRATUM", "allocate", "floor_of", "join_small"]

LEAST_IN_STRATUM = 3
"""Two checks are the fewest that give a standard error; one may not be reached."""
_MOST_AS_FLOOR = 50


def floor_of(places: int, strata: int) -> int:
    """The fewest places a stratum gets."""
    return max(LEAST_IN_STRATUM, min(_MOST_AS_FLOOR, places // (2 * max(strata, 1))))


def allocate(sizes: ArrayLike, places: int, floor: int) -> NDArray[np.int64]:
    """Share out places by size, with a floor.

    Parameters
    ----------
    sizes : array, shape (stratum,)
        Units in each stratum, 1 or more.
    places : int
        To be shared out.
    floor : int
        What each stratum gets at least, where it has so many units.

    Returns
    -------
    array, shape (stratum,)
        Sums to `places` (or to all units, if there are fewer); fractions go to the largest
        remainders, then to the earlier stratum.

    Raises
    ------
    ValueError
        If the places do not cover the floors, or a stratum is empty.
    """
    units = np.asarray(sizes, np.int64)
    if np.any(units < 1):
        raise ValueError("a stratum without units gets no places; leave it out")
    least = np.minimum(units, floor)
    if places < least.sum():
        raise ValueError(f"{places} places do not give each of {units.size} strata {floor}")
    places = min(places, int(units.sum()))
    given = least.copy()
    free = np.ones(units.size, dtype=bool)
    while free.any():
        left = places - given[~free].sum()
        wanted = left * units / units[free].sum()
        full, short = free & (wanted >= units), free & (wanted < least)
        # Settle the strata above their size first, then those below the floor: either frees places.
        settled = full if full.any() else short
        if not settled.any():
            given[free] = _rounded(wanted[free], int(left))
            break
        given[settled] = np.where(full, units, least)[settled]
        free &= ~settled
    return given


def _rounded(wanted: NDArray[np.float64], total: int) -> NDArray[np.int64]:
    """Whole numbers that sum to `total`, by largest remainders."""
    whole = np.floor(wanted + 1e-9).astype(np.int64)
    more = np.argsort(-(wanted - whole), kind="stable")[: total - int(whole.sum())]
    whole[more] += 1
    return whole


def join_small(
    groups: Sequence[tuple[str, str]], sizes: Sequence[int], places: int
) -> NDArray[np.int64]:
    """Which strata to join so that the places give each the least it needs.

    The smallest stratum goes with the smallest other one of the same first and second group (role
    and map class), else of the same first group. Strata of different roles are never joined.

    Parameters
    ----------
    groups : sequence of (role, map class)
        Of each stratum.
    sizes : sequence of int
        Units in each stratum.
    places : int
        To be shared out.

    Returns
    -------
    array, shape (stratum,)
        The number of the joined stratum that each belongs to.
    """
    joined = [{at} for at in range(len(groups))]

    def size(members: set[int]) -> int:
        return sum(sizes[at] for at in members)

    def kinds(members: set[int], part: int) -> set[str]:
        return {groups[at][part] for at in members}

    while LEAST_IN_STRATUM * len(joined) > places:
        for smallest in sorted(joined, key=lambda each: (size(each), min(each))):
            others = [
                each
                for each in joined
                if each is not smallest and kinds(each, 0) == kinds(smallest, 0)
            ]
            if others:
                break
        else:
            break
        partner = min(
            others,
            key=lambda each: (not kinds(each, 1) & kinds(smallest, 1), size(each), min(each)),
        )
        partner |= smallest
        joined.remove(smallest)
    labels = np.empty(len(groups), dtype=np.int64)
    for number, members in enumerate(sorted(joined, key=min)):
        labels[list(members)] = number
    return labels
