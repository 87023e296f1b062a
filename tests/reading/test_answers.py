"""What a server answers to one request: believed only where all of it agrees."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from typing import Any
from urllib.parse import urlsplit

import pytest
import urllib3
from answering import Answer, Answering, Asked, answering, served_part

from afterrains.scenes import ranges
from afterrains.scenes.failures import Patience, UnreadableError
from afterrains.scenes.ranges import RangeClient
from afterrains.scenes.signing import SigningService, store_name


@pytest.fixture
def scripted() -> Iterator[Callable[..., Answering]]:
    """Start a server that answers by a function of the request."""
    with ExitStack() as running:
        yield lambda answer: running.enter_context(answering(answer))


EAGER = Patience(tries=5, first_wait_s=0.0)
CONTENT = bytes(range(100))


def part(asked: Asked) -> Answer:
    return served_part(asked, CONTENT)


@pytest.mark.parametrize(
    ("headers", "words"),
    [
        ({"Content-Range": "bytes 11-20/100"}, "another part"),
        ({"Content-Range": "bytes 10-18/100"}, "another part"),
        ({"Content-Range": "bytes 10-19/*"}, "does not say"),
        ({"Content-Range": "10-19"}, "does not say"),
        ({"Content-Encoding": "gzip"}, "re-coded"),
    ],
    ids=str,
)
def test_answers_that_do_not_agree_with_themselves(
    scripted: Callable[..., Answering], headers: dict[str, str], words: str
):
    """RFC 9110, section 14.4: Content-Range says which part is sent."""
    right = {"Content-Range": "bytes 10-19/100"}
    server = scripted(lambda _: (206, {**right, **headers}, CONTENT[10:20]))
    with pytest.raises(UnreadableError, match=words):
        RangeClient(Patience(2, 0.0)).get(f"{server.address}/a", 10, 10)


@pytest.mark.parametrize("length", [0, 4, 11])
def test_a_body_of_another_length_than_its_range(scripted: Callable[..., Answering], length: int):
    """No length is announced and the line closes: only the range tells how much should come."""
    told = {"Content-Range": "bytes 10-19/100"}
    server = scripted(lambda _: (206, told, iter([CONTENT[10 : 10 + length]])))
    with pytest.raises(UnreadableError, match=f"sent {length} of 10 bytes"):
        RangeClient(Patience(2, 0.0)).get(f"{server.address}/a", 10, 10)


def test_a_small_file_may_come_whole_and_an_end_may_be_short(scripted: Callable[..., Answering]):
    whole = scripted(lambda _: (200, {}, CONTENT))
    assert RangeClient().get(f"{whole.address}/a", 90, 50).data == CONTENT[90:]
    ranged = scripted(part)
    answer = RangeClient().get(f"{ranged.address}/a", 90, 50)
    assert (answer.data, answer.size) == (CONTENT[90:], 100)


def test_a_server_that_asks_to_wait_is_waited_for(
    scripted: Callable[..., Answering], monkeypatch: pytest.MonkeyPatch
):
    """429 with Retry-After (RFC 6585): no sooner than it says."""
    waits: list[float] = []
    monkeypatch.setattr("afterrains.scenes.failures.time.sleep", waits.append)
    tired = {"Retry-After": "7"}
    server = scripted(lambda r: (429, tired, b"") if len(waits) < 2 else part(r))
    assert RangeClient(Patience(5, 0.01)).get(f"{server.address}/a", 0, 10).data == CONTENT[:10]
    assert waits == [7.0, 7.0]


def test_a_trickle_ends_at_the_time_limit(scripted: Callable[..., Answering]):
    """Each byte comes in time, the whole never would."""
    done = threading.Event()

    def pieces() -> Iterator[bytes]:
        for _ in range(100):
            if done.wait(0.05):
                return
            yield b"x"

    told = {"Content-Range": "bytes 0-99/100", "Content-Length": "100"}
    server = scripted(lambda _: (206, told, pieces()))
    with pytest.raises(UnreadableError, match="too slow"):
        RangeClient(Patience(3, 0.0, limit_s=0.4)).get(f"{server.address}/a", 0, 100)
    done.set()


def test_silence_ends_at_its_limit(scripted: Callable[..., Answering]):
    done = threading.Event()

    def silent(asked: Asked) -> Answer:
        done.wait(5)
        return part(asked)

    server = scripted(silent)
    with pytest.raises(UnreadableError, match="does not answer in time"):
        RangeClient(Patience(2, 0.0, silence_s=0.1)).get(f"{server.address}/a", 0, 100)
    done.set()


def test_a_redirect_is_followed_but_not_into_a_private_network(
    scripted: Callable[..., Answering], monkeypatch: pytest.MonkeyPatch
):
    target = scripted(part)
    server = scripted(lambda _: (302, {"Location": f"{target.address}/b"}, b""))
    assert RangeClient().get(f"{server.address}/a", 0, 5).data == CONTENT[:5]
    first_only = iter([False])
    real = ranges.is_private
    monkeypatch.setattr(ranges, "is_private", lambda host: next(first_only, real(host)))
    with pytest.raises(UnreadableError, match="private network"):
        RangeClient(Patience(1)).get(f"{server.address}/a", 0, 5)
    assert len(target.paths) == 1


def test_only_what_came_by_tls_all_the_way_is_called_so(
    scripted: Callable[..., Answering], monkeypatch: pytest.MonkeyPatch
):
    """Every name is led to one server here; what counts is how each was called."""

    def answer(asked: Asked) -> Answer:
        to = {"/out": "http://files.example/a", "/on": "https://files.example/a"}.get(asked.path)
        return (302, {"Location": to}, b"") if to else part(asked)

    server = scripted(answer)
    pool = urllib3.connection_from_url(server.address)
    monkeypatch.setattr(RangeClient, "_pool", lambda _, address: (pool, urlsplit(address).path))
    client = RangeClient(Patience(1))
    sealed = {
        address: client.get(address, 0, 5).sealed
        for address in (
            "https://files.example/a",
            "https://files.example/on",
            "http://files.example/a",
            "http://files.example/on",
            "https://files.example/out",
        )
    }
    assert list(sealed.values()) == [True, True, False, False, False]


def test_an_address_is_signed_anew_once_when_refused(scripted: Callable[..., Answering]):
    """The first signature has run out; a 403 brings a new one, and nothing keeps either."""
    signed: list[bool] = []

    def sign(address: str, afresh: bool) -> str:
        signed.append(afresh)
        return f"{address}?sig={'new' if afresh else 'old'}"

    server = scripted(lambda r: part(r) if r.path.endswith("new") else (403, {}, b""))
    client = RangeClient(Patience(5, 0.0), sign)
    assert client.get(f"{server.address}/a", 0, 5).data == CONTENT[:5]
    assert signed == [False, True]
    never = scripted(lambda _: (403, {}, b""))
    with pytest.raises(UnreadableError, match="answers 403"):
        client.get(f"{never.address}/a", 0, 5)
    assert len(never.paths) == 2


def test_a_signing_service_is_asked_once_for_many_reads(scripted: Callable[..., Answering]):
    files = scripted(part)

    def service(request: Any) -> tuple[int, dict[str, str], bytes]:
        return 200, {}, f'{{"href": "{files.address}/a?sig=SECRET"}}'.encode()

    signer = scripted(service)
    client = RangeClient(EAGER, SigningService(f"{signer.address}/sign"))
    for first in range(3):
        assert client.get(f"{files.address}/a", first, 5).data == CONTENT[first : first + 5]
    assert len(signer.paths) == 1
    assert set(files.paths) == {"/a?sig=SECRET"}
    elsewhere = scripted(lambda _: (200, {}, b'{"href": "http://other.example/a"}'))
    stray = RangeClient(Patience(1), SigningService(f"{elsewhere.address}/sign"))
    with pytest.raises(UnreadableError, match="another server"):
        stray.get(f"{files.address}/a", 0, 5)


def test_the_name_in_the_store_knows_no_signature_but_which_file():
    plain = store_name("https://files.example/a.tif")
    signed = "https://files.example/a.tif?se=2026-01-01&sp=rl&sig=abc%3D"
    assert store_name(signed) == plain
    assert store_name("https://files.example/a.tif?X-Amz-Signature=1&X-Amz-Date=2") == plain
    assert store_name("https://files.example/get?file=a&sig=1") != store_name(
        "https://files.example/get?file=b&sig=1"
    )
