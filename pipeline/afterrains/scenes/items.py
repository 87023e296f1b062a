"""From a catalogue's item, as it came over the wire, to a `Scene` – or to a `Refusal` with why.

Items are other people's text: every field is checked before it is used, and an item that breaks
the rules becomes a refusal, never a crash. Both STAC 1.0 (`proj:epsg`, `raster:bands`) and 1.1
(`proj:code`, `bands`, `raster:scale`) are read.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from shapely import get_coordinates
from shapely.errors import ShapelyError
from shapely.geometry import shape
from shapely.geometry.base import BaseGeometry

from afterrains.scenes import identity
from afterrains.scenes.model import BandAsset, PixelGrid, Refusal, Scene
from afterrains.scenes.offset import (
    ContradictionError,
    Numbers,
    UndecidedError,
    decide_numbers,
    stated_numbers,
)
from afterrains.scenes.profiles import BandRule, Profile, Profiles, ValueMask
from afterrains.scenes.references import UnsafeReferenceError, resolve

__all__ = ["ItemSource", "scene_from_item"]

_LONGEST_ID = 200
_LARGEST_NUMBER = 1e12  # of a grid, in metres or pixels


class _RefusedError(Exception):
    """Why an item cannot be used: slug and words."""

    def __init__(self, reason: str, detail: str) -> None:
        self.reason, self.detail = reason, detail
        super().__init__(detail)


@dataclass(frozen=True)
class ItemSource:
    """Where an item was read from, and what was asked for."""

    base: str
    """Path or address of the item's own document, for relative references."""
    remote: bool
    """Whether the catalogue lies on another machine; then nothing on this one may be named."""
    collections: tuple[str, ...]
    longitude: float
    """Middle of the ground asked for; decides the turn of the globe of the solar day."""
    trusted: frozenset[str] = frozenset()
    """Hosts inside this network that a catalogue on another machine may name."""


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
        properties = _mapping(item.get("properties"), "properties")
        acquired = _acquired(properties)
        sensor = _sensor(properties)
        profile, collection = _profile(collection, sensor, source, profiles)
        names = identity.product_names(item_id, properties)
        _check_product(profile, names, sensor)
        footprint = _footprint(item)
        grid = _grid(item, properties, profile, sensor)
        baseline = identity.baseline_of(names, properties)
        bands, notes = _bands(item, properties, source, profile, sensor, baseline)
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
            cloud_percent=_cloud(properties),
            footprint=footprint,
            bands=bands,
            notes=notes,
            grid=grid,
        )
    except _RefusedError as refused:
        return Refusal(item_id, collection, acquired, refused.reason, refused.detail)


def _mapping(value: Any, what: str) -> Mapping[str, Any]:
    if not isinstance(value, Mapping):
        raise _RefusedError("broken-item", f"its {what} are not an object")
    return value


def _text(value: Any) -> str:
    return value if isinstance(value, str) and len(value) <= _LONGEST_ID else ""


def _item_id(item: Mapping[str, Any]) -> str:
    found = _text(item.get("id"))
    if not found or not found.isprintable():
        raise _RefusedError("broken-item", "it has no id, or one that is not plain text")
    return found


def _acquired(properties: Mapping[str, Any]) -> datetime:
    # The standard allows a null datetime when start and end are given.
    value = properties.get("datetime") or properties.get("start_datetime")
    found = identity.moment(value)
    if found is None:
        raise _RefusedError("no-datetime", f"its datetime is {value!r:.40}, not a date with a time")
    return found


def _sensor(properties: Mapping[str, Any]) -> str:
    found = identity.sensor_of(properties)
    if found is None:
        raise _RefusedError("no-platform", "it names no platform")
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
        raise _RefusedError(
            "no-collection", "it names no collection, and none asked for fits it alone"
        )
    profile, name = fitting[0]
    if sensor not in profile.sensors:
        raise _RefusedError("unknown-sensor", f"{sensor!r:.40} is not in the profile {profile.id}")
    return profile, name


def _check_product(profile: Profile, names: tuple[str, ...], sensor: str) -> None:
    for part in profile.refuse_names:
        if any(part in name for name in names):
            raise _RefusedError("wrong-level", f"its product name holds {part}")


def _footprint(item: Mapping[str, Any]) -> dict[str, Any]:
    geometry: Any = item.get("geometry")
    try:
        with np.errstate(all="ignore"):
            found: BaseGeometry = shape(geometry)
        corners = np.abs(get_coordinates(found))
        # Comparing also refuses what is not a number.
        usable = bool((corners <= (360, 90)).all()) and found.area > 0
    except (ShapelyError, ValueError, TypeError, AttributeError, KeyError, IndexError) as error:
        raise _RefusedError("no-footprint", "its geometry is missing or broken") from error
    if not usable:
        raise _RefusedError("no-footprint", "its geometry has no area on the globe")
    return {"type": geometry["type"], "coordinates": geometry["coordinates"]}


