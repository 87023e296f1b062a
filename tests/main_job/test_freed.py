"""Memory that is free goes back to the system, as the kernel's own count of pages shows."""

from __future__ import annotations

import ctypes
import os
import subprocess
import sys

import pytest

from afterrains.stages.ready import ENVIRONMENT

_APART = """
import ctypes
from afterrains.stages.freed import apart, give_back

NAMES = "arena ordblks smblks hblks hblkhd usmblks fsmblks uordblks fordblks keepcost".split()
class Info(ctypes.Structure):
    _fields_ = [(name, ctypes.c_size_t) for name in NAMES]
libc = ctypes.CDLL(None)
libc.mallinfo2.restype = Info

def lies_apart():
    give_back()  # or it would lie where there is room already
    before = libc.mallinfo2().hblkhd
    large = bytearray(1_000_000)
    return libc.mallinfo2().hblkhd - before >= 1_000_000

bytearray(30_000_000)  # let go: from here on, what is smaller lies among the small
print(lies_apart())
with apart():
    print(lies_apart())
print(lies_apart())
"""
_CODE = """
import re
from pathlib import Path
from afterrains.stages.freed import give_back

def held():
    return int(re.search(r"VmRSS:\\s+(\\d+)", Path("/proc/self/status").read_text())[1]) / 1000

pieces = [bytes([number % 251]) * 50_000 for number in range(4_000)]
pieces = pieces[::100]  # what is left lies all over what was taken
before = held()
give_back()
print(before - held())
"""


def test_a_worker_s_tables_lie_where_all_else_does() -> None:
    """Arrow's own allocator keeps what tables took; Arrow itself tells which it uses."""
    code = "import pyarrow as pa; print(pa.default_memory_pool().backend_name)"
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True, text=True, check=True, env={**os.environ, **ENVIRONMENT},
    )  # fmt: skip
    assert done.stdout.strip() == "system"


@pytest.mark.skipif(
    not hasattr(ctypes.CDLL(None) if os.name != "nt" else None, "mallinfo2"),
    reason="only glibc's allocator can be told to, and tells (2.33)",
)
def test_what_is_large_lies_apart_only_meanwhile() -> None:
    """By the allocator's own count of what it mapped; later runs of the process judge as fast."""
    done = subprocess.run(
        [sys.executable, "-c", _APART], capture_output=True, text=True, check=True
    )
    assert done.stdout.split() == ["False", "True", "False"]


@pytest.mark.skipif(
    not sys.platform.startswith("linux"), reason="only glibc's allocator can be told to"
)
def test_what_was_let_go_between_what_is_kept_goes_back() -> None:
    """Of 200 MB in pieces 198 are let go; without being told, the allocator keeps them."""
    done = subprocess.run([sys.executable, "-c", _CODE], capture_output=True, text=True, check=True)
    assert float(done.stdout) > 150
