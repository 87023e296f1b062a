"""Memory that is free again goes back to the system between stages and after each map.

Allocators keep what they once had, in case it is wanted again. Each stage wants it in other pieces,
so without this the process that a run is started in would hold about the sum of what its stages
took, and one that draws maps would grow from map to map. It takes milliseconds.
"""

from __future__ import annotations

import ctypes
from contextlib import suppress

import pyarrow as pa

__all__ = ["from_one_place", "give_back"]


def from_one_place() -> None:
    """Let Arrow take memory from the system's allocator, as all else does.

    Its own keeps what tables once took, where nothing else can use it: 45 MB of a run of 5,000
    sites.
    """
    pa.set_memory_pool(pa.system_memory_pool())


def give_back() -> None:
    """Hand free memory back, where the system's allocator can be told to (glibc)."""
    pa.default_memory_pool().release_unused()
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).malloc_trim(0)
