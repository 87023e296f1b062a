"""What is remembered of remote files has a bound, whatever their number and their size."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from afterrains.scenes import directory
from afterrains.scenes.directory import Directories, Directory


def _file(number: int) -> Any:
    return SimpleNamespace(name=f"f{number}", version="1", head=bytes([number]))


def _of(blocks: int) -> Any:
    known = {(0, column): None for column in range(blocks)}
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
