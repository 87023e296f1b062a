"""Searching a catalogue for scenes: static, saved as JSON or stac-geoparquet, or a STAC API.

Whatever the source, each raw item is asked three things: is it of a wanted collection, in time, on
the ground asked for. What is not, is no candidate and is not mentioned. Every candidate becomes a
scene or a refusal with its reason.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import requests
from pystac_client import Client
from pystac_client.exceptions import APIError
from shapely import box
from shapely.errors import ShapelyError
from shapely.geometry import shape
from urllib3 import Retry

from afterrains.errors import Finding, InputError, ServiceError
from afterrains.scenes import duplicates, identity
from afterrains.scenes.documents import BrokenDocumentError, Documents, _service_failed, is_address
from afterrains.scenes.geoparquet import is_geoparquet, items_of
from afterrains.scenes.items import (
    ItemSource,
    UnsafeReferenceError,
    _is_private,
    resolve,
    scene_from_item,
    without_query,
)
from afterrains.scenes.model import Refusal, Scene, SearchResult
from afterrains.scenes.profiles import Profiles

__all__ = ["search"]

_PAGE = 100
_MOST_DOCUMENTS = 2_000_000

BBox = tuple[float, float, float, float]


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

    Raises
    ------
    InputError
        If a collection has no profile, or the catalogue is missing or is none.
    ServiceError
        If a server failed after retries.
    """
    profiles.require(tuple(collections))
    asked = _Asked(tuple(collections), start, end, bbox)
    found = _Found()
    with Documents(retries, timeout_s) as documents:
        for item, base in _raw_items(catalogue, asked, documents, found):
            if asked.wants(item):
                source = ItemSource(base, _is_remote(catalogue), asked.collections, asked.longitude)
                found.add(scene_from_item(item, source, profiles), max_cloud_percent)
    scenes = duplicates.assign_overpasses(found.scenes)
    scenes, doubled = duplicates.deduplicate(scenes)
    refused = sorted([*found.refused, *doubled], key=_refusal_order)
    return SearchResult(tuple(scenes), tuple(refused), tuple(found.notes))


@dataclass(frozen=True)
class _Asked:
    """What is searched for."""

    collections: tuple[str, ...]
    start: date
    end: date
    bbox: BBox

    @property
    def boxes(self) -> list[BBox]:
        """One box, or two where it runs across the antimeridian."""
        west, south, east, north = self.bbox
        if west <= east:
            return [self.bbox]
        return [(west, south, 180.0, north), (-180.0, south, east, north)]

    @property
    def longitude(self) -> float:
        """Its middle."""
        west, _, east, _ = self.bbox
        return (west + east + (360 if west > east else 0)) / 2

    def wants(self, item: Mapping[str, Any]) -> bool:
        """Whether an item is a candidate; what cannot be told counts, and is refused later."""
        collection = item.get("collection")
        if isinstance(collection, str) and collection not in self.collections:
            return False
        properties = item.get("properties")
        if isinstance(properties, Mapping):
            when = properties.get("datetime") or properties.get("start_datetime")
            acquired = identity.moment(when)
            if acquired is not None and not self.start <= acquired.date() <= self.end:
                return False
        geometry: Any = item.get("geometry")
        try:
            footprint = shape(geometry)
            meets = any(footprint.intersects(box(*part)) for part in self.boxes)
            return meets or footprint.is_empty
        except (ShapelyError, ValueError, TypeError, AttributeError, KeyError, IndexError):
            return True


@dataclass
class _Found:
    """What the search has gathered so far."""

    scenes: list[Scene] = field(default_factory=list)
    refused: list[Refusal] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def add(self, result: Scene | Refusal, max_cloud_percent: float) -> None:
        if isinstance(result, Refusal):
            self.refused.append(result)
        elif (result.cloud_percent or 0) > max_cloud_percent:
            self.refused.append(
                Refusal(
                    result.scene_id,
                    result.collection,
                    result.acquired,
                    "cloudy",
                    f"cloud cover {result.cloud_percent:g} %, above {max_cloud_percent:g} %",
                )
            )
        else:
            self.scenes.append(result)


def _refusal_order(refusal: Refusal) -> tuple[str, str, str, str]:
    acquired = refusal.acquired.isoformat() if refusal.acquired else ""
    return acquired, refusal.scene_id, refusal.reason, refusal.detail


def _is_remote(catalogue: str) -> bool:
    """A catalogue on this machine, by path or loopback address, may name this machine's files."""
    return is_address(catalogue) and not _is_private(urlsplit(catalogue).hostname or "")


def _raw_items(
    catalogue: str, asked: _Asked, documents: Documents, found: _Found
) -> Iterator[tuple[Mapping[str, Any], str]]:
    """Raw items with the path or address that their references are relative to."""
    if is_geoparquet(catalogue) and not is_address(catalogue):
        yield from _from_geoparquet(Path(catalogue))
        return
    try:
        root = documents.read(catalogue)
    except BrokenDocumentError as error:
        raise _not_a_catalogue(f"{error}") from error
    kind = root.get("type")
    if kind == "Feature":
        yield root, catalogue
    elif kind == "FeatureCollection":
        yield from _collected(root, catalogue, found)
    elif _is_api(root):
        yield from _from_api(catalogue, asked, documents, found)
    elif isinstance(root.get("links"), list):
        yield from _walk(catalogue, root, asked, documents, found)
    else:
        name = without_query(catalogue)
        raise _not_a_catalogue(f"{name} is neither a STAC catalogue nor a collection of items")


