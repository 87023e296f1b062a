"""What is remembered of remote files has a bound, whatever their number and their size."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import rasterio
from rasterio.windows import Window
from served_ground import box

from afterrains.scenes import directory
from afterrains.scenes.directory import Directories, Directory
from afterrains.scenes.plan import block_at, blocks_under

Write = Callable[..., Path]


def _file(number: int) -> Any:
    return SimpleNamespace(name=f"f{number}", version="1", head=bytes([number]))


def _of(blocks: int) -> Any:
    known = np.zeros((blocks, 3), np.int64)
    return Directory(grid=None, nodata=None, coding=None, _blocks=known)  # type: ignore[arg-type]


@pytest.mark.parametrize(("files", "blocks", "kept"), [(3, 1_000, 3), (100, 64, 6), (100, 500, 1)])
def test_the_files_read_last_are_known(
    monkeypatch: pytest.MonkeyPatch, files: int, blocks: int, kept: int
) -> None:
    """As many as either bound leaves, by hand (400 // 64 = 6), and always the newest."""
    monkeypatch.setattr(directory, "_MOST_KNOWN", files)
    monkeypatch.setattr(directory, "_MOST_BLOCKS", 400)
    if files == 3:
        monkeypatch.setattr(directory, "_MOST_BLOCKS", 10**6)
    known = Directories()
    for number in range(20):
        known.keep(_file(number), _of(blocks))
        known.keep(_file(number), _of(blocks))  # counted once
    found = [number for number in range(20) if known.get(_file(number)) is not None]
    assert found == list(range(20 - kept, 20))
    known.forget(_file(19))
    assert known.get(_file(19)) is None
    known.keep(_file(0), _of(blocks))
    found = [number for number in range(20) if known.get(_file(number)) is not None]
    assert found == [0, *range(20 - kept, 19)]


@pytest.mark.parametrize("side", [64, 16])
def test_blocks_looked_up_bit_by_bit_are_those_of_gdal(
    write: Write, rng: np.random.Generator, side: int
) -> None:
    """The standard is GDAL's own account of the file, by `blocks_under`.

    Of a file with few blocks all are looked up at once (4 x 4), of one with many (13 x 13) those
    asked for; what is known of it grows, and the directory before knows no more than it did.
    """
    numbers = rng.integers(1, 3000, (200, 205), dtype=np.uint16)
    path = write("band.tif", numbers, blockxsize=side, blockysize=side)
    windows = [box(0, 0, 30, 30), box(100, 90, 40, 50), box(20, 10, 30, 100), box(0, 0, 30, 30)]
    with rasterio.open(path) as dataset:
        known = Directory.of(dataset, b"II")
        assert known is not None
        assert known.known(windows[:1]) is None
        for window in windows:
            wiser = known.looked_up([window], dataset)
            inside = [each for each in wiser.windows if each is not None]
            assert wiser.blocks == blocks_under(dataset, inside)
            again = wiser.directory.known([window])
            assert again is not None
            assert again.blocks == wiser.blocks
            before, known = known, wiser.directory
            assert before.blocks_known <= known.blocks_known
        every = len(blocks_under(dataset, [Window(0, 0, 205, 200)]))
        assert (known.blocks_known == every) == (side == 64)


@pytest.mark.parametrize("value", ["-1", str(2**63), str(2**64 - 1)])
@pytest.mark.parametrize("what", ["OFFSET", "SIZE"])
def test_a_block_that_no_file_can_hold_is_told(what: str, value: str) -> None:
    """BigTIFF's offsets have 64 bits without a sign."""

    def tag(name: str, _space: str, bidx: int) -> str:
        return value if what in name else "8"

    with pytest.raises(ValueError, match="directory of blocks is broken"):
        block_at(SimpleNamespace(get_tag_item=tag), 0, 0)
