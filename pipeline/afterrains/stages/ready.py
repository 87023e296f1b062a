"""Local workers that begin with everything in hand.

To load the libraries and compile the kernels takes a process several seconds. On Linux that is done
once, in a process which is started first, while the inputs are still being read; it then only
waits, and the local workers are copies of it (Python's forkserver) that share its memory. It has no
threads while it is copied, which makes that safe; the running programme itself is never copied.
Elsewhere, and where this fails, each worker loads and compiles for itself.
"""

from __future__ import annotations

import multiprocessing
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager

__all__ = ["ENVIRONMENT", "START_METHOD", "get_ready"]

START_METHOD = "forkserver" if sys.platform == "linux" else "spawn"
"""How local workers are started."""
ENVIRONMENT = {
    "OMP_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    # glibc's allocator gives threads heaps of their own, and a worker has a hundred threads that
    # mostly wait: a third of its memory lay free in them, and it grew from task to task.
    "MALLOC_ARENA_MAX": "2",
    # As in `freed.from_one_place`: Arrow's own allocator kept 50 MB of a thousand maps.
    "ARROW_DEFAULT_MEMORY_POOL": "system",
}
"""Of a worker: it is one of several on its machine."""
_IN_HAND = "afterrains.stages.in_hand"


def get_ready() -> None:
    """Start the process that workers will be copies of, if there is none; returns at once."""
    if START_METHOD != "forkserver":
        return
    from multiprocessing import forkserver  # not for every system

    multiprocessing.get_context(START_METHOD).set_forkserver_preload([_IN_HAND])
    with _environment(ENVIRONMENT):
        forkserver.ensure_running()


@contextmanager
def _environment(changed: dict[str, str]) -> Iterator[None]:
    """The environment with some variables set, for a process that is started meanwhile."""
    before = {name: os.environ.get(name) for name in changed}
    os.environ.update(changed)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
