"""From a catalogue's item, as it came over the wire, to a `Scene` – or to a `Refusal` with why.

Items are other people's text: every field is checked before it is used, and an item that breaks
the rules becomes a refusal, never a crash. Both STAC 1.0 (`proj:epsg`, `raster:bands`) and 1.1
(`proj:code`, `bands`, `raster:scale`) are read.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import datetime
from typing import Any

import numpy as np
from shapely import get_coordinates
from shapely.errors import ShapelyError
from shapely.geometry import shape
from shapely.geometry.base import BaseGeometry

from afterrains.scenes import identity
from afterrains.scenes.item_assets import (
    ItemSource,
    RefusedError,
    as_object,
    asset_key,
    bands_of,
)
from afterrains.scenes.model import PixelGrid, Refusal, Scene
from afterrains.scenes.profiles import Profile, Profiles
from afterrains.scenes.radar import track_of

__all__ = ["ItemSource", "scene_from_item"]

_LONGEST_ID = 200
_LARGEST_NUMBER = 1e12  # of a grid, in metres or pixels


def scene_from_item(
    item: Mapping[str, Any], source: ItemSource, profiles: Profiles
) -> Scene | Refusal:
    """The scene that an item describes, or why it cannot be used.

    `overpass` is left empty: it depends on the other scenes (`duplicates.assign_overpasses`).
    """
    item_id, collection = "", ""
    acquired: datetime | None = None
    try:
        item_id, collection = _item_id(item), _text(item.get("collection"))
        properties = as_object(item.get("properties"), "properties")
        acquired = _acquired(properties)
        sensor = _sensor(properties)
        profile, collection = _profile(collection, sensor, source, profiles)
        names = identity.product_names(item_id, properties)
        _check_product(profile, names, sensor)
        footprint = _footprint(item)
        grid = _grid(item, properties, profile, sensor)
        baseline = identity.baseline_of(names, properties)
        bands, notes = bands_of(item, properties, source, profile, sensor, baseline)
        longitude = identity.centre_longitude(footprint, source.longitude)
        return Scene(
            scene_id=item_id,
            collection=collection,
            sensor=sensor,
            acquired=acquired,
            solar_day=identity.solar_day(acquired, longitude),
            overpass="",
            tile=identity.tile_of(names, properties) or _tile_from_grid(grid),
            processed=_processed(names, properties),
            baseline=baseline,
            # Radar looks through clouds, whatever an item says of them.
            cloud_percent=None if profile.is_radar else _cloud(properties),
            footprint=footprint,
            bands=bands,
            notes=notes,
            grid=grid,
            track=_track(properties) if profile.is_radar else "",
        )
    except RefusedError as refused:
        return Refusal(item_id, collection, acquired, refused.reason, refused.detail)


def _text(value: Any) -> str:
    return value if isinstance(value, str) and len(value) <= _LONGEST_ID else ""


def _item_id(item: Mapping[str, Any]) -> str:
    found = _text(item.get("id"))
    if not found or not found.isprintable():
        raise RefusedError("broken-item", "it has no id, or one that is not plain text")
    return found


def _acquired(properties: Mapping[str, Any]) -> datetime:
    # The standard allows a null datetime when start and end are given.
    value = properties.get("datetime") or properties.get("start_datetime")
    found = identity.moment(value)
    if found is None:
        raise RefusedError("no-datetime", f"its datetime is {value!r:.40}, not a date with a time")
    return found


def _sensor(properties: Mapping[str, Any]) -> str:
    found = identity.sensor_of(properties)
    if found is None:
        raise RefusedError("no-platform", "it names no platform")
    return found


def _profile(
    collection: str, sensor: str, source: ItemSource, profiles: Profiles
) -> tuple[Profile, str]:
    """The profile and collection; an item without collection takes the only one that fits."""
    asked = (collection,) if collection else source.collections
    fitting = [
        (profile, name)
        for name in asked
        if (profile := profiles.of(name)) is not None and (collection or sensor in profile.sensors)
    ]
    if len(fitting) != 1:
        raise RefusedError(
            "no-collection", "it names no collection, and none asked for fits it alone"
        )
    profile, name = fitting[0]
    if sensor not in profile.sensors:
        raise RefusedError("unknown-sensor", f"{sensor!r:.40} is not in the profile {profile.id}")
    return profile, name


def _check_product(profile: Profile, names: tuple[str, ...], sensor: str) -> None:
    for part in profile.refuse_names:
        if any(part in name for name in names):
            raise RefusedError("wrong-level", f"its product name holds {part}")


def _footprint(item: Mapping[str, Any]) -> dict[str, Any]:
    geometry: Any = item.get("geometry")
    try:
        with np.errstate(all="ignore"):
            found: BaseGeometry = shape(geometry)
        corners = np.abs(get_coordinates(found))
        # Comparing also refuses what is not a number.
        usable = bool((corners <= (360, 90)).all()) and found.area > 0
    except (ShapelyError, ValueError, TypeError, AttributeError, KeyError, IndexError) as error:
        raise RefusedError("no-footprint", "its geometry is missing or broken") from error
    if not usable:
        raise RefusedError("no-footprint", "its geometry has no area on the globe")
    return {"type": geometry["type"], "coordinates": geometry["coordinates"]}


def _cloud(properties: Mapping[str, Any]) -> float | None:
    value = properties.get("eo:cloud_cover")
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= 100:
        return None
    return float(value)


def _track(properties: Mapping[str, Any]) -> str:
    found = track_of(properties)
    if found is None:
        raise RefusedError("no-orbit", "it does not tell whether it is ascending or descending")
    return found


def _processed(names: tuple[str, ...], properties: Mapping[str, Any]) -> datetime | None:
    found = identity.processed_at(names, properties)
    return found or identity.moment(properties.get("created"))


def _grid(
    item: Mapping[str, Any], properties: Mapping[str, Any], profile: Profile, sensor: str
) -> PixelGrid | None:
    """The finest north-up grid that the item states; None where it states none (it need not)."""
    assets = as_object(item.get("assets"), "assets")
    grids = []
    for rule in profile.bands.values():
        key = asset_key(assets, rule, sensor)
        if key is not None and isinstance(assets[key], Mapping):
            grid = _stated_grid({**properties, **assets[key]})
            grids += [grid] if grid else []
    return min(grids, key=lambda grid: grid.resolution_m, default=None)


def _stated_grid(fields: Mapping[str, Any]) -> PixelGrid | None:
    code, epsg = fields.get("proj:code"), fields.get("proj:epsg")
    if isinstance(code, str) and re.fullmatch(r"[A-Z]{2,10}:\w{1,12}", code):
        crs = code
    elif isinstance(epsg, int) and not isinstance(epsg, bool):
        crs = f"EPSG:{epsg}"
    else:
        return None
    transform: Any = fields.get("proj:transform")
    size: Any = fields.get("proj:shape")
    if not _numbers(transform, 6) or not _numbers(size, 2):
        return None
    a, b, left, d, e, top = (float(value) for value in transform[:6])
    height, width = (int(value) for value in size[:2])
    if b or d or a <= 0 or abs(a + e) > 1e-9 * a or height <= 0 or width <= 0:
        return None
    return PixelGrid(crs, left, top, a, width, height)


def _numbers(value: Any, fewest: int) -> bool:
    return (
        isinstance(value, list)
        and len(value) >= fewest
        and all(isinstance(v, int | float) and not isinstance(v, bool) for v in value)
        and all(-_LARGEST_NUMBER < v < _LARGEST_NUMBER for v in value)
    )


def _tile_from_grid(grid: PixelGrid | None) -> str:
    """A stand-in tile name: where the grid lies, so that the same frame has the same name."""
    if grid is None:
        return ""
    return f"{grid.crs.rpartition(':')[2]}-{grid.left:.0f}-{grid.top:.0f}"
