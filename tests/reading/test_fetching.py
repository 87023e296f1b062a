"""What is asked of servers: each block once, nothing twice, and nothing believed too early."""

from __future__ import annotations

import logging
import multiprocessing
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from answering import Answer, Answering, Asked, answering, served_part
from odc.geo.geobox import GeoBox
from range_server import KINDS, FaultPlan, RangeServer
from rasterio.windows import Window
from served_ground import box

from afterrains.scenes import ranges
from afterrains.scenes.failures import Patience, UnreadableError
from afterrains.scenes.plan import blocks_under
from afterrains.scenes.ranges import RangeClient
from afterrains.scenes.reader import WindowReader
from afterrains.scenes.signing import SigningService, store_name
from afterrains.scenes.store import BlockStore

Write = Callable[..., Path]
EAGER = Patience(tries=5, first_wait_s=0.0)
HEAD = 16_384


@pytest.fixture
def band(write: Write, rng: np.random.Generator) -> Path:
    """512 x 512 pixels of noise in 64 blocks."""
    return write("band.tif", rng.integers(1, 60_000, (512, 512), dtype=np.uint16), predictor=2)


def read(server: RangeServer, geoboxes: list[GeoBox], store: BlockStore | None, **how: Any) -> Any:
    with WindowReader(store, **{"patience": EAGER, **how}) as reader:
        return [r.numbers for r in reader.read(f"{server.address}/band.tif", geoboxes)]


def sent(server: RangeServer) -> int:
    """Bytes since the last call."""
    found, server.bytes_sent = server.bytes_sent, 0
    return found


def test_only_the_blocks_that_windows_need_and_each_once(band: Path, server: RangeServer):
    """Bytes at the server: the head and the distinct blocks under four overlapping windows."""
    windows = [box(0, 0, 10, 10), box(5, 5, 50, 50), box(60, 60, 10, 10), box(400, 400, 5, 5)]
    places = [Window(0, 0, 10, 10), Window(5, 5, 50, 50), Window(60, 60, 10, 10)]
    with rasterio.open(band) as dataset:
        blocks = blocks_under(dataset, [*places, Window(400, 400, 5, 5)])
        expected = dataset.read(1)
    assert len(blocks) == 5
    found = read(server, windows, None)
    assert sent(server) == HEAD + sum(block.length for block in blocks)
    assert server.requests <= 1 + len(blocks)
    assert np.array_equal(found[1], expected[5:55, 5:55])


def test_a_second_read_pulls_nothing_and_a_new_file_only_itself(
    band: Path, server: RangeServer, tmp_path: Path, folder: Path
):
    """Another reader, as a later run would be; then one more date."""
    first = read(server, [box(0, 0, 100, 100)], BlockStore(tmp_path / "store"))
    assert sent(server) > 0
    again = read(server, [box(0, 0, 100, 100)], BlockStore(tmp_path / "store"))
    assert sent(server) == 0
    assert np.array_equal(first[0], again[0])
    wider = read(server, [box(0, 0, 129, 100)], BlockStore(tmp_path / "store"))
    with rasterio.open(band) as dataset:
        added = blocks_under(dataset, [Window(0, 128, 100, 1)])
    assert sent(server) == sum(block.length for block in added)
    assert np.array_equal(wider[0][:100], first[0])
    (folder / "later.tif").write_bytes(band.read_bytes())
    with WindowReader(BlockStore(tmp_path / "store")) as reader:
        dates = [f"{server.address}/{name}" for name in ("band.tif", "later.tif")]
        both = [f.result()[0] for f in reader.start_all(dates, [box(0, 0, 100, 100)]).values()]
    with rasterio.open(band) as dataset:
        blocks = blocks_under(dataset, [Window(0, 0, 100, 100)])
    assert sent(server) == HEAD + sum(block.length for block in blocks)
    assert np.array_equal(both[0].numbers, both[1].numbers)


def test_a_file_that_gdal_decodes_is_pulled_once_too(
    write: Write, server: RangeServer, tmp_path: Path, rng: np.random.Generator
):
    write("band.tif", rng.integers(1, 60_000, (512, 512), dtype=np.uint16), compress="lzw")
    store = BlockStore(tmp_path / "store")
    first = read(server, [box(0, 0, 100, 100)], store)
    assert sent(server) > 0
    assert np.array_equal(read(server, [box(0, 0, 100, 100)], store)[0], first[0])
    assert sent(server) == 0


