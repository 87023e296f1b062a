"""What the open net says leads nowhere inside: not by name, not by redirect, not by a huge body.

Which addresses are not on the open net is the registry of RFC 6890, as Python's `ipaddress` has it.
"""

from __future__ import annotations

import gzip
import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from answering import answering
from urllib3 import Retry

from afterrains.errors import InputError
from afterrains.scenes import Patience, inside
from afterrains.scenes.documents import BrokenDocumentError, Documents
from afterrains.scenes.failures import UnreadableError
from afterrains.scenes.ranges import RangeClient
from afterrains.scenes.sources import Asked, Remarks, may_lie_inside, raw_items

Answers = dict[str, tuple[int, dict[str, str], bytes]]
ASKED = Asked(("c",), date(2020, 1, 1), date(2020, 12, 31), (0.0, 0.0, 1.0, 1.0))
ONE_TRY = Retry(total=0)


@contextmanager
def _serving(answers: Answers) -> Iterator[int]:
    with answering(lambda asked: answers.get(asked.path, (404, {}, b""))) as server:
        yield int(server.address.rpartition(":")[2])


@pytest.fixture
def outside(names: Callable[[str, str], None]) -> Iterator[tuple[Answers, str]]:
    """A catalogue's server called by a public name, trusted in these tests, and its address."""
    answers: Answers = {}
    names("catalogue.example.org", "127.0.0.1")
    names("stranger.example.org", "127.0.0.1")
    with _serving(answers) as port:
        yield answers, f"http://catalogue.example.org:{port}"


def _json(value: Any) -> tuple[int, dict[str, str], bytes]:
    return 200, {"Content-Type": "application/json"}, json.dumps(value).encode()


@pytest.mark.parametrize("end", ["127.0.0.1", "10.0.0.7", "169.254.169.254", "fd00::1", "::1"])
def test_a_connection_that_ends_inside_is_refused(end: str) -> None:
    with pytest.raises(inside.UnsafeReferenceError, match="trusted_hosts"):
        inside.refuse_inside("files.example.org", end)
    inside.refuse_inside("files.example.org", "8.8.8.8")


def test_a_public_name_that_leads_inside_is_refused_unless_trusted(
    outside: tuple[Answers, str],
) -> None:
    answers, address = outside
    answers["/item.json"] = _json({"type": "Feature"})
    with Documents(ONE_TRY, trusted=frozenset()) as documents:
        with pytest.raises(BrokenDocumentError, match="lies inside this network"):
            documents.read(f"{address}/item.json")
    trusted = frozenset({"catalogue.example.org"})
    with Documents(ONE_TRY, trusted=trusted) as documents:
        assert documents.read(f"{address}/item.json") == {"type": "Feature"}
    assert may_lie_inside(f"{address}/catalog.json", ()) == trusted
    assert may_lie_inside("http://127.0.0.1/catalog.json", ()) is None


@pytest.mark.parametrize(
    "host", ["127.0.0.1", "localhost", "stranger.example.org", "[::ffff:7f00:1]"]
)
def test_a_redirect_leads_nowhere_inside(outside: tuple[Answers, str], host: str) -> None:
    answers, address = outside
    with _serving({"/secret": _json({"key": "inside"})}) as port:
        answers["/item.json"] = (302, {"Location": f"http://{host}:{port}/secret"}, b"")
        trusted = frozenset({"catalogue.example.org"})
        with Documents(ONE_TRY, trusted=trusted) as documents:
            with pytest.raises(BrokenDocumentError, match="lies inside"):
                documents.read(f"{address}/item.json")
        with pytest.raises(UnreadableError, match="lies inside"):
            RangeClient(Patience(1), trusted=trusted).get(f"{address}/item.json", 0, 10)


def test_a_file_named_publicly_that_lies_inside_is_not_read(outside: tuple[Answers, str]) -> None:
    answers, address = outside
    answers["/a.tif"] = (200, {}, b"0123456789")
    with pytest.raises(UnreadableError, match=r"name it under scenes\.trusted_hosts"):
        RangeClient(Patience(2, 0.0), trusted=frozenset()).get(f"{address}/a.tif", 0, 5)
    trusted = frozenset({"catalogue.example.org"})
    assert RangeClient(Patience(1), trusted=trusted).get(f"{address}/a.tif", 0, 5).data == b"01234"


@pytest.mark.parametrize("place", ["http://127.0.0.1:9/more", "file:///etc/hosts", "/etc/hosts"])
def test_a_next_page_leads_nowhere_inside(
    outside: tuple[Answers, str], place: str, tmp_path: Path
) -> None:
    answers, address = outside
    links = [{"rel": "search", "href": f"{address}/search"}]
    answers["/"] = _json(
        {"type": "Catalog", "stac_version": "1.0.0", "id": "c", "description": "", "links": links,
         "conformsTo": ["https://api.stacspec.org/v1.0.0/item-search"]}
    )  # fmt: skip
    answers["/search"] = _json(
        {"type": "FeatureCollection", "features": [{"type": "Feature", "id": "a"}],
         "links": [{"rel": "next", "href": place}]}
    )  # fmt: skip
    trusted = may_lie_inside(address, ())
    with Documents(ONE_TRY, trusted=trusted) as documents:
        with pytest.raises(InputError) as told:
            list(raw_items(f"{address}/", ASKED, documents, Remarks()))
    assert "leads to" in str(told.value)


def test_a_small_body_that_unpacks_to_a_huge_one_is_refused(
    outside: tuple[Answers, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    answers, address = outside
    monkeypatch.setattr(inside, "_LARGEST_BYTES", 1_000_000)
    packed = gzip.compress(b'{"a": "' + b" " * 50_000_000 + b'"}')
    answers["/item.json"] = (200, {"Content-Encoding": "gzip"}, packed)
    answers["/small.json"] = (200, {"Content-Encoding": "gzip"}, gzip.compress(b'{"a": 1}'))
    with Documents(ONE_TRY) as documents:
        with pytest.raises(Exception, match="failed after several tries"):
            documents.read(f"{address}/item.json")
        assert documents.read(f"{address}/small.json") == {"a": 1}


def test_oversized_headers_are_a_failed_read(outside: tuple[Answers, str]) -> None:
    answers, address = outside
    answers["/a"] = (200, {f"X-{n}": "x" * 60_000 for n in range(200)}, b"0123456789")
    with pytest.raises(UnreadableError, match="failed"):
        RangeClient(Patience(1)).get(f"{address}/a", 0, 5)
