"""Dask: where tasks run. One task for each cell and season, so the graph stays small.

Local by default; `--scheduler` takes a cluster that exists already. At most a few tasks for each
worker are in flight, so a programme of any size needs the same memory here.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import TypeVar

import dask
from distributed import Client, LocalCluster, as_completed

from afterrains.errors import ServiceError

__all__ = ["connect", "in_turn"]

_T = TypeVar("_T")
_R = TypeVar("_R")
_IN_FLIGHT_PER_WORKER = 3


@contextmanager
def connect(scheduler: str | None, workers: int | None = None) -> Iterator[Client]:
    """A Dask client: of the cluster at `scheduler`, else of local processes, one per core.

    Raises
    ------
    ServiceError
        If no scheduler answers at the address.
    """
    if scheduler is None:
        # A batch on a laptop opens no port beyond the loopback, and none that another may hold.
        with (
            dask.config.set({"distributed.worker.daemon": True}),
            LocalCluster(
                n_workers=workers or os.cpu_count() or 1,
                threads_per_worker=1,
                host="127.0.0.1",
                dashboard_address="127.0.0.1:0",
                silence_logs=logging.ERROR,
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


def in_turn(client: Client, work: Callable[[_T], _R], tasks: Iterable[_T]) -> Iterator[_R]:
    """Results of `work` over `tasks` as they are done, a few tasks per worker in flight."""
    waiting = iter(tasks)
    limit = max(1, len(client.scheduler_info(n_workers=-1)["workers"])) * _IN_FLIGHT_PER_WORKER
    running = as_completed()
    started = 0

    def start_next() -> bool:
        nonlocal started
        for task in waiting:
            # Not "pure": a task writes files, so Dask must not take two calls for one.
            running.add(client.submit(work, task, pure=False, key=f"cell-{id(running)}-{started}"))
            started += 1
            return True
        return False

    while started < limit and start_next():
        pass
    for future in running:
        result: _R = future.result()
        future.release()
        start_next()
        yield result
