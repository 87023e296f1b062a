"""The visits as files for maps and receivers: GeoJSON (RFC 7946) and GPX 1.1.

The GPX goes to the observers: it holds the visit, its place and its site, and not why the place is
visited, so that nobody knows beforehand what is expected there. Numbers have six decimals (about a
tenth of a metre). Equal visits give equal bytes.
"""

from __future__ import annotations

import unicodedata
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import pandas as pd

from afterrains.delivery.atomic import write_bytes
from afterrains.delivery.geojson import write_features

__all__ = ["one_line", "write_geojson", "write_gpx"]

_GPX = "http://www.topografix.com/GPX/1/1"
_HIDDEN = frozenset({"Cc", "Cf", "Co", "Cs", "Cn", "Zl", "Zp"})
_LONGEST = 80


def one_line(text: str, longest: int = _LONGEST) -> str:
    """Text that a receiver or a phone can show: one line, nothing invisible, not too long."""
    shown = "".join(" " if unicodedata.category(char) in _HIDDEN else char for char in text)
    shown = " ".join(shown.split())
    return shown if len(shown) <= longest else shown[: longest - 1].rstrip() + "…"


def write_geojson(visits: pd.DataFrame, folder: Path) -> Path:
    """Write `visits.geojson`: one point a visit, with the columns of visits.csv."""
    features = (_feature(row) for row in visits.to_dict("records"))
    return write_features(folder / "visits.geojson", features)


def _feature(row: dict[Any, Any]) -> dict[str, Any]:
    place = [round(float(row["lon"]), 6), round(float(row["lat"]), 6)]
    chance = row["inclusion_probability"]
    return {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": place},
        "properties": {
            "visit_id": row["visit_id"],
            "site_id": _sound(row["site_id"]),
            "why": _sound(row["why"]),
            "stratum": _sound(row["stratum"]),
            "inclusion_probability": None if pd.isna(chance) else round(float(chance), 6),
        },
    }


def _sound(text: str) -> str:
    """Text without halves of surrogate pairs, which UTF-8 cannot hold."""
    return str(text).encode("utf-8", "replace").decode("utf-8")


def write_gpx(visits: pd.DataFrame, names: dict[str, str], title: str, folder: Path) -> Path:
    """Write `visits.gpx`: one waypoint a visit; `names` are the sites' names by site_id."""
    ET.register_namespace("", _GPX)
    root = ET.Element(f"{{{_GPX}}}gpx", {"version": "1.1", "creator": "afterrains"})
    metadata = ET.SubElement(root, f"{{{_GPX}}}metadata")
    ET.SubElement(metadata, f"{{{_GPX}}}name").text = one_line(f"Visits, {title}")
    ET.SubElement(metadata, f"{{{_GPX}}}desc").text = (
        "Places to check. Follow local rules, permits and safety practice; no visit without the "
        "consent of those who use the land. The places may expose them: share with care."
    )
    # The order of elements is the schema's.
    for row in visits.to_dict("records"):
        place = {"lat": f"{float(row['lat']):.6f}", "lon": f"{float(row['lon']):.6f}"}
        point = ET.SubElement(root, f"{{{_GPX}}}wpt", place)
        ET.SubElement(point, f"{{{_GPX}}}name").text = str(row["visit_id"])
        label = one_line(f"{row['site_id']} {names.get(str(row['site_id']), '')}")
        ET.SubElement(point, f"{{{_GPX}}}desc").text = label
    ET.indent(root)
    text: bytes = ET.tostring(root, encoding="utf-8", xml_declaration=True)
    return write_bytes(folder / "visits.gpx", text + b"\n")
