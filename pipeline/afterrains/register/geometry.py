"""One site's polygon: what can be wrong with it, and the little that may be repaired.

A repair is made only where it cannot change what is measured, and is always told. Geometry is
looked at in the CRS of its file, before any reprojection.
"""

from __future__ import annotations

import numpy as np
import shapely
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from afterrains.register.findings import FindingList

__all__ = ["REPAIR_TOLERANCE", "polygon_parts", "sound_polygon"]

REPAIR_TOLERANCE = 0.001
"""Largest relative change of area by a repair that is still accepted; our own choice."""

# No projection in metres puts a place on Earth farther from its origin.
_FARTHEST_M = 1e8
_IN_DEGREES = (-180.0, -90.0, 180.0, 90.0)


def polygon_parts(geometry: BaseGeometry) -> list[Polygon]:
    """Every polygon with an area inside a geometry of any kind."""
    if isinstance(geometry, Polygon):
        return [geometry] if geometry.area > 0 else []
    return [
        part
        for part in shapely.get_parts(shapely.get_parts(geometry)).tolist()
        if isinstance(part, Polygon) and part.area > 0
    ]


def sound_polygon(
    geometry: BaseGeometry | None, where: str, *, in_degrees: bool, found: FindingList
) -> BaseGeometry | None:
    """Check one site's geometry.

    Parameters
    ----------
    geometry : shapely geometry or None
        As read; None where the feature has none.
    where : str
        The feature, as a user would look it up.
    in_degrees : bool
        Whether coordinates are longitude and latitude.
    found : FindingList
        Takes the findings.

    Returns
    -------
    Polygon, MultiPolygon or None
        Valid, with an area; None where the geometry is an error.
    """
    if geometry is None:
        found.error(where, "has no geometry", "draw its polygon or delete it", "site-no-geometry")
        return None
    if geometry.is_empty:
        mend = "draw its polygon or delete it"
        found.error(where, "has an empty geometry", mend, "site-no-geometry")
        return None
    if not _is_polygonal(geometry, where, found):
        return None
    if not _possible_place(geometry, where, in_degrees, found):
        return None
    return _valid(geometry, where, found)


def _is_polygonal(geometry: BaseGeometry, where: str, found: FindingList) -> bool:
    kinds = {part.geom_type for part in shapely.get_parts(shapely.get_parts(geometry)).tolist()}
    if kinds <= {"Polygon"}:
        return True
    others = " and ".join(sorted(kinds - {"Polygon"}))
    mend = "draw the outline of the ground as a polygon"
    if "LineString" in kinds:
        mend = "turn the line into a polygon in a GIS program"
    found.error(where, f"is or holds a {others}, not a polygon", mend, "site-not-polygon")
    return False


def _possible_place(
    geometry: BaseGeometry, where: str, in_degrees: bool, found: FindingList
) -> bool:
    """Whether the coordinates can be on Earth, in the order and units of the file's CRS."""
    points = shapely.get_coordinates(geometry)
    if not np.isfinite(points).all():
        mend = "draw the polygon anew"
        found.error(where, "has coordinates that are not numbers", mend, "site-nan-coordinates")
        return False
    if not in_degrees:
        if np.abs(points).max() <= _FARTHEST_M:
            return True
        mend = "check the coordinates and the CRS that the file declares"
        found.error(where, "lies outside the world", mend, "site-outside-world")
        return False
    west, south, east, north = geometry.bounds
    if not _within(west, south, east, north):
        what = f"lies outside the world (longitude {west:g} to {east:g}, latitude {south:g} to "
        what += f"{north:g})"
        mend = "correct its coordinates"
        if _within(south, west, north, east):
            mend = "longitude and latitude look swapped: longitude comes first"
        elif max(abs(west), abs(east), abs(south), abs(north)) > 1000:
            mend = "the coordinates look like metres: declare the projected CRS they are in"
        elif _within(west - 360, south, east - 360, north):
            mend = "write longitudes from -180 to 180: take 360 from them"
        found.error(where, what, mend, "site-outside-world")
        return False
    for part in polygon_parts(geometry):
        if part.bounds[2] - part.bounds[0] > 180:
            mend = "cut the polygon in two at 180° (RFC 7946, section 3.1.9)"
            what = "spans more than half the globe, as a polygon across the antimeridian does"
            found.error(where, what, mend, "site-antimeridian")
            return False
    return True


def _within(west: float, south: float, east: float, north: float) -> bool:
    limits = _IN_DEGREES
    return west >= limits[0] and south >= limits[1] and east <= limits[2] and north <= limits[3]


def _valid(geometry: BaseGeometry, where: str, found: FindingList) -> BaseGeometry | None:
    """The geometry if valid, else its repair where that hardly changes the area."""
    if geometry.is_valid:
        parts = polygon_parts(geometry)
        if not parts:
            found.error(where, "has no area", "draw its outline anew", "site-no-area")
            return None
        return shapely.union_all(parts) if geometry.geom_type == "GeometryCollection" else geometry
    reason = shapely.is_valid_reason(geometry)
    what = f"has an outline that crosses or touches itself ({reason})"
    parts = polygon_parts(shapely.make_valid(geometry))
    repaired = shapely.union_all(parts) if parts else None
    before = geometry.area
    change = abs(repaired.area - before) / before if repaired is not None and before > 0 else 1.0
    if repaired is None or change >= REPAIR_TOLERANCE:
        mend = "mend the outline in a GIS program"
        found.error(where, what, mend, "site-self-crossing")
        return None
    mend = f"repaired here, its area changes by {change:.2%}; mend the outline to be sure"
    found.warning(where, what, mend, "site-repaired")
    return repaired
