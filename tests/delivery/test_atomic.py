"""A file is whole or not there, and a disk that fails is told in words."""

from __future__ import annotations

import errno
import json
import os
from pathlib import Path
from typing import Any

import pytest

from afterrains.delivery.atomic import (
    atomic_path,
    move_to,
    remove_partials,
    write_bytes,
    write_json,
)
from afterrains.errors import OutputError
from afterrains.packed import Packed


def _names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_the_file_is_whole_and_alone(tmp_path: Path) -> None:
    """Nothing but the file itself stays, in folders that are made for it."""
    assert write_bytes(tmp_path / "a" / "b.bin", b"whole").read_bytes() == b"whole"
    assert _names(tmp_path / "a") == ["b.bin"]


def test_nobody_sees_the_file_before_it_is_whole(tmp_path: Path) -> None:
    """While the block writes, the old file stands; the temporary name is hidden and beside it."""
    place = write_bytes(tmp_path / "t.csv", b"old")
    with atomic_path(place) as partial:
        partial.write_bytes(b"new, half wr")
        assert place.read_bytes() == b"old"
        assert partial.parent == place.parent
        assert partial.name.startswith(".")
        partial.write_bytes(b"new")
    assert place.read_bytes() == b"new"
    assert _names(tmp_path) == ["t.csv"]


def test_a_failing_block_leaves_the_old_file_and_no_trace(tmp_path: Path) -> None:
    """An exception of the block itself passes through unchanged."""
    place = write_bytes(tmp_path / "t.csv", b"old")
    with pytest.raises(KeyError, match="bug"), atomic_path(place) as partial:
        partial.write_bytes(b"half")
        raise KeyError("bug")
    assert place.read_bytes() == b"old"
    assert _names(tmp_path) == ["t.csv"]


@pytest.mark.parametrize(
    ("code", "told"),
    [
        (errno.ENOSPC, "the disk is full; free some space"),
        (errno.EROFS, "read-only; choose another output folder"),
        (errno.EACCES, "writing is not allowed; close any program"),
        (errno.EDQUOT, "share of the disk is used up"),
    ],
)
def test_a_disk_that_fails_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int, told: str
) -> None:
    """The rename fails as the operating system would say it; the old file is untouched."""
    place = write_bytes(tmp_path / "t.csv", b"old")

    def fail(*_: Any) -> None:
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(os, "replace", fail)
    with pytest.raises(OutputError, match=f"t.csv: cannot be written: .*{told}"):
        write_bytes(place, b"new")
    monkeypatch.undo()
    assert place.read_bytes() == b"old"
    assert _names(tmp_path) == ["t.csv"]


def test_a_full_disk_is_noticed_when_the_bytes_are_forced_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Delayed allocation reports a full disk only at fsync."""

    def fail(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(OutputError, match="the disk is full"):
        write_bytes(tmp_path / "t.csv", b"new")
    assert _names(tmp_path) == []


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs Linux's full device")
def test_a_really_full_device(tmp_path: Path) -> None:
    """/dev/full answers every write with ENOSPC, as a full disk does."""
    with (
        pytest.raises(OutputError, match="the disk is full"),
        atomic_path(tmp_path / "t.csv"),
        open("/dev/full", "wb", buffering=0) as full,
    ):
        full.write(b"new")
    assert _names(tmp_path) == []


def test_a_file_where_a_folder_is_needed(tmp_path: Path) -> None:
    """A real fault of the file system, not a made one."""
    (tmp_path / "out").write_text("in the way")
    with pytest.raises(OutputError, match="a file stands where a folder is needed; move it away"):
        write_bytes(tmp_path / "out" / "t.csv", b"new")


def test_other_errors_of_the_system_keep_their_traceback(tmp_path: Path) -> None:
    """What says nothing of the output disk is not explained away."""
    with pytest.raises(ConnectionResetError), atomic_path(tmp_path / "t.csv"):
        raise ConnectionResetError(errno.ECONNRESET, "reset")


def test_killed_runs_are_swept_up(tmp_path: Path) -> None:
    """Only our own temporary names go."""
    write_bytes(tmp_path / "a" / "t.csv", b"kept")
    (tmp_path / "a" / ".t.csv.0a1b2c3d.partial").write_bytes(b"half")
    (tmp_path / "notes.partial").write_bytes(b"someone's own")
    assert remove_partials(tmp_path) == 1
    assert _names(tmp_path / "a") == ["t.csv"]
    assert _names(tmp_path) == ["a", "notes.partial"]


def test_json_is_plain_and_strict(tmp_path: Path) -> None:
    """UTF-8 text that any reader takes; NaN is no JSON (RFC 8259 section 6) and is refused."""
    place = write_json(tmp_path / "m.json", {"name": "Kañ", "n": 1.5, "none": None})
    assert json.loads(place.read_text(encoding="utf-8")) == {"name": "Kañ", "n": 1.5, "none": None}
    assert "Kañ".encode() in place.read_bytes()
    with pytest.raises(ValueError, match="not JSON compliant"):
        write_json(place, {"n": float("nan")})


def test_packed_objects_are_written_as_they_were(tmp_path: Path) -> None:
    """The standard is the same content unpacked; anything else that JSON has not is refused."""
    found = [{"b": 1.5, "a": ["é", None]}, {}]
    plain = write_json(tmp_path / "plain.json", {"found": found}).read_bytes()
    packed = {"found": [Packed.of(each) for each in found]}
    assert write_json(tmp_path / "packed.json", packed).read_bytes() == plain
    with pytest.raises(TypeError, match=r"(Posix|Windows)Path"):
        write_json(tmp_path / "none.json", {"found": tmp_path})
    assert not (tmp_path / "none.json").exists()


def test_a_file_moves_whole_or_the_old_one_stays(tmp_path: Path) -> None:
    laid, place = tmp_path / "aside" / "a.csv", tmp_path / "a.csv"
    write_bytes(place, b"old")
    with pytest.raises(OutputError, match=r"a\.csv: cannot be written: the folder has gone"):
        move_to(laid, place)
    assert place.read_bytes() == b"old"
    write_bytes(laid, b"new")
    move_to(laid, place)
    assert place.read_bytes() == b"new"
    assert not laid.exists()
