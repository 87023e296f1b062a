"""Memory that is free again goes back to the system between stages and after each map.

Allocators keep what they once had, in case it is wanted again. Each stage wants it in other pieces,
so without this the process that a run is started in would hold about the sum of what its stages
took, and one that draws maps would grow from map to map. It takes milliseconds.
"""

from __future__ import annotations

import ctypes
from contextlib import suppress

import pyarrow as pa

__all__ = ["give_back"]


def give_back() -> None:
    """Hand free memory back, where the system's allocator can be told to (glibc)."""
    pa.default_memory_pool().release_unused()
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).malloc_trim(0)
