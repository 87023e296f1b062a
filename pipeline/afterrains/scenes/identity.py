"""What an item is a picture of: which sensor, which tile, processed when and how.

Catalogues spell these in many ways; every reader here tries the standard property first, then the
older spellings, then the agency's own product name, and returns None where nothing tells.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, date, datetime, timedelta
from typing import Any

__all__ = [
    "baseline_of",
    "centre_longitude",
    "moment",
    "processed_at",
    "product_names",
    "sensor_of",
    "solar_day",
    "tile_of",
]

# S2B_MSIL2A_20190629T212529_N0212_R043_T06VVN_20201006T080531
_S2_PRODUCT = re.compile(
    r"S2[A-Z]_MSIL[12][A-Z]_\d{8}T\d{6}_N(\d{2})(\d{2})_R\d{3}_T(\d{2}[A-Z]{3})_(\d{8}T\d{6})"
)
_S2_BASELINE = re.compile(r"_N(\d{2})\.?(\d{2})(?:_|$|\.)")
_S2_TILE = re.compile(r"(?:^|[_-])T?(\d{2}[C-X][A-Z]{2})(?:_|$)")
# S2A_OPER_MSI_L2A_TL_2APS_20240108T121951_A044635_T34VEL
_S2_TILE_PRODUCT = re.compile(r"S2[A-Z]_OPER_MSI_L\w{2}_TL_\w{4}_(\d{8}T\d{6})_A\d{6}_T")
# LC08_L2SP_047027_20201204_20210313_02_T1
_LANDSAT_PRODUCT = re.compile(r"L[A-Z]\d{2}_L\d[A-Z]{2}_(\d{6})_\d{8}_(\d{8})_\d{2}_")
_NAME_PROPERTIES = (
    "s2:product_uri",
    "sentinel2:product_uri",
    "sentinel:product_id",
    "s2:datatake_id",
    "sentinel2:datatake_id",
    "landsat:product_id",
    "landsat:scene_id",
    "title",
)


def product_names(item_id: str, properties: Mapping[str, Any]) -> tuple[str, ...]:
    """Texts that may hold the agency's product name: known properties, then the item's id."""
    named = [properties.get(key) for key in _NAME_PROPERTIES]
    return (*(text for text in named if isinstance(text, str)), item_id)


def sensor_of(properties: Mapping[str, Any]) -> str | None:
    """The platform in small letters with hyphens, as "sentinel-2b" or "landsat-8"."""
    for key in ("platform", "eo:platform"):
        text = properties.get(key)
        if isinstance(text, str) and text.strip():
            return re.sub(r"[\s_]+", "-", text.strip().lower())
    return None


def tile_of(names: Iterable[str], properties: Mapping[str, Any]) -> str | None:
    """The tile: MGRS square as "29RKH", or Landsat path and row as "047027"."""

    def text(key: str) -> str:
        value = properties.get(key)
        return str(value) if isinstance(value, str | int) and not isinstance(value, bool) else ""

    for key in ("s2:mgrs_tile", "sentinel2:mgrs_tile", "grid:code"):
        match = _S2_TILE.search(text(key))
        if match:
            return match[1]
    for prefix, square in (("mgrs", "grid_square"), ("sentinel", "grid_square")):
        parts = [text(f"{prefix}:{part}") for part in ("utm_zone", "latitude_band", square)]
        if all(parts):
            return parts[0].zfill(2) + parts[1] + parts[2]
    path, row = text("landsat:wrs_path"), text("landsat:wrs_row")
    if path.isdigit() and row.isdigit():
        return path.zfill(3) + row.zfill(3)
    for name in names:
        product = _S2_PRODUCT.search(name)
        if product:
            return product[3]
        landsat = _LANDSAT_PRODUCT.search(name)
        if landsat:
            return landsat[1]
        match = _S2_TILE.search(name)
        if match:
            return match[1]
    return None


def baseline_of(names: Iterable[str], properties: Mapping[str, Any]) -> str | None:
    """Sentinel-2 processing baseline as "04.00"."""
    for key in ("s2:processing_baseline", "sentinel2:processing_baseline", "processing:version"):
        value = properties.get(key)
        if isinstance(value, str) and re.fullmatch(r"\d{2}\.\d{2}", value):
            return value
    for name in names:
        match = _S2_BASELINE.search(name)
        if match:
            return f"{match[1]}.{match[2]}"
    return None


def processed_at(names: Iterable[str], properties: Mapping[str, Any]) -> datetime | None:
    """When the agency made the product; the catalogue's own times only where nothing else tells."""
    keys = ("s2:generation_time", "sentinel2:generation_time", "processing:datetime")
    for key in keys:
        found = moment(properties.get(key))
        if found:
            return found
    for name in names:
        stamp = _stamp(name)
        if stamp:
            try:
                return datetime.strptime(stamp, "%Y%m%dT%H%M%S").replace(tzinfo=UTC)
            except ValueError:
                continue
    return None


def _stamp(name: str) -> str | None:
    """The processing time inside a product name."""
    if product := _S2_PRODUCT.search(name):
        return product[4]
    if tile := _S2_TILE_PRODUCT.search(name):
        return tile[1]
    if landsat := _LANDSAT_PRODUCT.search(name):
        return f"{landsat[2]}T000000"
    return None


def moment(value: Any) -> datetime | None:
    """An RFC 3339 date and time in UTC; None for anything else, a bare date included."""
    if not isinstance(value, str) or not re.match(r"\d{4}-\d{2}-\d{2}[Tt ]\d{2}:\d{2}", value):
        return None
    try:
        found = datetime.fromisoformat(value)
        return found.replace(tzinfo=UTC) if found.tzinfo is None else found.astimezone(UTC)
    except (ValueError, OverflowError):
        return None


def solar_day(acquired: datetime, longitude: float) -> date:
    """The local day by the sun: UTC moved by four minutes for each degree of longitude."""
    return (acquired + timedelta(minutes=4 * longitude)).date()


def centre_longitude(footprint: Mapping[str, Any], near: float) -> float:
    """Middle longitude of a footprint, in the turn of the globe that lies nearest to `near`.

    Tiles on both sides of the antimeridian so fall on the same solar day. The mean is taken on the
    circle; a footprint written across the antimeridian does not end up at Greenwich.
    """
    turns = [math.radians(lon) for lon, _ in _vertices(footprint.get("coordinates"))]
    east = sum(math.cos(turn) for turn in turns)
    north = sum(math.sin(turn) for turn in turns)
    lon = math.degrees(math.atan2(north, east))
    return lon + 360 * round((near - lon) / 360)


def _vertices(coordinates: Any) -> Iterator[tuple[float, float]]:
    if isinstance(coordinates, list | tuple) and coordinates:
        if isinstance(coordinates[0], int | float):
            yield float(coordinates[0]), float(coordinates[1])
        else:
            for part in coordinates:
                yield from _vertices(part)
