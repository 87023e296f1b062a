"""Memory that is free goes back to the system, as the kernel's own count of pages shows."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from afterrains.stages.ready import ENVIRONMENT

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
    not sys.platform.startswith("linux"), reason="only glibc's allocator can be told to"
)
def test_what_was_let_go_between_what_is_kept_goes_back() -> None:
    """Of 200 MB in pieces 198 are let go; without being told, the allocator keeps them."""
    done = subprocess.run([sys.executable, "-c", _CODE], capture_output=True, text=True, check=True)
    assert float(done.stdout) > 150
