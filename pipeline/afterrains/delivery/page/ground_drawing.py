"""Ground to drawing: windows around sites, and outlines in a drawing's own units."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import shapely
from shapely.geometry.base import BaseGeometry

from afterrains.delivery.page.axes import coordinate
from afterrains.delivery.page.pictures import Bounds

__all__ = ["GroundDrawing", "Placed", "around"]

_SCRAP = 0.1


def around(shapes: Sequence[BaseGeometry], margin: float, smallest: float) -> Bounds:
    """Bounds of the shapes with a margin (share of the longer side), at least `smallest` wide."""
    west, south, east, north = (float(b) for b in shapely.total_bounds(list(shapes)))
    room = margin * max(east - west, north - south)
    room = max(room, (smallest - max(east - west, north - south)) / 2)
    return west - room, south - room, east + room, north + room


@dataclass(frozen=True)
class Placed:
    """Where a picture lies in a drawing; it may cover only part of it."""

    x: str
    y: str
    width: str
    height: str


class GroundDrawing:
    """Ground coordinates to drawing units: `bounds` fill a drawing `width` units wide."""

    def __init__(self, bounds: Bounds, width: float) -> None:
        west, south, east, north = bounds
        self._west, self._north = west, north
        self._scale = width / (east - west)
        self.height = (north - south) * self._scale
        self.metres_per_unit = 1 / self._scale

    def outline(self, shape: BaseGeometry) -> str:
        """Path data of a polygon's rings."""
        origin, scale = (self._west, self._north), (self._scale, -self._scale)
        drawn = shapely.transform(shape, lambda places: (places - origin) * scale)
        drawn = shapely.simplify(drawn, 0.4)
        return "".join(_ring_path(ring) for ring in _rings(drawn))

    def placed(self, bounds: Bounds) -> Placed:
        """Where a picture of the ground within `bounds` belongs."""
        west, south, east, north = bounds
        return Placed(
            coordinate((west - self._west) * self._scale),
            coordinate((self._north - north) * self._scale),
            coordinate((east - west) * self._scale),
            coordinate((north - south) * self._scale),
        )

    def points(self, shape: BaseGeometry) -> list[tuple[float, float]]:
        """A place inside each part that is no mere scrap of the shape, in drawing units."""
        parts = [part for part in shapely.get_parts(shape) if part.area >= _SCRAP * shape.area]
        inside = [part.representative_point() for part in parts]
        return [
            ((point.x - self._west) * self._scale, (self._north - point.y) * self._scale)
            for point in inside
        ]


def _rings(shape: BaseGeometry) -> list[list[tuple[float, float]]]:
    polygons = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]
    return [
        [(x, y) for x, y, *_ in ring.coords]
        for polygon in polygons
        for ring in (polygon.exterior, *polygon.interiors)
    ]


def _ring_path(ring: Sequence[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{coordinate(x)} {coordinate(y)}" for x, y in ring[:-1]) + "Z"
