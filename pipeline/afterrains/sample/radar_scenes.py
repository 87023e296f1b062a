"""Radar scenes of the sample: which passes there are, their pixels, and their STAC items.

One satellite comes down over both grounds every twelve days from 2016 on. Another goes up over them
until it is lost on 23 December 2021; the one after it begins in spring 2025. So ascending passes
have a gap of three dry seasons and descending ones have none, as happened to much real ground. All
passes of March to June are kept, when the season's end is judged, and every third of the others;
in the small sample one of January, and every second ascending one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rasterio.transform import Affine
from shapely.geometry import box, mapping

from afterrains.sample.backscatter import LOOKS, POLARISATIONS, backscatter, with_speckle
from afterrains.sample.chance import chance, random_field
from afterrains.sample.district import EPSG, GROUNDS, SIZES
from afterrains.sample.ground import GroundModel
from afterrains.sample.stac import COG, degrees

__all__ = [
    "NODATA",
    "RADAR_COLLECTION",
    "RadarPass",
    "radar_item",
    "radar_passes",
    "render_radar",
]

RADAR_COLLECTION = "sentinel-1-rtc"
NODATA = -32768

_EVERY_DAYS = 12
_LATE_MONTHS = (3, 4, 5, 6)
_ROUGHNESS_PIXELS = 5.0
_CROWN_PIXELS = 4.0


@dataclass(frozen=True)
class _Line:
    """A satellite's passes over the district: from a first day, every twelve days, to a last."""

    platform: str
    direction: str
    orbit: int
    first: date
    last: date
    time_of_day: tuple[int, int, int]


_LINES = (
    _Line("sentinel-1a", "descending", 154, date(2016, 1, 9), date(2099, 1, 1), (5, 44, 12)),
    _Line("sentinel-1b", "ascending", 161, date(2016, 10, 5), date(2021, 12, 22), (18, 3, 40)),
    _Line("sentinel-1c", "ascending", 161, date(2025, 3, 29), date(2099, 1, 1), (18, 3, 40)),
)


@dataclass(frozen=True)
class RadarPass:
    """One product: a ground at a pass."""

    item_id: str
    ground: str
    acquired: datetime
    platform: str
    direction: str
    orbit: int


def radar_passes(size: str) -> tuple[RadarPass, ...]:
    """Every radar product of the catalogue, in order of time and id."""
    extent = SIZES[size]
    found = [
        each
        for line in _LINES
        for number, day in enumerate(_days(line, extent.first_year, extent.last_year))
        if _kept(line, day, number, small=size == "small")
        for each in _products(line, day)
    ]
    return tuple(sorted(found, key=lambda each: (each.acquired, each.item_id)))


def _days(line: _Line, first_year: int, last_year: int) -> Iterator[date]:
    day = line.first
    while day <= min(line.last, date(last_year, 12, 31)):
        if day.year >= first_year:
            yield day
        day += timedelta(days=_EVERY_DAYS)


def _kept(line: _Line, day: date, number: int, *, small: bool) -> bool:
    """Whether the catalogue has a pass."""
    if not small:
        return day.month in _LATE_MONTHS or number % 3 == 0
    if line.direction == "ascending" and number % 2:
        return False
    late = date(day.year, 3, 20) <= day <= date(day.year, 6, 30)
    return late or (day.month == 1 and day.day <= _EVERY_DAYS)


def _products(line: _Line, day: date) -> Iterator[RadarPass]:
    for seconds, ground in enumerate(GROUNDS):
        moment = datetime(day.year, day.month, day.day, *line.time_of_day, tzinfo=UTC)
        moment += timedelta(seconds=25 * seconds)
        satellite = "S" + line.platform.rsplit("-", 1)[1].upper()
        item_id = f"{satellite}_IW_GRDH_1SDV_{moment:%Y%m%dT%H%M%S}_{GROUNDS[ground].tile}_rtc"
        yield RadarPass(item_id, ground, moment, line.platform, line.direction, line.orbit)


def render_radar(ground: GroundModel, look: RadarPass, seed: int) -> dict[str, NDArray[np.float32]]:
    """Linear power by polarisation; deterministic by seed, whatever was drawn before."""
    cover = ground.cover(look.acquired.date())
    # Each side of a stone or a stand looks different: every track has a ground of its own.
    own = (ground.name, ground.pixels, look.direction)
    roughness = random_field(
        chance(seed, "radar roughness", *own), ground.pixels, _ROUGHNESS_PIXELS
    )
    crowns = random_field(chance(seed, "radar crowns", *own), ground.pixels, _CROWN_PIXELS)
    rng = chance(seed, "radar", ground.name, look.acquired.isoformat(), ground.pixels)
    return {
        band: with_speckle(backscatter(cover, roughness, crowns, band), band, rng)
        for band in POLARISATIONS
    }


def radar_item(look: RadarPass, pixels: int, at: Affine) -> dict[str, Any]:
    """One product as a STAC item; `at` is the transform of its 10 m pixels."""
    outline = box(at.c, at.f - 10.0 * pixels, at.c + 10.0 * pixels, at.f)
    lonlat = degrees(outline)
    moment = f"{look.acquired:%Y-%m-%dT%H:%M:%SZ}"
    return {
        "type": "Feature",
        "stac_version": "1.0.0",
        "stac_extensions": [
            f"https://stac-extensions.github.io/{name}/schema.json"
            for name in ("projection/v1.1.0", "raster/v1.1.0", "sar/v1.0.0", "sat/v1.0.0")
        ],
        "id": look.item_id,
        "collection": RADAR_COLLECTION,
        "geometry": mapping(lonlat),
        "bbox": [round(value, 6) for value in lonlat.bounds],
        "properties": {
            "datetime": moment,
            "platform": look.platform,
            "constellation": "sentinel-1",
            "instruments": ["c-sar"],
            "proj:epsg": EPSG,
            "proj:shape": [pixels, pixels],
            "proj:transform": list(at)[:6],
            "sar:frequency_band": "C",
            "sar:instrument_mode": "IW",
            "sar:looks_equivalent_number": LOOKS,
            "sar:polarizations": [band.upper() for band in POLARISATIONS],
            "sar:product_type": "RTC",
            "sat:orbit_state": look.direction,
            "sat:relative_orbit": look.orbit,
        },
        "links": [
            {"rel": "root", "href": "../../catalog.json", "type": "application/json"},
            {"rel": "parent", "href": "../collection.json", "type": "application/json"},
            {"rel": "collection", "href": "../collection.json", "type": "application/json"},
        ],
        "assets": {
            band: {
                "href": f"./{band}.tif",
                "type": COG,
                "title": f"{band.upper()} backscatter, gamma nought, linear power",
                "roles": ["data", "backscatter"],
                "raster:bands": [
                    {"nodata": NODATA, "data_type": "float32", "spatial_resolution": 10}
                ],
            }
            for band in POLARISATIONS
        },
    }
