"""Patches of unsown ground around sown sites: their shape, and where they may lie.

Pure geometry in a projected CRS in metres; no file, setting or scene is known here. A patch has the
size of the site it is drawn for, and its outline where that is compact; it keeps its distance from
all ground that is known and from other patches. Among the places that are left chance decides, by
a seed and the site's own id, so that another site does not move it.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon
from shapely.affinity import scale, translate
from shapely.geometry.base import BaseGeometry

__all__ = ["Patch", "draw_patches", "patch_like"]

_COMPACT = 0.4
"""Isoperimetric quotient (1 for a circle, 0.79 for a square, 0.39 for six squares in a row) under
which a square stands in for the outline; our own choice."""
_LARGEST_M2 = 1_000_000.0
"""100 ha: a larger patch is hardly less noisy and costs as much again to read; our own choice."""
_TRIES = 600
"""Places tried around one site."""
_SLACK_M = 1.0
"""Added to distances: outlines are kept to a tenth of a metre."""

Outlines = NDArray[Any]


@dataclass(frozen=True)
class Patch:
    """A patch and the number of the site that it was drawn for."""

    outline: Polygon
    site: int


def patch_like(outline: BaseGeometry, *, least_side_m: float) -> Polygon:
    """A patch of a site's size and, where that is compact, of its shape, about the origin.

    Parameters
    ----------
    outline : Polygon or MultiPolygon
        Of the site, in metres.
    least_side_m : float
        A smaller site gets a square of this side: fewer pixels tell nothing.

    Returns
    -------
    Polygon
        Its middle at (0, 0). A square where the site has parts, holes or a long thin outline, or is
        smaller than `least_side_m` squared or larger than 100 ha.
    """
    area = min(max(outline.area, least_side_m**2), _LARGEST_M2)
    whole = isinstance(outline, Polygon) and not outline.interiors
    round_enough = 4 * math.pi * outline.area >= _COMPACT * outline.length**2
    if not (whole and round_enough and area == outline.area):
        half = math.sqrt(area) / 2
        return shapely.box(-half, -half, half, half)
    # A surveyed outline may have thousands of corners, and is laid down hundreds of times.
    plain = outline.simplify(math.sqrt(area) / 50)
    factor = math.sqrt(area / plain.area)
    middle = plain.centroid
    copy = scale(translate(plain, -middle.x, -middle.y), factor, factor, origin=(0, 0))
    assert isinstance(copy, Polygon), "a polygon stays one when it is moved and scaled"
    return copy


def draw_patches(
    sites: Sequence[BaseGeometry],
    names: Sequence[str],
    known: Sequence[BaseGeometry],
    standing: Sequence[BaseGeometry] = (),
    *,
    number: int,
    apart_m: float,
    within_m: float,
    most: int,
    seed: int,
    least_side_m: float,
    near_by: BaseGeometry | None = None,
    may_serve: Callable[[int, Polygon], bool] = lambda site, patch: True,
) -> list[Patch]:
    """Draw patches until each site has `number` within reach, `most` are drawn, or none fits.

    Parameters
    ----------
    sites : sequence of polygons, shape (sites,)
        That want patches.
    names : sequence of str, shape (sites,)
        Their ids, which settle where each one's patches are tried.
    known : sequence of polygons
        All ground to keep away from, the sites themselves among it.
    standing : sequence of polygons
        Patches drawn before: they are kept away from, and count for the sites they are near to.
    number, apart_m, within_m, most, seed
        As under `controls.drawn` in the programme file; `most` counts new patches. Distances are
        between outlines.
    least_side_m : float
        As for `patch_like`.
    near_by : polygon, optional
        Ground that is read anyway: patches that lie in it come first.
    may_serve : callable
        Asked with the number of a site of each patch that would be taken for it.

    Returns
    -------
    list of Patch
        In the order drawn. Sites take turns, so that where patches run out none has them all.
    """
    if not sites:
        return []
    targets, tree = np.array(sites, dtype=object), shapely.STRtree(list(known))
    reach = shapely.STRtree(targets)
    chosen: list[Any] = list(standing)
    have = np.zeros(len(sites), dtype=int)
    if chosen:
        np.add.at(have, reach.query(chosen, predicate="dwithin", distance=within_m)[1], 1)
    waiting: dict[int, list[Polygon]] = {}
    turns = [int(each) for each in np.random.default_rng(seed).permutation(len(sites))]
    drawn: list[Patch] = []
    for so_many in range(1, number + 1):
        for site in turns:
            if len(drawn) >= most:
                return drawn
            if have[site] >= so_many:
                continue
            if site not in waiting:
                template = patch_like(sites[site], least_side_m=least_side_m)
                waiting[site] = _places(
                    template, sites[site], tree, _chance(seed, names[site]),
                    apart_m=apart_m, within_m=within_m, near_by=near_by,
                )  # fmt: skip
            found = _next(waiting[site], chosen, apart_m, partial(may_serve, site))
            if found is not None:
                chosen.append(found)
                drawn.append(Patch(found, site))
                have[reach.query(found, predicate="dwithin", distance=within_m)] += 1
    return drawn


def _chance(seed: int, name: str) -> np.random.Generator:
    digest = hashlib.sha256(f"{seed}\0{name}".encode()).digest()
    return np.random.default_rng(int.from_bytes(digest[:16], "big"))


def _places(
    template: Polygon,
    site: BaseGeometry,
    known: shapely.STRtree,
    rng: np.random.Generator,
    *,
    apart_m: float,
    within_m: float,
    near_by: BaseGeometry | None,
) -> list[Polygon]:
    """Turned copies of a patch that keep their distances, the last to be taken first."""
    corners = shapely.get_coordinates(template)
    radius = float(np.hypot(*corners.T).max())
    west, south, east, north = site.bounds
    far = within_m + radius
    x, y = rng.uniform((west - far, south - far), (east + far, north + far), (_TRIES, 2)).T
    turn = rng.uniform(0, 2 * np.pi, _TRIES)
    cos, sin = np.cos(turn)[:, None], np.sin(turn)[:, None]
    laid = np.stack(
        [
            x[:, None] + cos * corners[:, 0] - sin * corners[:, 1],
            y[:, None] + sin * corners[:, 0] + cos * corners[:, 1],
        ],
        axis=-1,
    )
    copies: Outlines = np.asarray(shapely.polygons(laid), dtype=object)
    copies = copies[shapely.dwithin(copies, site, within_m - _SLACK_M)]
    close = known.query(copies, predicate="dwithin", distance=apart_m + _SLACK_M)[0]
    copies = np.delete(copies, np.unique(close))
    if near_by is not None and copies.size:
        shapely.prepare(near_by)
        copies = copies[np.argsort(~shapely.covers(near_by, copies), kind="stable")]
    return list(copies[::-1])


def _next(
    places: list[Polygon],
    chosen: Sequence[Any],
    apart_m: float,
    may_serve: Callable[[Polygon], bool],
) -> Polygon | None:
    """The next place that is free yet and may serve; what is passed over is never free again."""
    while places:
        patch = places.pop()
        free = not chosen or not shapely.dwithin(patch, chosen, apart_m + _SLACK_M).any()
        if free and may_serve(patch):
            return patch
    return None
