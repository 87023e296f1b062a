"""Raw items from wherever they lie: a static catalogue, a saved collection of items, a STAC API.

Everything here hands on items as they came, with the place that their references start from; what
is in them is checked by `items`. A part of a catalogue that is missing stops the search, because
all its items would be missing without a word; a single item that is missing is a refusal.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import requests
from pystac_client import Client
from pystac_client.exceptions import APIError

from afterrains.errors import Finding, InputError, ServiceError
from afterrains.packed import Packed
from afterrains.scenes.documents import BrokenDocumentError, Documents, service_failed
from afterrains.scenes.geoparquet import is_geoparquet, items_of
from afterrains.scenes.model import Refusal
from afterrains.scenes.references import (
    UnsafeReferenceError,
    is_address,
    is_private,
    resolve,
    without_query,
)

__all__ = ["Asked", "BBox", "Remarks", "is_remote", "may_lie_inside", "raw_items"]

_PAGE = 100
_MOST_DOCUMENTS = 2_000_000

BBox = tuple[float, float, float, float]
"""West, south, east, north in degrees; west > east runs across the antimeridian."""


@dataclass(frozen=True)
class Asked:
    """What is searched for."""

    collections: tuple[str, ...]
    start: date
    end: date
    bbox: BBox
    trusted: frozenset[str] = frozenset()
    """Hosts inside this network that a catalogue on the open net may name."""

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


@dataclass
class Remarks:
    """What a search has to say beside the items it hands on."""

    refused: list[Refusal] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def is_remote(catalogue: str) -> bool:
    """A catalogue on this machine, by path or loopback address, may name this machine's files."""
    return is_address(catalogue) and not is_private(urlsplit(catalogue).hostname or "")


def may_lie_inside(catalogue: str, trusted: Iterable[str]) -> frozenset[str] | None:
    """Hosts that may lie inside this network for what a catalogue names; None for all.

    The catalogue's own host is the user's choice and may lie inside; what it leads to may not,
    except for `trusted` hosts. A catalogue on this machine may name anything.
    """
    if not is_remote(catalogue):
        return None
    return frozenset(trusted) | {(urlsplit(catalogue).hostname or "").lower()}


def raw_items(
    catalogue: str, asked: Asked, documents: Documents, remarks: Remarks
) -> Iterator[tuple[Mapping[str, Any], str]]:
    """Raw items with the path or address that their references are relative to."""
    if is_geoparquet(catalogue) and not is_address(catalogue):
        yield from _from_geoparquet(Path(catalogue))
        return
    try:
        root = documents.read(catalogue, packed=True)
    except BrokenDocumentError as error:
        raise _not_a_catalogue(f"{error}") from error
    kind = root.get("type")
    if kind == "Feature":
        yield root, catalogue
    elif kind == "FeatureCollection":
        yield from _collected(root, catalogue, remarks)
    elif _is_api(root):
        yield from _from_api(catalogue, asked, documents, remarks)
    elif isinstance(root.get("links"), list):
        yield from _walk(catalogue, root, asked, documents, remarks)
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
    root: Mapping[str, Any], place: str, remarks: Remarks
) -> Iterator[tuple[Mapping[str, Any], str]]:
    features = root.get("features")
    for number, each in enumerate(features if isinstance(features, list) else []):
        item = each.unpacked() if isinstance(each, Packed) else each
        if isinstance(item, Mapping):
            yield item, _self_link(item, place)
        else:
            what = f"feature {number} is not an object"
            remarks.refused.append(Refusal("", "", None, "broken-item", what))


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
    place: str, root: Mapping[str, Any], asked: Asked, documents: Documents, remarks: Remarks
) -> Iterator[tuple[Mapping[str, Any], str]]:
    """Items of a static catalogue, level by level in the order of the links, each document once.

    The documents of a level are read many at a time, so that a catalogue of thousands on a server
    takes not thousands of times the server's latency.
    """
    remote = is_remote(place)
    seen = {place}
    level: Iterable[tuple[str, Mapping[str, Any]]] = [(place, root)]
    more = True
    while more:
        items: list[str] = []
        children: list[str] = []
        for base, document in level:
            if document.get("type") == "Collection" and document.get("id") not in asked.collections:
                continue
            for rel, found in (("item", items), ("child", children)):
                for reference in _links(document, rel):
                    linked = _followed(reference, base, remote, asked.trusted, remarks)
                    if linked is not None and linked not in seen:
                        seen.add(linked)
                        found.append(linked)
            if len(seen) > _MOST_DOCUMENTS:
                raise _not_a_catalogue(f"{without_query(place)} never ends")
        for item_place, item in zip(items, documents.read_all(items), strict=True):
            if isinstance(item, BrokenDocumentError):
                remarks.refused.append(Refusal("", "", None, "unreadable-item", str(item)))
            else:
                yield item, item_place
        level, more = _parts(children, documents), bool(children)


def _parts(places: Sequence[str], documents: Documents) -> Iterator[tuple[str, Mapping[str, Any]]]:
    for place, document in zip(places, documents.read_all(places), strict=True):
        if isinstance(document, BrokenDocumentError):
            what = f"a part of the catalogue is missing: {document}"
            raise _not_a_catalogue(what) from document
        yield place, document


def _followed(
    reference: str, base: str, remote: bool, trusted: frozenset[str], remarks: Remarks
) -> str | None:
    try:
        return resolve(reference, base, remote=remote, trusted=trusted)
    except (UnsafeReferenceError, ValueError) as error:
        what = f"a link of {without_query(base)} {error}"
        remarks.refused.append(Refusal("", "", None, "unsafe-address", what))
        return None


def _is_api(root: Mapping[str, Any]) -> bool:
    return bool(_links(root, "search")) or isinstance(root.get("conformsTo"), list)


def _from_api(
    address: str, asked: Asked, documents: Documents, remarks: Remarks
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
                announced, given = None, set[tuple[str, str]]()
                for page in pages:
                    announced = _announced(page) if announced is None else announced
                    found = list(_collected(page, address, remarks))
                    keys = [(str(item.get("collection")), str(item.get("id"))) for item, _ in found]
                    if keys and given.issuperset(keys):
                        name = without_query(address)
                        raise ServiceError(f"{name} gives the same page of items over and over")
                    given.update(keys)
                    for key, entry in zip(keys, found, strict=True):
                        if key not in seen:
                            seen.add(key)
                            yield entry
                if announced is not None and len(given) < announced:
                    remarks.notes.append(
                        f"{without_query(address)} announced {announced} items and gave "
                        f"{len(given)}"
                    )
    except (APIError, requests.RequestException, OSError) as error:
        if isinstance(error.__context__, UnsafeReferenceError):
            what = f"{without_query(address)} leads to a place that {error.__context__}"
            raise _not_a_catalogue(what) from None
        raise service_failed(address, error) from None
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        what = f"{without_query(address)} answered a search with something else than items"
        raise ServiceError(what) from error


def _announced(page: Mapping[str, Any]) -> int | None:
    context = page.get("context")
    matched = context.get("matched") if isinstance(context, Mapping) else None
    number = page.get("numberMatched", matched)
    return number if isinstance(number, int) and not isinstance(number, bool) else None
