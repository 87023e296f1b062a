"""What sites do to each other: ground counted twice, and ground both sown and not."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely

from afterrains.register.findings import FindingList
from afterrains.register.sites import place_of

__all__ = ["tell_overlaps"]

_SAME_GROUND = 0.99  # share of the union that both cover
_TOUCHING = 0.01  # share of the smaller site; neighbours digitised apart overlap a little


def tell_overlaps(laid: gpd.GeoDataFrame, found: FindingList) -> None:
    """Find every pair of sites that cover the same ground.

    Parameters
    ----------
    laid : GeoDataFrame
        Sites in a projected CRS in metres, with site_id, role and feature.
    found : FindingList
        Takes an error where sown ground overlaps a control by more than 1 % of the smaller one, or
        where two sites are the same ground; a warning for less, and for overlaps within a role.
    """
    shapes = laid.geometry.to_numpy()
    first, second = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    once = first < second
    pairs = sorted(zip(first[once].tolist(), second[once].tolist(), strict=True))
    if not pairs:
        return
    left, right = np.array(pairs).T
    shared = shapely.area(shapely.intersection(shapes[left], shapes[right]))
    areas = shapely.area(shapes)
    smaller = np.minimum(areas[left], areas[right])
    union = areas[left] + areas[right] - shared
    for (one, other), common, least, both in zip(pairs, shared, smaller, union, strict=True):
        if common > 0:
            _tell_pair(
                laid.iloc[one], laid.iloc[other], common, common / least, common / both, found
            )


def _tell_pair(
    one: gpd.GeoSeries,
    other: gpd.GeoSeries,
    shared_m2: float,
    of_smaller: float,
    of_union: float,
    found: FindingList,
) -> None:
    where = place_of(one["feature"], one["site_id"])
    them = f"{other['role']} site {other['site_id']!r} (feature {other['feature']})"
    amount = f"{shared_m2 / 10_000:.2f} ha, {of_smaller:.1%} of the smaller"
    if of_union >= _SAME_GROUND:
        what = f"covers the same ground as {them}"
        found.error(where, what, "keep one of them", "site-same-ground")
    elif one["role"] != other["role"] and of_smaller > _TOUCHING:
        what = f"is {one['role']} and overlaps {them} by {amount}"
        mend = "cut the sown ground out of the control, and leave a gap between them"
        found.error(where, what, mend, "site-sown-over-control")
    elif one["role"] != other["role"]:
        what = f"is {one['role']} and overlaps the edge of {them} by {amount}"
        mend = "leave a gap between sown ground and controls"
        found.warning(where, what, mend, "site-touches-control")
    elif of_smaller > _TOUCHING:
        what = f"overlaps {them} by {amount}, and that ground counts twice"
        mend = "cut one of them, or join them"
        found.warning(where, what, mend, "site-overlap")
