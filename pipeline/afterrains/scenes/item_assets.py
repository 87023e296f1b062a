"""The files that an item names: which of them hold our bands, where they lie, how to read them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from afterrains.scenes.model import BandAsset
from afterrains.scenes.offset import (
    ContradictionError,
    Numbers,
    UndecidedError,
    decide_numbers,
    stated_numbers,
)
from afterrains.scenes.profile_model import BandRule, Profile, ValueMask
from afterrains.scenes.references import UnsafeReferenceError, resolve

__all__ = ["ItemSource", "RefusedError", "as_object", "asset_key", "bands_of"]


class RefusedError(Exception):
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


def as_object(value: Any, what: str) -> Mapping[str, Any]:
    """The value, where it is an object; the item is refused where not."""
    if not isinstance(value, Mapping):
        raise RefusedError("broken-item", f"its {what} are not an object")
    return value


def bands_of(
    item: Mapping[str, Any],
    properties: Mapping[str, Any],
    source: ItemSource,
    profile: Profile,
    sensor: str,
    baseline: str | None,
) -> tuple[dict[str, BandAsset], tuple[str, ...]]:
    """The files of the bands and masks that the item has, and remarks on how they are read."""
    assets = as_object(item.get("assets"), "assets")
    found: dict[str, BandAsset] = {}
    notes: set[str] = set()
    for band, rule in profile.bands.items():
        key = asset_key(assets, rule, sensor)
        if key is None:
            continue
        numbers, resolution, href = _asset(assets[key], key, source)
        try:
            decided = decide_numbers(profile.values, properties, numbers, baseline)
        except ContradictionError as error:
            raise RefusedError("offset-contradiction", f"{key}: {error}") from error
        except UndecidedError as error:
            raise RefusedError("offset-unknown", f"{key}: {error}") from error
        notes.update(decided.notes)
        found[band] = _band_asset(href, decided, resolution or rule.resolution_m)
    if not found:
        raise RefusedError("missing-asset", "it has none of the profile's bands")
    if profile.mask.kind == "values" and profile.mask.band not in found:
        raise RefusedError("missing-asset", f"it has no band {profile.mask.band}")
    for place, needed in ((profile.mask, True), (profile.saturation, False)):
        if place is None or isinstance(place, ValueMask):
            continue
        key = next((name for name in place.assets if name in assets), None)
        if key is None and needed:
            raise RefusedError("missing-asset", f"it has no mask ({', '.join(place.assets)})")
        if key is None:
            notes.add(f"no {place.band}: saturation not checked")
            continue
        _, resolution, href = _asset(assets[key], key, source)
        found[place.band] = BandAsset(href, 1.0, 0.0, None, resolution or place.resolution_m)
    return found, tuple(sorted(notes))


def asset_key(assets: Mapping[str, Any], rule: BandRule, sensor: str) -> str | None:
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
        raise RefusedError("broken-item", f"its asset {key} has no href")
    try:
        href = resolve(asset["href"], source.base, remote=source.remote, trusted=source.trusted)
    except (UnsafeReferenceError, ValueError) as error:
        raise RefusedError("unsafe-address", f"asset {key}: {error}") from error
    try:
        stated = stated_numbers(asset)
    except ValueError as error:
        raise RefusedError("broken-values", f"asset {key}: {error}") from error
    resolution = stated.resolution_m
    return stated, resolution if resolution and resolution > 0 else None, href


def _band_asset(href: str, numbers: Numbers, resolution: float | None) -> BandAsset:
    return BandAsset(href, numbers.scale, numbers.offset, numbers.nodata, resolution)
