"""The reader of scenes that all tasks of one process and programme share."""

from __future__ import annotations

from pathlib import Path
from typing import Protocol

from afterrains.scenes import BlockStore, Profiles, WindowReader
from afterrains.scenes.signers import signer
from afterrains.stages.ledger import key_of

__all__ = ["BLOCKS", "reader_of"]

BLOCKS = "blocks"
"""Folder of the local store of remote files, beside the ledger's own."""

_readers: dict[str, WindowReader] = {}


class _Reads(Protocol):
    """What a reader must know of a task."""

    @property
    def profiles(self) -> Profiles:
        """Of the scenes."""

    @property
    def trusted(self) -> frozenset[str] | None:
        """Hosts that may lie inside this network; None for all."""

    @property
    def store_bytes(self) -> int:
        """The most that is kept of remote files."""


def reader_of(folder: Path, task: _Reads) -> WindowReader:
    """One reader for a process and programme: connections and local store serve all its tasks."""
    hosts = None if task.trusted is None else sorted(task.trusted)
    profiles = [profile.model_dump_json() for profile in task.profiles]
    key = key_of(str(folder), profiles, hosts, task.store_bytes)
    if key not in _readers:
        _readers[key] = WindowReader(
            BlockStore(folder, task.store_bytes), sign=signer(task.profiles), trusted=task.trusted
        )
    return _readers[key]
