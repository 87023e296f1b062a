"""Files that are either whole or not there.

A result is written under a temporary name beside its place, forced to the disk, then renamed over
the old one. Whoever kills the run at any moment finds the old file or the new one, never half a
file. A disk that is full, read-only or gone is an `OutputError` that says so.
"""

from __future__ import annotations

import errno
import json
import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from afterrains.errors import OutputError
from afterrains.packed import Packed

__all__ = ["atomic_path", "move_to", "remove_partials", "told_of", "write_bytes", "write_json"]

_PARTIAL = ".partial"

# What the operating system says of the place itself. Anything else is not ours to explain.
_PLACE_FAULTS = {
    errno.ENOSPC: "the disk is full; free some space",
    errno.EDQUOT: "your share of the disk is used up; free some space",
    errno.EFBIG: "the disk takes no file this large; choose another disk",
    errno.EROFS: "the disk is read-only; choose another output folder",
    errno.EACCES: "writing is not allowed; close any program that holds the file open, or "
    "change the folder's permissions",
    errno.EPERM: "writing is not allowed; change the folder's permissions",
    errno.EIO: "the disk does not answer; check it or choose another",
    errno.ENOENT: "the folder has gone; choose an output folder that stays",
    errno.ENOTDIR: "a file stands where a folder is needed; move it away",
    errno.EISDIR: "a folder stands where the file belongs; move it away",
    errno.EEXIST: "a file stands where a folder is needed; move it away",
    errno.ENAMETOOLONG: "the path is too long; choose a shorter output folder",
}


def _force_folder_to_disk(folder: Path) -> None:
    """Make the rename itself last through a power cut, where the system can."""
    if os.name == "nt":  # Windows has no handle of a folder to force.
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:
        # Some network file systems refuse this for folders; the file itself is on the disk.
        if error.errno not in (errno.EINVAL, errno.ENOTSUP, errno.EBADF):
            raise
    finally:
        os.close(handle)


@contextmanager
def atomic_path(path: Path) -> Iterator[Path]:
    """Yield a temporary path beside `path`; on leaving, what was written there becomes `path`.

    Parameters
    ----------
    path : Path
        The file to write; folders above it are made when they are missing.

    Yields
    ------
    Path
        A name in the same folder that does not exist yet. The block writes it whole.

    Raises
    ------
    OutputError
        When the disk is full, read-only or otherwise cannot take the file. Nothing of the new
        file stays, and an old file at `path` is untouched. Every other exception of the block
        passes through, with the same promise.
    """
    partial = path.with_name(f".{path.name}.{secrets.token_hex(4)}{_PARTIAL}")
    try:
        with told_of(path):
            path.parent.mkdir(parents=True, exist_ok=True)
            yield partial
            with partial.open("rb+") as written:
                os.fsync(written.fileno())
            os.replace(partial, path)
            _force_folder_to_disk(path.parent)
    finally:
        # After a success the name is gone already; after a failure nothing may stay.
        with _ignoring_os_errors():
            partial.unlink(missing_ok=True)


def move_to(file: Path, path: Path) -> None:
    """Let a file that was written whole become `path`, on the same disk.

    Raises
    ------
    OutputError
        When the disk does not take it; an old file at `path` is then untouched.
    """
    with told_of(path):
        os.replace(file, path)
        _force_folder_to_disk(path.parent)


@contextmanager
def told_of(path: Path) -> Iterator[None]:
    """A disk that does not take the file is told of in words."""
    try:
        yield
    except OSError as error:
        if error.errno in _PLACE_FAULTS:
            fault = _PLACE_FAULTS[error.errno]
            raise OutputError(f"{path}: cannot be written: {fault}") from error
        raise


@contextmanager
def _ignoring_os_errors() -> Iterator[None]:
    """Clearing up must not hide the first error with a second one."""
    try:
        yield
    except OSError:
        pass


def write_bytes(path: Path, data: bytes) -> Path:
    """Write `data` to `path`, whole or not at all; see `atomic_path`."""
    with atomic_path(path) as partial:
        partial.write_bytes(data)
    return path


def write_json(path: Path, content: Any) -> Path:
    """Write plain content as JSON text (UTF-8, two spaces, keys in the order given).

    Objects in it may be `Packed`; each is unpacked as it is written.

    Raises
    ------
    ValueError
        When a number is NaN or infinite: JSON has no such numbers (RFC 8259 section 6).
    """
    encoder = json.JSONEncoder(indent=2, ensure_ascii=False, allow_nan=False, default=_unpacked)
    with atomic_path(path) as partial, partial.open("w", encoding="utf-8", newline="") as file:
        # In pieces: the text of a whole manifest takes many times the room of its file.
        file.writelines(encoder.iterencode(content))
        file.write("\n")
    return path


def _unpacked(value: Any) -> dict[str, Any]:
    if isinstance(value, Packed):
        return value.unpacked()
    raise TypeError(f"{type(value).__name__} has no place in JSON")


def remove_partials(folder: Path) -> int:
    """Delete what killed runs left under temporary names in `folder`; returns how many files.

    Call it only while no other run writes to the folder.
    """
    leftovers = [path for path in folder.rglob(f".*{_PARTIAL}") if path.is_file()]
    for path in leftovers:
        path.unlink(missing_ok=True)
    return len(leftovers)
