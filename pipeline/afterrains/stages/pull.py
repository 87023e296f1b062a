"""All cells and seasons through Dask: what the ledger has is kept, the rest is read.

A scene that one cell shows to contradict its metadata is left out of every cell. Where little of a
scene is clear its shift cannot be seen, but it is there. So when all cells have been read, those
that used a scene which another cell doubts are done once more without it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from functools import partial
from typing import TypeVar

from distributed import Client

from afterrains.stages.cell_task import CellResult, CellTask, Task
from afterrains.stages.cellwork import perform, recorded
from afterrains.stages.ledger import Ledger
from afterrains.stages.radarwork import RadarTask, perform_radar
from afterrains.stages.workers import in_turn

__all__ = ["by_season_and_tile", "pull", "pull_radar", "split", "without_doubted"]


_AnyTask = TypeVar("_AnyTask", bound=Task)


def split(
    tasks: Iterable[_AnyTask], ledger: Ledger
) -> tuple[dict[str, CellResult], list[_AnyTask]]:
    """What the ledger has whole, and what is still to do: new tasks and those with failed reads."""
    kept: dict[str, CellResult] = {}
    waiting: list[_AnyTask] = []
    for task in tasks:
        result = recorded(task, ledger)
        if result is None:
            waiting.append(task)
        elif result.unreadable:
            # What could not be read then may have come back.
            ledger.forget(task.key)
            waiting.append(task)
        else:
            kept[task.key] = result
    return kept, waiting


def pull(
    client: Client,
    tasks: tuple[CellTask, ...],
    kept: Mapping[str, CellResult],
    waiting: Iterable[CellTask],
    ledger: Ledger,
    step: Callable[[int, int], None],
) -> tuple[tuple[CellTask, ...], dict[str, CellResult]]:
    """Do what is waiting.

    Parameters
    ----------
    client : Client
        Of the Dask workers.
    tasks : tuple of CellTask
        All of the run.
    kept, waiting
        From `split`.
    ledger : Ledger
    step : callable
        Told how many tasks are done, and of how many.

    Returns
    -------
    (tasks, results)
        The tasks as they were done at last, in their order, and their results by key.
    """
    results = dict(kept)
    for done in in_turn(client, partial(perform, ledger=ledger), by_season_and_tile(waiting)):
        results[done.key] = done
        step(len(results), len(tasks))
    settled = without_doubted(tasks, results)
    known, again = split((task for task in settled if task.key not in results), ledger)
    results |= known
    for done in in_turn(client, partial(perform, ledger=ledger), by_season_and_tile(again)):
        results[done.key] = done
    return settled, {task.key: results[task.key] for task in settled}


def by_season_and_tile(tasks: Iterable[CellTask]) -> list[CellTask]:
    """Those that read the same files one after another: a worker remembers a season's of a tile."""
    return sorted(tasks, key=lambda task: (task.start, task.overpasses[0].scenes[0].scene_id))


def pull_radar(
    client: Client,
    kept: Mapping[str, CellResult],
    waiting: Iterable[RadarTask],
    ledger: Ledger,
    step: Callable[[int, int], None],
) -> dict[str, CellResult]:
    """Do the radar that is waiting; results of all by key, in the order of the keys."""
    tasks = list(waiting)
    results = dict(kept)
    for done in in_turn(client, partial(perform_radar, ledger=ledger), tasks):
        results[done.key] = done
        step(len(results), len(kept) + len(tasks))
    return dict(sorted(results.items()))


def without_doubted(
    tasks: Iterable[CellTask], results: Mapping[str, CellResult]
) -> tuple[CellTask, ...]:
    """The tasks in their order; those that used a scene which another doubts are to leave it out.

    Parameters
    ----------
    tasks : iterable of CellTask
    results : mapping of CellResult
        By the tasks' keys.
    """
    doubted = {scene: why for key in sorted(results) for scene, why in results[key].doubted}
    settled = []
    for task in tasks:
        held = {scene.scene_id for look in task.overpasses for scene in look.scenes}
        known = {scene for scene, _ in results[task.key].doubted}
        foreign = {scene: doubted[scene] for scene in sorted(held & doubted.keys() - known)}
        settled.append(replace(task, doubted=foreign) if foreign else task)
    return tuple(settled)
