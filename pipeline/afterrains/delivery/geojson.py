"""Shapes as GeoJSON geometry: longitude and latitude, RFC 7946, the same text for equal shapes."""

from __future__ import annotations

from typing import Any

from shapely import force_2d
from shapely.geometry import MultiPolygon, Polygon, mapping
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

__all__ = ["DECIMALS", "plain_geometry"]

DECIMALS = 6
"""Of a degree: about a tenth of a metre."""


def plain_geometry(shape: BaseGeometry) -> dict[str, Any]:
    """A shape in degrees as a GeoJSON geometry.

    Flat, outer rings counter-clockwise (RFC 7946 section 3.1.6), coordinates rounded to
    `DECIMALS`.
    """
    flat = force_2d(shape)
    if isinstance(flat, Polygon):
        flat = orient(flat)
    elif isinstance(flat, MultiPolygon):
        flat = MultiPolygon([orient(part) for part in flat.geoms])
    plain = mapping(flat)
    return {"type": plain["type"], "coordinates": _rounded(plain["coordinates"])}


def _rounded(part: Any) -> Any:
    if isinstance(part, list | tuple):
        return [_rounded(each) for each in part]
    return round(float(part), DECIMALS)
