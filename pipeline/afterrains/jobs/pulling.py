"""The long half of a run: all cells and seasons read, and the maps drawn from them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import pandas as pd
from distributed import Client

from afterrains.delivery.stac import RasterFile
from afterrains.jobs.estimate import check_budget
from afterrains.jobs.progress import Reporter, StageTimes
from afterrains.stages.cell_task import CellResult, Task
from afterrains.stages.drawing import draw_covers, draw_maps, map_tasks
from afterrains.stages.freed import give_back
from afterrains.stages.ledger import Ledger
from afterrains.stages.prepare import Prepared
from afterrains.stages.pull import pull, pull_radar, split
from afterrains.stages.woodywork import settle_model
from afterrains.stages.workers import connect, on_all, processes_for, recorded_to

__all__ = ["Pulled", "Start", "on_workers", "pull_and_map"]

_STAGE_READ = "reading cells × seasons"
_STAGE_RADAR = "reading radar"
_STAGE_DRAW = "drawing maps"
_STAGE_COVER = "mapping woody cover"


@dataclass
class Pulled:
    """What was read and drawn."""

    prepared: Prepared
    """With the tasks as they were done at last."""
    results: Mapping[str, CellResult]
    rasters: Sequence[RasterFile]
    cover: pd.DataFrame | None
    model: Path | None
    unreadable: tuple[tuple[str, str, str], ...]
    tasks_done: int
    tasks_kept: int


Start = Callable[[Sequence[Task]], AbstractContextManager[Client]]


@contextmanager
def on_workers(
    scheduler: str | None,
    workers: int | None,
    memory_gb: float | None,
    performance_report: Path | None,
    to_do: Sequence[Task],
) -> Iterator[Client]:
    """Workers for these tasks, of the cluster or local ones."""
    largest = max((task.memory_bytes for task in to_do), default=0)
    processes = processes_for(largest, workers, memory_gb)
    watched = performance_report is not None
    with (
        connect(scheduler, processes, memory_gb, watched=watched) as client,
        recorded_to(performance_report),
    ):
        yield client


def pull_and_map(
    prepared: Prepared,
    file: str,
    ledger: Ledger,
    output: Path,
    start: Start,
    tell: Reporter,
    stages: StageTimes,
) -> Pulled:
    """Read all cells and seasons that the ledger has not, and draw the maps."""
    kept, waiting = split(prepared.all_tasks, ledger)
    kept_radar, waiting_radar = split(prepared.radar, ledger)
    to_do: list[Task] = [*waiting, *waiting_radar]
    known = len(kept) + len(kept_radar)
    tell.say(_plan(prepared, len(to_do), known))
    check_budget(prepared, to_do, file)
    give_back()
    stages.ended("planning")
    with start(to_do) as client:
        step = partial(tell.step, _STAGE_READ)
        done, results = pull(client, prepared.all_tasks, kept, waiting, ledger, step)
        count = len(prepared.tasks)
        prepared = replace(prepared, tasks=done[:count], plot_tasks=done[count:])
        step = partial(tell.step, _STAGE_RADAR)
        radar = pull_radar(client, kept_radar, waiting_radar, ledger, step)
        on_all(client, give_back)
        stages.ended("reading")
        maps = map_tasks(prepared)
        rasters = draw_maps(client, maps, ledger, output, partial(tell.step, _STAGE_DRAW))
        cover, model = None, None
        if prepared.programme.woody is not None:
            tell.say("Settling the woody-cover model")
            model, findings = settle_model(
                prepared.programme,
                prepared.plots,
                prepared.all_tasks,
                prepared.radar,
                prepared.radar_tracks,
                prepared.calendar,
                ledger,
                output,
            )
            for finding in findings:
                tell.say(f"{finding.severity}  {finding}")
            step = partial(tell.step, _STAGE_COVER)
            cover, covered = draw_covers(client, prepared, model, maps, ledger, output, step)
            rasters += covered
        stages.ended("mapping")
    everything = (*results.values(), *radar.values())
    unreadable = sorted({read for result in everything for read in result.unreadable})
    return Pulled(prepared, results, rasters, cover, model, tuple(unreadable), len(to_do), known)


def _plan(prepared: Prepared, waiting: int, kept: int) -> str:
    sites = prepared.register.sites["role"].value_counts()
    drawn = f" ({len(prepared.register.drawn)} drawn)" if prepared.register.drawn else ""
    return (
        f"{sites.get('sown', 0)} sown and {sites.get('control', 0)} control sites{drawn} in "
        f"{len(prepared.cells)} cells; {len(prepared.scenes)} scenes to use, "
        f"{len(prepared.refused)} refused; {waiting} cell-seasons to read, {kept} kept from before"
    )
