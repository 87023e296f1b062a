"""The draw as it is kept beside the results: the same patches season after season.

`drawn_controls.geojson` is a layer (RFC 7946) that any map program opens, so that somebody can go
and look. Its foreign member `draw` tells what the patches were drawn with and which sites have had
their turn. Its features can be copied into a sites file.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
from pyproj import CRS
from shapely.geometry import Polygon
from shapely.geometry import shape as from_geojson
from shapely.geometry.base import BaseGeometry

from afterrains.delivery.atomic import write_json
from afterrains.delivery.geojson import plain_geometry
from afterrains.errors import Finding, InputError

__all__ = ["COLUMNS", "FILE", "KeptDraw", "as_written", "frame_of", "read_kept", "write_kept"]

FILE = "drawn_controls.geojson"
COLUMNS = ("site_id", "nearest_sown", "stratum", "area_ha")
_ID = re.compile(r"drawn-[0-9]{3,6}", re.ASCII)
_MEND = "restore it from a copy, or delete it: then ground is drawn anew and a new history begins"


@dataclass(frozen=True)
class KeptDraw:
    """A draw.

    `patches` has `COLUMNS` and outlines in longitude and latitude as the file holds them, rounded;
    `settings` what they were drawn with; `served` the digest of each sown site's outline that has
    had its turn; `last_number` the highest number ever given, so that no id comes back for other
    ground.
    """

    patches: gpd.GeoDataFrame
    settings: Mapping[str, Any]
    served: Mapping[str, str]
    last_number: int


def as_written(outline: Polygon, crs: CRS) -> BaseGeometry:
    """The outline in degrees as its file will hold it, so that a later run reads the very same."""
    degrees = gpd.GeoSeries([outline], crs=crs).to_crs("EPSG:4326").iloc[0]
    return from_geojson(plain_geometry(degrees))


def write_kept(draw: KeptDraw, folder: Path) -> Path:
    """Write the draw into the output folder.

    Raises
    ------
    OutputError
        When the disk does not take the file.
    """
    features = [
        {
            "type": "Feature",
            "properties": {
                "site_id": site_id,
                "role": "control",
                "name": "",
                "stratum": stratum,
                "nearest_sown": nearest,
                "area_ha": round(float(area_ha), 4),
            },
            "geometry": plain_geometry(outline),
        }
        for site_id, nearest, stratum, area_ha, outline in zip(
            *(draw.patches[name] for name in COLUMNS), draw.patches.geometry, strict=True
        )
    ]
    told = {
        "settings": dict(draw.settings),
        "served": dict(sorted(draw.served.items())),
        "last_number": draw.last_number,
    }
    content = {"type": "FeatureCollection", "draw": told, "features": features}
    return write_json(folder / FILE, content)


def read_kept(folder: Path) -> KeptDraw | None:
    """The draw that an output folder keeps; None where there is none.

    Raises
    ------
    InputError
        If the file is there and cannot be read as one.
    """
    path = folder / FILE
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        raise _unreadable(str(error)) from error
    try:
        content = json.loads(text)
        draw, features = content["draw"], content["features"]
        rows = [_row(feature) for feature in features]
        served = {str(site): str(digest) for site, digest in draw["served"].items()}
        kept = KeptDraw(frame_of(rows), dict(draw["settings"]), served, int(draw["last_number"]))
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise _unreadable(f"{type(error).__name__}: {error}") from error
    if kept.patches["site_id"].duplicated().any():
        raise _unreadable("two features have one site_id")
    return kept


def _row(feature: Mapping[str, Any]) -> dict[str, Any]:
    told = feature["properties"]
    site_id = str(told["site_id"])
    if not _ID.fullmatch(site_id):
        raise ValueError(f"{site_id[:40]!r} is no id of drawn ground")
    outline = from_geojson(feature["geometry"])
    if not isinstance(outline, Polygon) or outline.is_empty or not outline.is_valid:
        raise ValueError(f"{site_id} has no sound polygon")
    return {
        "site_id": site_id,
        "nearest_sown": str(told["nearest_sown"]),
        "stratum": str(told["stratum"] or ""),
        "area_ha": float(told["area_ha"]),
        "geometry": outline,
    }


def frame_of(rows: list[dict[str, Any]]) -> gpd.GeoDataFrame:
    """Patches as a layer in degrees: a mapping each, of `COLUMNS` and `geometry`."""
    columns = pd.DataFrame(rows, columns=[*COLUMNS, "geometry"])
    return gpd.GeoDataFrame(columns, geometry="geometry", crs="EPSG:4326")


def _unreadable(why: str) -> InputError:
    what = f"is no draw of this version ({why[:120]})"
    return InputError([Finding("error", FILE, "", what, _MEND, "drawn-unreadable")])
