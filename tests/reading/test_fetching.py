"""What is asked of servers: each block once, nothing twice, and nothing believed too early."""

from __future__ import annotations

import logging
import multiprocessing
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from odc.geo.geobox import GeoBox
from range_server import KINDS, FaultPlan, RangeServer
from rasterio.transform import from_origin
from rasterio.windows import Window
from served_ground import LEFT, TOP, box

from afterrains.scenes.failures import Patience, UnreadableError
from afterrains.scenes.handlers import HANDLERS, HandlerTable
from afterrains.scenes.plan import blocks_under
from afterrains.scenes.ranges import RangeClient
from afterrains.scenes.reader import WindowReader
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


def _with_directory_at_its_end(path: Path) -> Path:
    """GDAL writes a directory that outgrew its place behind everything else."""
    with rasterio.open(path, "r+") as file:
        file.update_tags(said="more than there was room for " * 20)
    content = path.read_bytes()
    assert int.from_bytes(content[4:8], "little") > HEAD
    return path


def test_a_directory_that_did_not_come_with_the_beginning_is_asked_for(
    band: Path, server: RangeServer
):
    """The expected pixels are GDAL's from the disk."""
    _with_directory_at_its_end(band)
    with rasterio.open(band) as dataset:
        expected = dataset.read(1)
    (found,) = read(server, [box(0, 0, 512, 512)], None)
    assert np.array_equal(found, expected)
    # Head and directory come besides the blocks, each once.
    assert sent(server) < band.stat().st_size + HEAD + 16_384


def test_threads_open_and_shut_files_one_at_a_time_and_wait_for_no_server_meanwhile(
    write: Write, server: RangeServer, rng: np.random.Generator, monkeypatch: pytest.MonkeyPatch
):
    """GDAL keeps who handles which file in a table without a lock (`scenes.handlers`)."""
    names = [f"{number}.tif" for number in range(9)]
    for name in names:
        coding = "lzw" if int(name[0]) % 3 == 2 else "deflate"  # GDAL decodes the first
        path = write(name, rng.integers(1, 60_000, (256, 256), dtype=np.uint16), compress=coding)
        if int(name[0]) % 3 == 1:
            _with_directory_at_its_end(path)
    held = HANDLERS._turn._is_owned  # type: ignore[attr-defined]
    opened, asked = [], []
    real_open, real_close, real_get = (
        rasterio.open,
        rasterio.io.DatasetReader.close,
        RangeClient.get,
    )

    def watched_open(*given: Any, **named: Any) -> Any:
        opened.append(held())
        return real_open(*given, **named)

    def watched_close(dataset: Any) -> None:
        opened.append(held())
        real_close(dataset)

    def watched_get(client: RangeClient, *given: Any) -> Any:
        asked.append(held())
        return real_get(client, *given)

    monkeypatch.setattr("afterrains.scenes.opener.rasterio.open", watched_open)
    monkeypatch.setattr(rasterio.io.DatasetReader, "close", watched_close)
    monkeypatch.setattr(RangeClient, "get", watched_get)
    hrefs = [f"{server.address}/{name}" for name in names]
    with WindowReader(None, EAGER) as reader:
        found = reader.start_all(hrefs, [box(0, 0, 256, 256)])
        assert all(each.result()[0] is not None for each in found.values())
    assert len(opened) >= 2 * len(names) and all(opened)
    assert len(asked) >= 2 * len(names) and not any(asked)


def test_many_look_at_once_and_one_changes_alone():
    table, both, events = HandlerTable(), threading.Barrier(2), []

    def look() -> None:
        with table.looked_into():
            both.wait(timeout=10)  # the other looks too, or this breaks
            time.sleep(0.05)
            events.append("looked")

    def change() -> None:
        with table.changed(), table.looked_into():
            events.append("changes")
            time.sleep(0.05)
            events.append("changed")

    with ThreadPoolExecutor(4) as pool:
        looking = [pool.submit(look), pool.submit(look)]
        changing = [pool.submit(change), pool.submit(change)]
        for each in looking + changing:
            each.result()
    assert events.count("looked") == 2 and events.count("changed") == 2
    # Nothing comes between the beginning of a change and its end.
    for at, event in enumerate(events):
        assert event != "changes" or events[at + 1] == "changed"


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


@pytest.mark.parametrize("side", [512, 1024])
def test_what_is_remembered_of_a_file_serves_its_other_windows(
    write: Write, server: RangeServer, rng: np.random.Generator, side: int
):
    """Window after window by one reader, of a file of few blocks and of one of many."""
    numbers = rng.integers(1, 60_000, (side, side), dtype=np.uint16)
    write("band.tif", numbers, predictor=2)
    with WindowReader(None, EAGER) as reader:
        for at in (0, 300, 0, 450):
            (found,) = reader.read(f"{server.address}/band.tif", [box(at, at, 60, 60)])
            assert np.array_equal(found.numbers, numbers[at : at + 60, at : at + 60])


def test_what_is_remembered_of_a_file_serves_no_newer_one(
    write: Write, server: RangeServer, rng: np.random.Generator
):
    """The newer file lies ten pixels further east and is as long, plain, and laid out alike.

    So nothing but its head tells that the remembered grid is wrong: no block would fail.
    """
    numbers = rng.integers(1, 60_000, (512, 512), dtype=np.uint16)
    address = f"{server.address}/band.tif"
    with WindowReader(None, EAGER) as reader:
        write("band.tif", numbers, compress="none")
        (found,) = reader.read(address, [box(100, 100, 20, 20)])
        assert np.array_equal(found.numbers, numbers[100:120, 100:120])
        write("band.tif", numbers, compress="none", transform=from_origin(LEFT + 100, TOP, 10, 10))
        (found,) = reader.read(address, [box(100, 100, 20, 20)])
        assert np.array_equal(found.numbers, numbers[100:120, 90:110])


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


def test_gdal_is_called_by_one_thread_however_many_files_are_read(
    band: Path, folder: Path, server: RangeServer, monkeypatch: pytest.MonkeyPatch
):
    """GDAL keeps a megabyte for every thread that called it; 16 files are read side by side."""
    names = [f"file-{number}.tif" for number in range(16)]
    for name in names:
        (folder / name).write_bytes(band.read_bytes())
    callers: set[str] = set()
    open_it = rasterio.open

    def noted(*arguments: Any, **how: Any) -> Any:
        callers.add(threading.current_thread().name)
        return open_it(*arguments, **how)

    monkeypatch.setattr(rasterio, "open", noted)
    window = box(0, 0, 10, 10)
    with WindowReader(None, EAGER) as reader:
        started = [reader.start(f"{server.address}/{name}", window) for name in names]
        readings = [each.result() for each in started]
    monkeypatch.undo()
    with rasterio.open(band) as dataset:
        expected = dataset.read(1)[:10, :10]
    assert all(np.array_equal(each.numbers, expected) for each in readings if each)
    assert None not in readings
    assert len(callers) == 1