def _cloud(properties: Mapping[str, Any]) -> float | None:
    value = properties.get("eo:cloud_cover")
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= 100:
        return None
    return float(value)


def _processed(names: tuple[str, ...], properties: Mapping[str, Any]) -> datetime | None:
    found = identity.processed_at(names, properties)
    return found or identity.moment(properties.get("created"))


def _bands(
    item: Mapping[str, Any],
    properties: Mapping[str, Any],
    source: ItemSource,
    profile: Profile,
    sensor: str,
    baseline: str | None,
) -> tuple[dict[str, BandAsset], tuple[str, ...]]:
    assets = _mapping(item.get("assets"), "assets")
    found: dict[str, BandAsset] = {}
    notes: set[str] = set()
    for band, rule in profile.bands.items():
        key = _asset_key(assets, rule, sensor)
        if key is None:
            continue
        numbers, resolution, href = _asset(assets[key], key, source)
        try:
            decided = decide_numbers(profile.values, properties, numbers, baseline)
        except ContradictionError as error:
            raise _RefusedError("offset-contradiction", f"{key}: {error}") from error
        except UndecidedError as error:
            raise _RefusedError("offset-unknown", f"{key}: {error}") from error
        notes.update(decided.notes)
        found[band] = _band_asset(href, decided, resolution or rule.resolution_m)
    if not found:
        raise _RefusedError("missing-asset", "it has none of the profile's bands")
    if profile.mask.kind == "values" and profile.mask.band not in found:
        raise _RefusedError("missing-asset", f"it has no band {profile.mask.band}")
    for place, needed in ((profile.mask, True), (profile.saturation, False)):
        if place is None or isinstance(place, ValueMask):
            continue
        key = next((name for name in place.assets if name in assets), None)
        if key is None and needed:
            raise _RefusedError("missing-asset", f"it has no mask ({', '.join(place.assets)})")
        if key is None:
            notes.add(f"no {place.band}: saturation not checked")
            continue
        _, resolution, href = _asset(assets[key], key, source)
        found[place.band] = BandAsset(href, 1.0, 0.0, None, resolution or place.resolution_m)
    return found, tuple(sorted(notes))


def _asset_key(assets: Mapping[str, Any], rule: BandRule, sensor: str) -> str | None:
    """The name of the asset that holds a band: by the profile's names, else by common name."""
    for name in rule.asset_names(sensor):
        if name in assets:
            return name
    if rule.common_name is None:
        return None
    same = [key for key, asset in assets.items() if _common_name(asset) == rule.common_name]
    return same[0] if len(same) == 1 else None


def _common_name(asset: Any) -> str | None:
    """STAC's common name of a single-band data asset; None for pictures and several bands."""
    if not isinstance(asset, Mapping):
        return None
    roles = asset.get("roles", ["data"])
    bands = asset.get("eo:bands", asset.get("bands"))
    if not isinstance(roles, list) or "data" not in roles:
        return None
    if not isinstance(bands, list) or len(bands) != 1 or not isinstance(bands[0], Mapping):
        return None
    name = bands[0].get("common_name", bands[0].get("eo:common_name"))
    return name if isinstance(name, str) else None


def _asset(asset: Any, key: str, source: ItemSource) -> tuple[Any, float | None, str]:
    if not isinstance(asset, Mapping) or not isinstance(asset.get("href"), str):
        raise _RefusedError("broken-item", f"its asset {key} has no href")
    try:
        href = resolve(asset["href"], source.base, remote=source.remote, trusted=source.trusted)
    except (UnsafeReferenceError, ValueError) as error:
        raise _RefusedError("unsafe-address", f"asset {key}: {error}") from error
    try:
        stated = stated_numbers(asset)
    except ValueError as error:
        raise _RefusedError("broken-values", f"asset {key}: {error}") from error
    resolution = stated.resolution_m
    return stated, resolution if resolution and resolution > 0 else None, href


def _band_asset(href: str, numbers: Numbers, resolution: float | None) -> BandAsset:
    return BandAsset(href, numbers.scale, numbers.offset, numbers.nodata, resolution)


def _grid(
    item: Mapping[str, Any], properties: Mapping[str, Any], profile: Profile, sensor: str
) -> PixelGrid | None:
    """The finest north-up grid that the item states; None where it states none (it need not)."""
    assets = _mapping(item.get("assets"), "assets")
    grids = []
    for rule in profile.bands.values():
        key = _asset_key(assets, rule, sensor)
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
