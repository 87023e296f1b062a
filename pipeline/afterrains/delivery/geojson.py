"""Shapes as GeoJSON geometry: longitude and latitude, RFC 7946, the same text for equal shapes."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from shapely import force_2d
from shapely.geometry import MultiPolygon, Polygon, mapping
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from afterrains.delivery.atomic import atomic_path

__all__ = ["DECIMALS", "plain_geometry", "write_features"]

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


def write_features(path: Path, features: Iterable[Mapping[str, Any]]) -> Path:
    """Write a FeatureCollection, one feature at a time; laid out as `write_json` does.

    Raises
    ------
    OutputError
        When the disk does not take the file.
    ValueError
        When a number is NaN or infinite.
    """
    with atomic_path(path) as partial, partial.open("w", encoding="utf-8", newline="") as file:
        file.write('{\n  "type": "FeatureCollection",\n  "features": [')
        between, end = "\n    ", "]\n}\n"
        for feature in features:
            text = json.dumps(feature, indent=2, ensure_ascii=False, allow_nan=False)
            file.write(between + text.replace("\n", "\n    "))
            between, end = ",\n    ", "\n  ]\n}\n"
        file.write(end)
    return path
