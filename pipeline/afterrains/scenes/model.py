"""The plain objects that pass between searching, planning, reading and masking.

All are frozen and hold only plain values, so that they travel between processes and into the
manifest unchanged. Bands bear our own names everywhere: blue green red rededge1 rededge2 rededge3
nir nir08 swir16 swir22; masks are scl, or qa_pixel and qa_radsat.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "BANDS",
    "RADAR_BANDS",
    "BandAsset",
    "Observation",
    "Overpass",
    "PixelGrid",
    "Refusal",
    "Scene",
    "SearchResult",
]

BANDS = (
    "blue",
    "green",
    "red",
    "rededge1",
    "rededge2",
    "rededge3",
    "nir",
    "nir08",
    "swir16",
    "swir22",
)
"""Our names of the reflectance bands, short to long wavelength."""
RADAR_BANDS = ("vv", "vh")
"""Our names of the radar bands: backscatter, gamma nought, in linear power."""


@dataclass(frozen=True)
class BandAsset:
    """One band's file, and how its numbers become reflectance: number x scale + offset."""

    href: str
    """An absolute path or address."""
    scale: float
    offset: float
    nodata: float | None
    resolution_m: float | None


@dataclass(frozen=True, order=True)
class PixelGrid:
    """The grid of a scene's finest band as its catalogue states it; the file has the last word."""

    crs: str
    """As "EPSG:32630"."""
    left: float
    top: float
    resolution_m: float
    width: int
    height: int


@dataclass(frozen=True)
class Scene:
    """One image of one tile in one pass, ready to be read."""

    scene_id: str
    collection: str
    sensor: str
    """As "sentinel-2a" or "landsat-8"."""
    acquired: datetime
    """In UTC, with time zone."""
    solar_day: date
    """The local day by the sun where the scene lies: one pass never straddles it."""
    overpass: str
    """Same for all tiles that a satellite took in one pass."""
    tile: str
    processed: datetime | None
    baseline: str | None
    cloud_percent: float | None
    footprint: dict[str, Any]
    """GeoJSON geometry, longitude and latitude."""
    bands: Mapping[str, BandAsset]
    notes: tuple[str, ...] = ()
    grid: PixelGrid | None = None
    track: str = ""
    """Of a radar image: direction and relative orbit, as "descending-51"; see `radar`."""


@dataclass(frozen=True)
class Refusal:
    """A scene that is not used, and why; goes into the manifest."""

    scene_id: str
    collection: str
    acquired: datetime | None
    reason: str
    """A stable slug: "cloudy", "duplicate", "missing-asset", …"""
    detail: str


@dataclass(frozen=True)
class SearchResult:
    """What a catalogue holds for a place and time: scenes to use, and scenes not used with why.

    `scenes` is sorted by acquisition and scene id, `refused` likewise. `notes` are remarks on the
    search itself, such as a service that returned fewer items than it announced.
    """

    scenes: tuple[Scene, ...]
    refused: tuple[Refusal, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Overpass:
    """All tiles that one satellite took in one pass; the unit that gives one observation."""

    date: date
    """The local solar day."""
    sensor: str
    overpass: str
    scenes: tuple[Scene, ...]


@dataclass(frozen=True)
class Observation:
    """What one pass shows of one window.

    Three things are kept apart: ground that no scene covers (`covered` False, `lost` False), ground
    covered but masked (`covered` True, `clear` False), and ground whose scene could not be read or
    is not to be believed (`lost` True; named in `unreadable` or `doubted`).
    """

    date: date
    sensor: str
    scene_ids: tuple[str, ...]
    """Scenes that gave at least one covered pixel, in the order in which pixels were taken."""
    reflectance: dict[str, NDArray[np.float32]]
    """(y, x) for each band asked for, 0-1; NaN where not clear or where the band has no value."""
    clear: NDArray[np.bool_]
    covered: NDArray[np.bool_]
    unreadable: tuple[tuple[str, str, str], ...]
    """(scene_id, band, reason) of each read that failed after its retries."""
    lost: NDArray[np.bool_]
    """Ground inside the frame of a scene whose mask could not be read, or that is clear where no
    band could be read, or whose scene was left out as doubtful; and seen by no other scene."""
    mask_counts: Mapping[str, int] = field(default_factory=dict)
    """Pixels of the window by mask class or flag, summed over the scenes; flags can overlap."""
    doubted: tuple[tuple[str, str], ...] = ()
    """(scene_id, reason) of each scene that was left out because its numbers contradict what its
    metadata say. Reading it again would not help."""
    notes: tuple[str, ...] = ()