def _from_geoparquet(path: Path) -> Iterator[tuple[Mapping[str, Any], str]]:
    try:
        for item in items_of(path):
            yield item, _self_link(item, str(path))
    except (OSError, ValueError) as error:
        raise _not_a_catalogue(f"{error}") from error


def _not_a_catalogue(what: str) -> InputError:
    mend = "name a STAC catalogue, a saved item collection or a STAC API"
    return InputError(
        [Finding("error", "programme", "scenes.catalogue", what, mend, "catalogue-unreadable")]
    )


def _collected(
    root: Mapping[str, Any], place: str, found: _Found
) -> Iterator[tuple[Mapping[str, Any], str]]:
    features = root.get("features")
    for number, item in enumerate(features if isinstance(features, list) else []):
        if isinstance(item, Mapping):
            yield item, _self_link(item, place)
        else:
            what = f"feature {number} is not an object"
            found.refused.append(Refusal("", "", None, "broken-item", what))


def _self_link(item: Mapping[str, Any], place: str) -> str:
    """Where an item says it lives, if that is an address; relative references start there."""
    links = item.get("links")
    for link in links if isinstance(links, list) else []:
        if isinstance(link, Mapping) and link.get("rel") == "self":
            href = link.get("href")
            if isinstance(href, str) and is_address(href):
                return href
    return place


def _links(document: Mapping[str, Any], *rels: str) -> list[str]:
    links = document.get("links")
    return [
        link["href"]
        for link in (links if isinstance(links, list) else [])
        if isinstance(link, Mapping)
        and link.get("rel") in rels
        and isinstance(link.get("href"), str)
    ]


def _walk(
    place: str, root: Mapping[str, Any], asked: _Asked, documents: Documents, found: _Found
) -> Iterator[tuple[Mapping[str, Any], str]]:
    """Items of a static catalogue, depth first in the order of its links, each document once."""
    remote = _is_remote(place)
    seen = {place}
    open_documents: list[tuple[str, Mapping[str, Any]]] = [(place, root)]
    while open_documents:
        base, document = open_documents.pop()
        if document.get("type") == "Collection" and document.get("id") not in asked.collections:
            continue
        for reference in _links(document, "item"):
            item_place = _followed(reference, base, remote, found)
            if item_place is None or item_place in seen:
                continue
            seen.add(item_place)
            try:
                item = dict(documents.read(item_place))
            except BrokenDocumentError as error:
                found.refused.append(Refusal("", "", None, "unreadable-item", str(error)))
                continue
            yield item, item_place
        children = []
        for reference in _links(document, "child"):
            child_place = _followed(reference, base, remote, found)
            if child_place is None or child_place in seen:
                continue
            seen.add(child_place)
            if len(seen) > _MOST_DOCUMENTS:
                raise _not_a_catalogue(f"{without_query(place)} never ends")
            try:
                children.append((child_place, documents.read(child_place)))
            except BrokenDocumentError as error:
                raise _not_a_catalogue(f"a part of the catalogue is missing: {error}") from error
        open_documents += reversed(children)


def _followed(reference: str, base: str, remote: bool, found: _Found) -> str | None:
    try:
        return resolve(reference, base, remote=remote)
    except (UnsafeReferenceError, ValueError) as error:
        what = f"a link of {without_query(base)} {error}"
        found.refused.append(Refusal("", "", None, "unsafe-address", what))
        return None


def _is_api(root: Mapping[str, Any]) -> bool:
    return bool(_links(root, "search")) or isinstance(root.get("conformsTo"), list)


def _from_api(
    address: str, asked: _Asked, documents: Documents, found: _Found
) -> Iterator[tuple[Mapping[str, Any], str]]:
    """Items of a STAC API, page by page, each item once."""
    seen: set[tuple[str, str]] = set()
    try:
        with warnings.catch_warnings():
            # Services that understate what they conform to still answer searches.
            warnings.simplefilter("ignore")
            client = Client.open(address, stac_io=documents.io)
            for part in asked.boxes:
                pages = client.search(
                    collections=list(asked.collections),
                    bbox=list(part),
                    datetime=f"{asked.start}T00:00:00Z/{asked.end}T23:59:59Z",
                    limit=_PAGE,
                ).pages_as_dicts()
                announced, received = None, 0
                for page in pages:
                    announced = _announced(page) if announced is None else announced
                    for item, base in _collected(page, address, found):
                        received += 1
                        key = str(item.get("collection")), str(item.get("id"))
                        if key not in seen:
                            seen.add(key)
                            yield item, base
                if announced is not None and received < announced:
                    found.notes.append(
                        f"{without_query(address)} announced {announced} items and gave {received}"
                    )
    except (APIError, requests.RequestException, OSError) as error:
        raise _service_failed(address, error) from None
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        what = f"{without_query(address)} answered a search with something else than items"
        raise ServiceError(what) from error


def _announced(page: Mapping[str, Any]) -> int | None:
    context = page.get("context")
    matched = context.get("matched") if isinstance(context, Mapping) else None
    number = page.get("numberMatched", matched)
    return number if isinstance(number, int) and not isinstance(number, bool) else None
