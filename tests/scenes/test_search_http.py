"""Searching over HTTP: services page by page, static catalogues many documents at a time."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from answering import Answer, Asked, answering
from searching import ALL_TIME, EAGER, HERE, find

from afterrains.errors import ServiceError
from afterrains.scenes import Profiles
from afterrains.scenes.documents import Documents
from afterrains.scenes.sources import Asked as SourceAsked
from afterrains.scenes.sources import Remarks, raw_items

MakeItem = Callable[..., dict[str, Any]]
WriteCatalogue = Callable[..., Path]


class Service:
    """A STAC API of pages, which can fail, or a static catalogue, over HTTP."""

    address = ""

    def __init__(self, pages: list[dict[str, Any]], statuses: list[int]) -> None:
        self.pages, self.statuses = pages, statuses
        self.requests: list[dict[str, Any]] = []
        self.documents: dict[str, Any] = {}

    def answer(self, asked: Asked) -> Answer:
        """A page, a document, or the next status that was told."""
        document = self._found(asked) if asked.method == "POST" else self._document(asked)
        status = self.statuses.pop(0) if self.statuses else 200
        text = json.dumps(document) if status == 200 else "{}"
        return status, {"Content-Type": "application/json"}, text.encode()

    def _found(self, asked: Asked) -> dict[str, Any]:
        body = json.loads(asked.body or "{}")
        number = int(body.get("token", 0))
        page = dict(self.pages[number], links=[])
        if number + 1 < len(self.pages):
            link = {"rel": "next", "method": "POST", "href": f"{self.address}/search"}
            page["links"] = [{**link, "body": {**body, "token": number + 1}}]
        self.requests.append(body)
        return page

    def _document(self, asked: Asked) -> Any:
        links = [
            {"rel": "self", "href": self.address},
            {"rel": "search", "href": f"{self.address}/search", "method": "POST"},
        ]
        api = {
            "type": "Catalog", "id": "api", "description": "test", "stac_version": "1.0.0",
            "links": links,
            "conformsTo": [f"https://api.stacspec.org/v1.0.0/{c}" for c in ("core", "item-search")],
        }  # fmt: skip
        return self.documents.get(asked.path.split("?")[0], api)


@pytest.fixture
def service() -> Iterator[Callable[..., Service]]:
    with ExitStack() as running:

        def _start(pages: list[dict[str, Any]], statuses: tuple[int, ...] = ()) -> Service:
            made = Service(pages, list(statuses))
            made.address = running.enter_context(answering(made.answer)).address
            return made

        yield _start


def page(items: list[dict[str, Any]], matched: int | None = None) -> dict[str, Any]:
    found: dict[str, Any] = {"type": "FeatureCollection", "features": items}
    return found if matched is None else {**found, "numberMatched": matched}


def remote_item(make_item: MakeItem, number: int) -> dict[str, Any]:
    files = {key: f"https://data.example.org/{number}/{key}.tif" for key in ("red", "nir", "scl")}
    return make_item(
        f"S2A_31PDR_2020011{number}_0_L2A",
        assets=files,
        datetime=f"2020-01-1{number}T10:20:31Z",
    )


def test_service_is_asked_page_by_page(
    make_item: MakeItem, service: Callable[..., Service], profiles: Profiles
):
    """Two pages, one item twice, two answers that fail on the way."""
    items = [remote_item(make_item, n) for n in range(1, 4)]
    api = service([page(items[:2], 3), page(items[1:], 3)], (200, 503, 200, 429))
    found = find(api.address, profiles, start=date(2020, 1, 1), end=date(2020, 1, 31))
    assert [scene.scene_id for scene in found.scenes] == [item["id"] for item in items]
    assert found.notes == ()
    assert found.scenes[0].bands["red"].href == "https://data.example.org/1/red.tif"
    asked = api.requests[0]
    assert asked["collections"] == ["sentinel-2-l2a"]
    assert asked["bbox"] == list(HERE)
    assert asked["datetime"] == "2020-01-01T00:00:00Z/2020-01-31T23:59:59Z"


def test_service_that_gives_fewer_than_it_announced_is_noted(
    make_item: MakeItem, service: Callable[..., Service], profiles: Profiles
):
    api = service([page([remote_item(make_item, 1)], 7)])
    found = find(api.address, profiles)
    assert found.notes == (f"{api.address} announced 7 items and gave 1",)


def test_an_item_given_twice_counts_once_against_what_was_announced(
    make_item: MakeItem, service: Callable[..., Service], profiles: Profiles
):
    items = [remote_item(make_item, n) for n in range(1, 4)]
    api = service([page(items[:2], 4), page(items[1:], 4)])
    assert find(api.address, profiles).notes == (f"{api.address} announced 4 items and gave 3",)


@pytest.mark.parametrize("back_to", [0, 1])
def test_pages_that_go_round_in_a_circle_end_the_search(
    make_item: MakeItem, service: Callable[..., Service], profiles: Profiles, back_to: int
):
    """A second page whose next is the first, or itself: what is missing nobody can tell."""
    items = [remote_item(make_item, n) for n in range(1, 4)]
    api = service([page(items[:2]), page(items[2:])])
    found = api._found

    def circling(asked: Asked) -> dict[str, Any]:
        body = json.loads(asked.body or "{}")
        if len(api.requests) > 10:
            pytest.fail("asked without end")
        answer = found(asked)
        if int(body.get("token", 0)) == 1:
            link = {"rel": "next", "method": "POST", "href": f"{api.address}/search"}
            answer["links"] = [{**link, "body": {**body, "token": back_to}}]
        return answer

    api._found = circling  # type: ignore[method-assign]
    with pytest.raises(ServiceError, match="the same page of items over and over"):
        find(api.address, profiles)


def test_service_that_stays_down(service: Callable[..., Service], profiles: Profiles):
    """After the retries, without the query string, and with exit status 3."""
    api = service([page([])], tuple([500] * 50))
    with pytest.raises(ServiceError, match="failed after several tries") as failure:
        find(f"{api.address}/?key=SECRET", profiles)
    assert "SECRET" not in str(failure.value)
    assert failure.value.exit_status == 3


def test_nobody_answers(profiles: Profiles, caplog: pytest.LogCaptureFixture):
    """Neither the message nor what the HTTP library logs of its retries tells the key."""
    with pytest.raises(ServiceError, match="failed after several tries") as failure:
        find("http://127.0.0.1:9/?key=SECRET", profiles)
    assert "Retrying" in caplog.text
    assert "SECRET" not in caplog.text + str(failure.value)


def test_static_catalogue_over_http(
    make_item: MakeItem, service: Callable[..., Service], profiles: Profiles
):
    """Relative links and assets start at the address of their document."""
    web = service([])
    web.documents = {
        "/stac/catalog.json": {
            "type": "Catalog",
            "links": [{"rel": "item", "href": "./items/1.json"}],
        },
        "/stac/items/1.json": make_item(),
    }
    (scene,) = find(f"{web.address}/stac/catalog.json", profiles).scenes
    assert scene.bands["red"].href == f"{web.address}/stac/items/red.tif"


def test_many_documents_are_read_at_a_time_in_the_order_of_their_links(
    make_item: MakeItem, service: Callable[..., Service]
):
    """Each answer waits until eight are asked for at once; one of them fails at first.

    A reader of one document at a time would never see the barrier open.
    """
    web, barrier, lock, slept = service([]), threading.Barrier(8), threading.Lock(), set[str]()
    months = [f"/m{number:02}.json" for number in range(8)]
    items = {f"/m{m:02}-{n}.json": make_item(f"item-{m:02}-{n}") for m in range(8) for n in (1, 2)}
    web.documents = {
        "/catalog.json": {"type": "Catalog", "links": [{"rel": "child", "href": m} for m in months]}
    } | items
    for month in months:
        names = [name for name in items if name.startswith(month.removesuffix(".json"))]
        links = [{"rel": "item", "href": name} for name in names]
        web.documents[month] = {"type": "Catalog", "links": links}

    def held(asked: Asked) -> Answer:
        if asked.path != "/catalog.json":
            with lock:
                first = asked.path not in slept
                slept.add(asked.path)
            if first:
                barrier.wait(timeout=10)
                if asked.path.startswith("/m03"):
                    return 503, {}, b""
        return web.answer(asked)

    with answering(held) as server, Documents(EAGER, 60) as documents:
        remarks = Remarks()
        asked = SourceAsked(("sentinel-2-l2a",), *ALL_TIME, HERE)
        found = list(raw_items(f"{server.address}/catalog.json", asked, documents, remarks))
    assert [item["id"] for item, _ in found] == [item["id"] for item in items.values()]
    assert [place for _, place in found] == [f"{server.address}{name}" for name in items]
    assert not remarks.refused
    assert not barrier.broken, "documents were asked for a few at a time"
