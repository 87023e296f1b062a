"""The page in a process of its own.

A process that has read, judged and delivered thousands of sites holds what is free in pieces too
small for others: with the page of 5,000 sites it grows to 470 MB, while a fresh one takes 290. For
a small programme a second to start one would be a tenth of all its time.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from afterrains.errors import OutputError

__all__ = ["TOLD", "build_apart"]

# Arrow's own allocator keeps what tables took, where nothing else can use it.
_ENVIRONMENT = {"PYTHONIOENCODING": "utf-8", "ARROW_DEFAULT_MEMORY_POOL": "system"}
TOLD = 3
"""Exit status of the process where what it says is for the user."""


def build_apart(output: Path, language: str) -> Path:
    """`build` in a process that is started for it; returns the page.

    Raises
    ------
    OutputError
        As `build`, and where the process was ended from outside.
    RuntimeError
        With the process's own words, where it failed as it should not.
    """
    command = [sys.executable, "-m", "afterrains.delivery.page", str(output), language]
    # Interrupted, this ends the process too.
    done = subprocess.run(  # noqa: S603 our own command
        command,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        encoding="utf-8",
        errors="replace",
        env={**os.environ, **_ENVIRONMENT},
        check=False,
    )
    if done.returncode < 0:
        raise OutputError(
            f"{output}: the process that writes the page was ended by signal {-done.returncode}, "
            "most likely for want of memory; close other programs and run the same command again"
        )
    if done.returncode == TOLD:
        raise OutputError(done.stderr.strip())
    if done.returncode:
        raise RuntimeError(done.stderr.strip())
    return output / "report" / "index.html"
