"""The local store: parts of remote files as they were delivered, so that nothing is pulled twice.

Each part is one file that begins with a checksum of the rest. It is written under a temporary name
and renamed, so a part is there whole or not at all; what a dying disk or a power cut spoils fails
its checksum and counts as not there. Nothing is forced to the disk: the checksum makes that
needless. It is CRC-32, as in gzip and PNG: it is against accidents, and costs a tenth of SHA-256.
Several runs may share a store. Its size is bounded: what was used longest ago goes first.

    <folder>/<aa>/<file>/<part>      <file>: digest of the unsigned address, <aa> its beginning
    <folder>/<aa>/<file>/.lock       held while parts of that file are pulled
"""

from __future__ import annotations

import errno
import logging
import os
import secrets
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from filelock import FileLock, Timeout
from isal import isal_zlib

__all__ = ["BlockStore", "StoreSize"]

_SUM_BYTES = 4
_PARTIAL = ".partial"
_STALE_S = 3600.0  # no part takes an hour to write: its writer is dead
_TOUCH_S = 3600.0  # last use is kept to the hour, which spares a write at each read
_LONGEST_HOLD_S = 120.0
_LOCKS_KEPT = 512  # each takes 4 kB
_DOWN_TO = 0.9  # of the budget, so that not every part evicts another


@dataclass(frozen=True)
class StoreSize:
    """What a store holds."""

    parts: int
    stored_bytes: int


class BlockStore:
    """Parts of files under a folder; safe to use from many threads and processes.

    Parameters
    ----------
    folder : Path
        Made when it is missing.
    budget_bytes : int
        Most bytes kept. It can be passed by what is pulled until the next look, a fiftieth of it
        for each process.

    A store that cannot be written (a full disk) keeps nothing more and says so once; reading goes
    on without it.
    """

    def __init__(self, folder: Path, budget_bytes: int = 50_000_000_000) -> None:
        self.folder = folder
        self._root = str(folder)
        self.budget_bytes = budget_bytes
        self._until_look = 0  # the first part looks at once: another run may have left much
        self._lock = threading.Lock()
        # Making a lock takes longer than locking; a forgotten one is made anew.
        self._locks = lru_cache(_LOCKS_KEPT)(self._new_locks)
        self._broken = False

    def __reduce__(self) -> tuple[type[BlockStore], tuple[Path, int]]:
        return BlockStore, (self.folder, self.budget_bytes)

    def get(self, file: str, part: str) -> bytes | None:
        """The part as delivered; None where it is not there or spoilt, and then it is deleted."""
        path = self._place(file, part)
        try:
            with open(path, "rb", buffering=0) as stored:
                held = os.fstat(stored.fileno())
                found, data = stored.read(_SUM_BYTES), stored.read()
            if _checksum(data) != found:
                _delete(path)
                return None
            if time.time() - held.st_mtime > _TOUCH_S:
                os.utime(path)
        except FileNotFoundError:
            return None
        except OSError:
            # A share that fails now and then must not stop a run that can ask the server.
            return None
        return data

    def put(self, file: str, part: str, data: bytes | memoryview) -> None:
        """Keep a part."""
        if self._broken:
            return
        path = self._place(file, part)
        partial = self._place(file, f".{part}.{secrets.token_hex(4)}{_PARTIAL}")
        try:
            _write(partial, _checksum(data), data)
            os.replace(partial, path)
        except OSError as error:
            _delete(partial)
            self._broken = True
            text = "%s: the local store cannot be written (%s); reading goes on without it"
            logging.getLogger("afterrains").warning(text, self.folder, error.strerror)
            return
        with self._lock:
            self._until_look -= len(data)
            look = self._until_look < 0
            if look:
                self._until_look = self.budget_bytes // 50
        if look:
            self.shrink()

    def forget(self, file: str, part: str) -> None:
        """Delete a part that turned out to be wrong."""
        _delete(self._place(file, part))

    @contextmanager
    def hold(self, file: str) -> Iterator[None]:
        """Pull parts of this file alone: others who want them wait, then find them.

        Where the disk knows no locks, or a holder takes too long, work goes on without.
        """
        mine, others = self._locks(file)
        with mine:
            is_locked = True
            try:
                others.acquire()
            except (OSError, Timeout, NotImplementedError):
                is_locked = False
            try:
                yield
            finally:
                if is_locked:
                    others.release()

    def _new_locks(self, file: str) -> tuple[threading.Lock, FileLock]:
        """Of a file: for this process's threads, who so need not ask the disk, and for others."""
        folder = self._place(file, "")
        with suppress(OSError):
            os.makedirs(folder, exist_ok=True)
        lock = FileLock(f"{folder}.lock", timeout=_LONGEST_HOLD_S, poll_interval=0.02)
        return threading.Lock(), lock

    def size(self) -> StoreSize:
        """What is kept now."""
        sizes = [size for _, size, _ in self._parts()]
        return StoreSize(len(sizes), sum(sizes))

    def shrink(self) -> StoreSize:
        """Delete what was used longest ago until the budget is kept, and what killed runs left."""
        parts = sorted(self._parts())
        held = sum(size for _, size, _ in parts)
        count = len(parts)
        if held > self.budget_bytes:
            for _, size, path in parts:
                if held <= self.budget_bytes * _DOWN_TO:
                    break
                _delete(path)
                held, count = held - size, count - 1
        return StoreSize(count, held)

    def _parts(self) -> Iterator[tuple[float, int, str]]:
        """Last use, size and path of each part; drafts of dead writers are deleted on the way."""
        now = time.time()
        for outer in _entries(self.folder):
            for inner in _entries(outer.path):
                for entry in _entries(inner.path):
                    try:
                        stat = entry.stat(follow_symlinks=False)
                    except OSError:
                        continue
                    if entry.name.endswith(_PARTIAL):
                        if now - stat.st_mtime > _STALE_S:
                            _delete(entry.path)
                    elif not entry.name.startswith("."):
                        yield stat.st_mtime, stat.st_size, entry.path

    def _place(self, file: str, part: str) -> str:
        # No `Path`: joining its parts takes longer than opening the file.
        return os.path.join(self._root, file[:2], file, part)


def _entries(folder: str | Path) -> list[os.DirEntry[str]]:
    try:
        with os.scandir(folder) as found:
            return list(found)
    except OSError:  # not a folder, or just gone
        return []


def _checksum(data: bytes | memoryview) -> bytes:
    return isal_zlib.crc32(data).to_bytes(_SUM_BYTES, "big")


def _write(path: str, *pieces: bytes | memoryview) -> None:
    """A new file, its folder made when it is missing."""
    try:
        draft = open(path, "xb", buffering=0)
    except FileNotFoundError:
        os.makedirs(os.path.dirname(path), exist_ok=True)
        draft = open(path, "xb", buffering=0)
    with draft:
        for piece in pieces:
            if draft.write(piece) != len(piece):
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def _delete(path: str) -> None:
    with suppress(OSError):
        os.unlink(path)