def _read_here(address: str, store: Path) -> bytes:
    with WindowReader(BlockStore(store), EAGER) as reader:
        (found,) = reader.read(address, [box(0, 0, 300, 300)])
    return found.numbers.tobytes()


def test_two_processes_at_once_pull_each_block_once(
    band: Path, server: RangeServer, tmp_path: Path
):
    """The bytes at the server are those of one."""
    alone = read(server, [box(0, 0, 300, 300)], None)[0].tobytes()
    once = sent(server)
    server.plan = FaultPlan(every=2**60, always={"band": "slow"})
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        jobs = [(f"{server.address}/band.tif", tmp_path / "store")] * 2
        assert pool.starmap(_read_here, jobs) == [alone, alone]
    assert sent(server) == once


def test_a_spoilt_block_is_asked_for_again(band: Path, server: RangeServer, tmp_path: Path):
    store = BlockStore(tmp_path / "store")
    first = read(server, [box(0, 0, 10, 10)], store)
    (path,) = (p for p in (tmp_path / "store").rglob("*-*-*") if p.is_file())
    path.write_bytes(path.read_bytes()[:-1] + b"?")
    sent(server)
    assert np.array_equal(read(server, [box(0, 0, 10, 10)], store)[0], first[0])
    assert 0 < sent(server) < HEAD


@pytest.mark.parametrize("kind", KINDS)
def test_every_other_request_failing_changes_no_pixel(
    band: Path, server: RangeServer, tmp_path: Path, kind: str
):
    """Nor does it leave anything in the store that is not the file's."""
    expected = read(server, [box(0, 0, 200, 200)], None)[0]
    server.plan = FaultPlan(every=2, kinds=(kind,))
    patience = Patience(tries=8, first_wait_s=0.0)
    store = BlockStore(tmp_path / "store")
    found = read(server, [box(0, 0, 200, 200)], store, patience=patience, in_flight=1)[0]
    assert server.plan.done[kind] > 1
    server.plan = None
    sent(server)
    assert np.array_equal(found, expected)
    assert np.array_equal(read(server, [box(0, 0, 200, 200)], store)[0], expected)
    assert sent(server) == 0


@pytest.mark.parametrize("kind", ["cut", "truncate", "lie", "500", "404"])
def test_a_lasting_failure_is_reported_and_leaves_nothing(
    band: Path, server: RangeServer, tmp_path: Path, kind: str
):
    server.plan = FaultPlan(every=2**60, always={"band": kind})
    with pytest.raises(UnreadableError):
        read(server, [box(0, 0, 200, 200)], BlockStore(tmp_path / "store"))
    assert BlockStore(tmp_path / "store").size().parts == 0
    server.plan = None
    assert (read(server, [box(0, 0, 9, 9)], BlockStore(tmp_path / "store"))[0] > 0).all()


def test_a_file_that_changed_is_read_anew_as_a_whole(
    band: Path, write: Write, server: RangeServer, tmp_path: Path, rng: np.random.Generator
):
    """Blocks of two versions are never mixed: the old head with new blocks would be."""
    store = BlockStore(tmp_path / "store")
    read(server, [box(0, 0, 10, 10)], store)
    newer = rng.integers(1, 30_000, (512, 512), dtype=np.uint16)
    write("band.tif", newer, predictor=2)
    found = read(server, [box(0, 0, 200, 200)], store)[0]
    assert np.array_equal(found, newer[:200, :200])


@pytest.fixture
def scripted() -> Iterator[Callable[..., Answering]]:
    """Start a server that answers by a function of the request."""
    with ExitStack() as running:
        yield lambda answer: running.enter_context(answering(answer))


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


def test_no_query_string_is_kept_or_told(
    band: Path, server: RangeServer, tmp_path: Path, caplog: pytest.LogCaptureFixture
):
    """Neither in the store, nor in the library's own debugging lines, nor in a failure."""
    address = f"{server.address}/band.tif?sig=SECRET"
    with caplog.at_level(logging.DEBUG), WindowReader(BlockStore(tmp_path / "s"), EAGER) as reader:
        reader.read(address, [box(0, 0, 10, 10)])
        server.plan = FaultPlan(every=2**60, always={"band": "500"})
        with pytest.raises(UnreadableError) as failure:
            reader.read(address, [box(300, 300, 10, 10)])
    assert "SECRET" not in f"{failure.value}{caplog.text}"
    assert "band.tif" in caplog.text
    kept = [path for path in (tmp_path / "s").rglob("*") if path.is_file()]
    assert kept
    assert not any(b"SECRET" in path.read_bytes() or "SECRET" in str(path) for path in kept)
