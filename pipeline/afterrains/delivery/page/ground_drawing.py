"""Ground to drawing: windows around sites, and outlines in a drawing's own units."""

from __future__ import annotations

from collections.abc import Sequence

import shapely
from shapely.geometry.base import BaseGeometry

from afterrains.delivery.page.axes import coordinate
from afterrains.delivery.page.pictures import Bounds

__all__ = ["GroundDrawing", "around"]


def around(shapes: Sequence[BaseGeometry], margin: float, smallest: float) -> Bounds:
    """Bounds of the shapes with a margin (share of the longer side), at least `smallest` wide."""
    west, south, east, north = (float(b) for b in shapely.total_bounds(list(shapes)))
    room = margin * max(east - west, north - south)
    room = max(room, (smallest - max(east - west, north - south)) / 2)
    return west - room, south - room, east + room, north + room


class GroundDrawing:
    """Ground coordinates to drawing units."""

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

    def point(self, shape: BaseGeometry) -> tuple[float, float]:
        """A place inside the shape, in drawing units."""
        inside = shape.representative_point()
        return (inside.x - self._west) * self._scale, (self._north - inside.y) * self._scale


def _rings(shape: BaseGeometry) -> list[list[tuple[float, float]]]:
    polygons = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]
    return [
        [(x, y) for x, y, *_ in ring.coords]
        for polygon in polygons
        for ring in (polygon.exterior, *polygon.interiors)
    ]


def _ring_path(ring: Sequence[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{coordinate(x)} {coordinate(y)}" for x, y in ring[:-1]) + "Z"
