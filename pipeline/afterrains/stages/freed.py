"""Memory that is free again goes back to the system between stages and after each map.

Allocators keep what they once had, in case it is wanted again. Each stage wants it in other pieces,
so without this the process that a run is started in would hold about the sum of what its stages
took, and one that draws maps would grow from map to map. It takes milliseconds.
"""

from __future__ import annotations

import ctypes
import gc
from collections.abc import Iterator
from contextlib import contextmanager, suppress

import pyarrow as pa

__all__ = ["apart", "from_one_place", "give_back", "let_go"]

_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3  # of glibc's mallopt
_LARGE_BYTES = 128 * 1024
_GROWN_BYTES = 32 * 1024**2
"""What glibc lets its own threshold grow to on 64 bits, with twice that to keep (mallopt(3))."""


def from_one_place() -> None:
    """Let Arrow take memory from the system's allocator, as all else does.

    Its own keeps what tables once took, where nothing else can use it: 45 MB of a run of 5,000
    sites.
    """
    pa.set_memory_pool(pa.system_memory_pool())


@contextmanager
def apart() -> Iterator[None]:
    """Take what is large from the system by itself meanwhile, where that can be told (glibc).

    It goes back whole as soon as it is let go. By default what is large ends up among the small
    once some large thing was let go, and leaves holes that nothing else fits into: 35 MB while the
    page of 5,000 sites is made. It takes time for each large table, so the judge does without.
    """
    _set_large(_LARGE_BYTES)
    try:
        yield
    finally:
        _set_large(_GROWN_BYTES)


def _set_large(size: int) -> None:
    """What the allocator takes for large, in bytes."""
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).mallopt(_MMAP_THRESHOLD, size)
        ctypes.CDLL(None).mallopt(_TRIM_THRESHOLD, 2 * size)


def let_go() -> None:
    """Free what only refers to itself, as a catalogue and its items do, and give it back.

    For between stages: Python comes to it by itself at last, but takes fresh memory meanwhile.
    """
    gc.collect()
    give_back()


def give_back() -> None:
    """Hand free memory back, where the system's allocator can be told to (glibc)."""
    pa.default_memory_pool().release_unused()
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).malloc_trim(0)
