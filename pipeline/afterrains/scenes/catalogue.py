"""Searching a catalogue for scenes: static, saved as JSON or stac-geoparquet, or a STAC API.

Whatever the source, each raw item is asked three things: is it of a wanted collection, in time, on
the ground asked for. What is not, is no candidate and is not mentioned. Every candidate becomes a
scene or a refusal with its reason.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

import numpy as np
from shapely import box
from shapely.errors import ShapelyError
from shapely.geometry import shape
from urllib3 import Retry

from afterrains.scenes import duplicates, identity
from afterrains.scenes.documents import Documents
from afterrains.scenes.items import ItemSource, scene_from_item
from afterrains.scenes.model import Refusal, Scene, SearchResult
from afterrains.scenes.profiles import Profiles
from afterrains.scenes.sources import Asked, BBox, Remarks, is_remote, may_lie_inside, raw_items

__all__ = ["search"]


def search(
    catalogue: str,
    collections: Sequence[str],
    start: date,
    end: date,
    bbox: BBox,
    max_cloud_percent: float,
    profiles: Profiles,
    *,
    retries: Retry | None = None,
    timeout_s: float = 60,
    trusted_hosts: Sequence[str] = (),
) -> SearchResult:
    """All scenes of a catalogue over a place and time, and those not used with their reasons.

    Parameters
    ----------
    catalogue : str
        Path or address of a static STAC catalogue or collection, of an item collection saved as
        GeoJSON, the path of a stac-geoparquet file, or the address of a STAC API.
    collections : sequence of str
        Collection ids as the catalogue spells them; each needs a profile.
    start, end : date
        First and last day of acquisition, UTC, inclusive.
    bbox : (west, south, east, north)
        Degrees; west > east runs across the antimeridian.
    max_cloud_percent : float
        Scenes whose `eo:cloud_cover` is above are refused as "cloudy"; unknown cover is kept.
    profiles : Profiles
        See `load_profiles`.
    retries : urllib3.Retry, optional
        How often requests are tried again, and with what pauses.
    timeout_s : float
        How long a server may be silent.
    trusted_hosts : sequence of str
        Hosts inside this network that a catalogue on the open net may name.

    Raises
    ------
    InputError
        If a collection has no profile, or the catalogue is missing or is none.
    ServiceError
        If a server failed after retries.
    """
    profiles.require(tuple(collections))
    trusted = frozenset(trusted_hosts)
    asked = Asked(tuple(collections), start, end, bbox, trusted)
    remarks = Remarks()
    found: list[Scene] = []
    with Documents(retries, timeout_s, may_lie_inside(catalogue, trusted)) as documents:
        for item, base in raw_items(catalogue, asked, documents, remarks):
            if not _is_candidate(item, asked):
                continue
            source = ItemSource(
                base, is_remote(catalogue), asked.collections, asked.longitude, trusted
            )
            result = scene_from_item(item, source, profiles)
            if isinstance(result, Scene) and (result.cloud_percent or 0) > max_cloud_percent:
                result = _too_cloudy(result, max_cloud_percent)
            if isinstance(result, Scene):
                found.append(result)
            else:
                remarks.refused.append(result)
    scenes, doubled = duplicates.deduplicate(duplicates.assign_overpasses(found))
    refused = sorted([*remarks.refused, *doubled], key=_refusal_order)
    return SearchResult(tuple(scenes), tuple(refused), tuple(remarks.notes))


def _too_cloudy(scene: Scene, most: float) -> Refusal:
    detail = f"cloud cover {scene.cloud_percent:g} %, above {most:g} %"
    return Refusal(scene.scene_id, scene.collection, scene.acquired, "cloudy", detail)


def _is_candidate(item: Mapping[str, Any], asked: Asked) -> bool:
    """Whether an item is a candidate; what cannot be told counts, and is refused later."""
    collection = item.get("collection")
    if isinstance(collection, str) and collection not in asked.collections:
        return False
    properties = item.get("properties")
    if isinstance(properties, Mapping):
        when = properties.get("datetime") or properties.get("start_datetime")
        acquired = identity.moment(when)
        if acquired is not None and not asked.start <= acquired.date() <= asked.end:
            return False
    geometry: Any = item.get("geometry")
    try:
        with np.errstate(all="ignore"):
            footprint = shape(geometry)
            meets = any(footprint.intersects(box(*part)) for part in asked.boxes)
        return meets or footprint.is_empty
    except (ShapelyError, ValueError, TypeError, AttributeError, KeyError, IndexError):
        return True


def _refusal_order(refusal: Refusal) -> tuple[str, str, str, str]:
    acquired = refusal.acquired.isoformat() if refusal.acquired else ""
    return acquired, refusal.scene_id, refusal.reason, refusal.detail
