"""Dask: where tasks run. One task for each cell and season, so the graph stays small.

Local by default; `--scheduler` takes a cluster that exists already. At most a few tasks for each
worker are in flight, so a programme of any size needs the same memory here.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import CancelledError
from contextlib import AbstractContextManager, contextmanager, nullcontext, suppress
from importlib.util import find_spec
from itertools import count
from pathlib import Path
from typing import TypeVar

import dask
from distributed import Client, LocalCluster, as_completed, performance_report
from distributed.comm.core import CommClosedError
from distributed.scheduler import KilledWorker

from afterrains.errors import OutputError, ServiceError
from afterrains.stages.ready import ENVIRONMENT, START_METHOD, get_ready

__all__ = ["connect", "in_turn", "on_all", "processes_for", "recorded_to"]

_T = TypeVar("_T")
_R = TypeVar("_R")
_IN_FLIGHT_PER_WORKER = 3
_LOCAL = {
    "distributed.worker.daemon": True,
    # A task that killed two processes here would kill a third.
    "distributed.scheduler.allowed-failures": 1,
    "distributed.worker.multiprocessing-method": START_METHOD,
    # Dask's own list also tells the allocator to hand back every free page at once; the next layer
    # then takes them anew, which was a quarter of all processor time.
    "distributed.nanny.pre-spawn-environ": ENVIRONMENT,
    # Dask keeps the last thousand messages of each line for its makers to look at, tasks and all.
    "distributed.admin.low-level-log-length": 20,
}
_PROCESS_BYTES = 500_000_000
"""What a process takes beside its task at most: libraries, compiled kernels, open connections, and
what it remembers of files. Some 340 MB after thousands of tasks (docs/scale.md)."""


def processes_for(largest_task_bytes: int, workers: int | None, memory_gb: float | None) -> int:
    """How many local processes there is memory for.

    Parameters
    ----------
    largest_task_bytes : int
        What the task that needs most takes.
    workers : int, optional
        Processes asked for; one per core if unset.
    memory_gb : float, optional
        What all of them together may take, in 10^9 bytes; not bounded if unset.

    Raises
    ------
    OutputError
        If not even one process fits.
    """
    wanted = workers or os.cpu_count() or 1
    if memory_gb is None:
        return wanted
    each = largest_task_bytes + _PROCESS_BYTES
    fitting = int(memory_gb * 1e9 // each)
    if fitting < 1:
        raise OutputError(
            f"--memory {memory_gb:g} GB is too little: the largest cell-season takes "
            f"{each / 1e9:.1f} GB; allow that much, or choose a coarser grid.resolution_m"
        )
    return min(wanted, fitting)


@contextmanager
def connect(
    scheduler: str | None,
    workers: int | None = None,
    memory_gb: float | None = None,
    *,
    watched: bool = False,
) -> Iterator[Client]:
    """A Dask client: of the cluster at `scheduler`, else of local processes, one per core.

    Local processes are watched by Dask's profiler only where its account is wanted: it looks into
    all threads a hundred times a second, and in Python 3.11 such a look can, once in many hours,
    lock a process with many threads for good (a fault of its `sys._current_frames`,
    gone in 3.12).

    Raises
    ------
    ServiceError
        If no scheduler answers at the address.
    """
    if scheduler is None:
        processes = workers or os.cpu_count() or 1
        limit = "auto" if memory_gb is None else f"{int(memory_gb * 1e9 / processes)}B"
        get_ready()
        # A batch on a laptop opens no port beyond the loopback, and none that another may hold.
        with (
            dask.config.set({**_LOCAL, "distributed.worker.profile.enabled": watched}),
            LocalCluster(
                n_workers=processes,
                threads_per_worker=1,
                memory_limit=limit,
                host="127.0.0.1",
                dashboard_address="127.0.0.1:0",
                # Nobody knows where it is, and what draws it takes this process 20 MB.
                scheduler_kwargs={"dashboard": False},
                silence_logs=logging.ERROR,
                # A worker is a copy of a process that was started a while ago.
                env={**os.environ, **ENVIRONMENT},
            ) as cluster,
            Client(cluster) as client,
        ):
            yield client
        return
    try:
        client = Client(scheduler, timeout="15s")
    except (OSError, ValueError, TimeoutError) as error:
        raise ServiceError(
            f"no Dask scheduler answers at {scheduler} ({error}); check --scheduler, or leave it "
            "out to run on this machine"
        ) from error
    with client:
        yield client


def recorded_to(report: Path | None) -> AbstractContextManager[None]:
    """Keep Dask's own account of what its workers did as a page at `report`, if one is wanted.

    Raises
    ------
    OutputError
        If bokeh, which draws the page, is not installed.
    """
    if report is None:
        return nullcontext()
    if find_spec("bokeh") is None:
        raise OutputError(
            "--performance-report needs bokeh to draw it; install it with "
            "`pip install bokeh`, or leave the option out"
        )
    page: AbstractContextManager[None] = performance_report(filename=str(report))
    return page


def in_turn(client: Client, work: Callable[[_T], _R], tasks: Iterable[_T]) -> Iterator[_R]:
    """Results of `work` over `tasks` as they are done, a few tasks per worker in flight.

    When a worker dies, Dask suspects every task that lay with it. Such tasks are tried once more at
    the end, one by one, so that only the one at fault is lost.

    Raises
    ------
    ServiceError
        After all others are done: if workers died over a task; at once if the scheduler is gone.
        What is done is kept.
    """
    suspects: list[_T] = []
    workers = max(1, len(client.scheduler_info(n_workers=-1)["workers"]))
    yield from _in_flight(client, work, tasks, workers * _IN_FLIGHT_PER_WORKER, suspects)
    lost: list[_T] = []
    yield from _in_flight(client, work, suspects, 1, lost)
    if lost:
        raise ServiceError(
            f"workers died over {len(lost)} of the cell-seasons or maps, most likely for want of "
            "memory; all others are done and kept: run again with fewer --workers or more --memory"
        )


def on_all(client: Client, work: Callable[[], None]) -> None:
    """Do something small on every worker; what does not answer is told of at the next task.

    A lost scheduler makes Dask raise what it happens to stumble over, down to AttributeError.
    """
    with suppress(Exception):
        client.run(work, on_error="ignore")


def _in_flight(
    client: Client, work: Callable[[_T], _R], tasks: Iterable[_T], limit: int, suspects: list[_T]
) -> Iterator[_R]:
    """Results as they are done, at most `limit` under way; tasks that workers died over go out."""
    waiting = iter(tasks)
    running = as_completed()
    under_way: dict[str, _T] = {}
    names = (f"cell-{id(running)}-{number}" for number in count())

    def start_next() -> bool:
        for task in waiting:
            name = next(names)
            under_way[name] = task
            # Not "pure": a task writes files, so Dask must not take two calls for one.
            running.add(client.submit(work, task, pure=False, key=name))
            return True
        return False

    while len(under_way) < limit and start_next():
        pass
    for future in running:
        task = under_way.pop(future.key)
        try:
            result: _R = future.result()
        except KilledWorker:
            suspects.append(task)
        except (CancelledError, CommClosedError) as error:
            raise ServiceError(
                "the Dask scheduler or all its workers are gone; what is done is kept, run the "
                "same command again"
            ) from error
        else:
            yield result
        future.release()
        start_next()
