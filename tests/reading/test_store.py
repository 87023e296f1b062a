"""The local store: kept whole or not at all, checked, bounded, shared."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from afterrains.scenes.store import BlockStore, StoreSize

FILE, OTHER = "aa" * 20, "bb" * 20
CHECKSUM = 4


def parts(folder: Path) -> list[Path]:
    return sorted(p for p in folder.rglob("*") if p.is_file() and p.name != ".lock")


def test_what_is_put_is_got(tmp_path: Path):
    store = BlockStore(tmp_path)
    assert store.get(FILE, "1-2") is None
    store.put(FILE, "1-2", b"block")
    assert store.get(FILE, "1-2") == b"block"
    assert store.get(OTHER, "1-2") is None
    assert store.size() == StoreSize(1, 5 + CHECKSUM)
    store.forget(FILE, "1-2")
    assert store.get(FILE, "1-2") is None


@pytest.mark.parametrize("spoil", ["turn", "cut", "empty", "longer"])
def test_a_spoilt_part_is_not_there(tmp_path: Path, spoil: str):
    """One bit turned, the end lost, all lost, something added."""
    store = BlockStore(tmp_path)
    store.put(FILE, "1-2", b"block" * 100)
    (path,) = parts(tmp_path)
    content = path.read_bytes()
    turned = content[:-9] + bytes([content[-9] ^ 1]) + content[-8:]
    spoilt = {"turn": turned, "cut": content[:-1], "empty": b"", "longer": content + b"x"}
    path.write_bytes(spoilt[spoil])
    assert store.get(FILE, "1-2") is None
    assert parts(tmp_path) == []


def test_what_was_used_longest_ago_goes_first(tmp_path: Path):
    """Ten parts of 1000 bytes and a budget of six: down to nine tenths of it, five stay."""
    store = BlockStore(tmp_path, budget_bytes=6 * (1000 + CHECKSUM))
    for number in range(10):
        BlockStore(tmp_path).put(FILE, f"{number}", bytes(1000))
        path = tmp_path / FILE[:2] / FILE / f"{number}"
        os.utime(path, (0, time.time() - 100_000 + number * 1000))
    assert store.get(FILE, "0") is not None  # used just now
    assert store.shrink().parts == 5
    assert {path.name for path in parts(tmp_path)} == {"0", "6", "7", "8", "9"}
    assert store.size().stored_bytes <= store.budget_bytes


def test_the_budget_holds_while_parts_come_in(tmp_path: Path):
    """Passed by a fiftieth and one part at most."""
    store = BlockStore(tmp_path, budget_bytes=100_000)
    for number in range(300):
        store.put(FILE, f"{number}", bytes(1000))
        if number % 50 == 0:
            assert store.size().stored_bytes <= 100_000 * 1.02 + 1100
    assert store.size().stored_bytes <= 100_000 * 1.02 + 1100


def test_a_store_that_cannot_be_written_is_done_without(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
):
    (tmp_path / "store").write_text("a file stands here")
    store = BlockStore(tmp_path / "store")
    with store.hold(FILE):
        store.put(FILE, "1", b"block")
    store.put(FILE, "2", b"block")
    assert store.get(FILE, "1") is None
    assert caplog.text.count("cannot be written") == 1


WRITER = """
import sys
from pathlib import Path
from afterrains.scenes.store import BlockStore
store = BlockStore(Path(sys.argv[1]))
block = bytes(range(256)) * 40_000
number = 0
while True:
    store.put("aa" * 20, f"{number}", block)
    number += 1
"""


def test_killed_in_mid_write_every_part_is_whole(tmp_path: Path):
    """SIGKILL at any moment leaves whole parts and drafts; drafts go with the next look."""
    for round_ in range(3):
        writer = subprocess.Popen([sys.executable, "-c", WRITER, str(tmp_path)])
        deadline = time.monotonic() + 60
        while len(parts(tmp_path)) < 3 * (round_ + 1) and time.monotonic() < deadline:
            time.sleep(0.01)
        writer.send_signal(signal.SIGKILL)
        writer.wait()
    store = BlockStore(tmp_path)
    whole = [path for path in parts(tmp_path) if not path.name.startswith(".")]
    assert len(whole) >= 3
    assert all(store.get(FILE, path.name) == bytes(range(256)) * 40_000 for path in whole)
    for path in parts(tmp_path):
        if path.name.endswith(".partial"):
            os.utime(path, (0, time.time() - 7200))
    store.shrink()
    assert all(not path.name.startswith(".") for path in parts(tmp_path))


def _write_many(folder: Path, seed: int) -> int:
    store = BlockStore(folder, budget_bytes=400_000)
    wrong = 0
    for number in range(200):
        name = f"{(number * 7 + seed) % 100}"
        found = store.get(FILE, name)
        wrong += found not in (None, name.encode() * 5000)
        store.put(FILE, name, name.encode() * 5000)
    return wrong


def test_two_processes_write_and_evict_at_once(tmp_path: Path):
    """The same names from both sides, with evictions: nobody ever gets another's or half a part."""
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        assert pool.starmap(_write_many, [(tmp_path, 0), (tmp_path, 50)]) == [0, 0]
    assert BlockStore(tmp_path, 400_000).shrink().stored_bytes <= 400_000
