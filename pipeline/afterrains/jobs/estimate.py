"""What a run would take, before anything is pulled: scenes, gaps, blocks, bytes, requests, time.

The catalogue is searched as for a run. Of a few scenes the files' directories are read and a few
windows are read whole; from them the rest is reckoned up. Work that an earlier run left counts as
done. The figures are an upper bound in two ways: of a scene that is all cloud the bands are never
read, and what the local store holds already is pulled no more. A look of radar counts as much time
as another, and takes less.
"""

from __future__ import annotations

import math
import os
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import rasterio

from afterrains.errors import Finding, InputError
from afterrains.scenes import BlockStore, Profiles, WindowReader
from afterrains.scenes.model import RADAR_BANDS
from afterrains.scenes.references import is_address
from afterrains.scenes.signers import signer
from afterrains.scenes.windows import gdal_settings
from afterrains.stages.cell_task import CellTask, Task
from afterrains.stages.cellwork import recorded
from afterrains.stages.clear_months import Month, months
from afterrains.stages.deliver import STORE
from afterrains.stages.ledger import Ledger
from afterrains.stages.prepare import Prepared, prepare
from afterrains.stages.probe import Reach, files_of, groups_of, probe_files, probe_pace
from afterrains.stages.readers import BLOCKS

__all__ = ["Estimate", "check_budget", "estimate", "reckon", "within_budget"]

# Of float32 composites after compression, measured on the sample programme (0.67).
_COMPRESSED = 0.7
# Greenness and its count, cover with its bounds and domain, a picture of three bytes.
_RASTER_LAYERS = 7
_GIGABYTE = 1e9


@dataclass(frozen=True)
class Estimate:
    """What a run would take. Counts are of what is still to do, but for the search's."""

    sites: int
    cells: int
    plot_cells: int
    """Laid for field plots away from the sites, each for one dry season."""
    scenes: int
    """To use, of those the catalogue offers."""
    radar_scenes: int
    """Of these, how many are radar."""
    refused: Mapping[str, int]
    """Scenes left out, by reason."""
    dates: int
    tasks: int
    tasks_kept: int
    months: tuple[Month, ...]
    files: int
    blocks: int
    """Stored blocks under the cells; one that several cells need counts once."""
    pulled_bytes: int
    """From servers; 0 where all files lie on this disk."""
    local_bytes: int
    """Read from files on this disk."""
    requests: int
    disk_bytes: int
    """Of the results, the working store and what is kept of remote files beside what is there."""
    store_bytes: int
    """Held by the local store of remote files now."""
    store_budget_bytes: int
    """The most that it may hold (`scenes.store_gb`)."""
    seconds: float
    """Of reading, with one process for each core."""
    workers: int
    probed: int
    """Scenes under cells that were read for it."""
    notes: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Plain values, for `--json`."""
        return asdict(self)


def estimate(path: Path, *, workers: int | None = None) -> Estimate:
    """What a run of a programme file would take.

    Parameters
    ----------
    path : Path
        The programme file.
    workers : int, optional
        Local processes of the run; one per core if unset.

    Raises
    ------
    InputError
        If the inputs are wrong.
    ServiceError
        If the catalogue does not answer.
    """
    prepared = prepare(path)
    ledger = Ledger(prepared.programme.output_folder / STORE)
    planned: tuple[Task, ...] = (*prepared.all_tasks, *prepared.radar)
    waiting = [task for task in planned if not _is_done(task, ledger)]
    return reckon(prepared, waiting, workers=workers)


def reckon(
    prepared: Prepared,
    waiting: Sequence[Task],
    *,
    workers: int | None = None,
    timed: bool = True,
) -> Estimate:
    """The estimate of a plan whose tasks `waiting` are still to do; see `estimate`.

    Unless `timed`, no look is read for it and its seconds are 0.
    """
    workers = workers or os.cpu_count() or 1
    groups = groups_of(waiting)
    notes: list[str] = []
    kinds: tuple[Task, ...] = (prepared.tasks[0], *prepared.radar[:1])
    profiles = Profiles({each.id: each for task in kinds for each in task.profiles})
    optical = [task for task in waiting if isinstance(task, CellTask)]
    trusted = prepared.tasks[0].trusted
    with (
        WindowReader(sign=signer(profiles), trusted=trusted) as reader,
        rasterio.Env(**gdal_settings()),
    ):
        reach = probe_files(prepared, groups, reader, notes)
    pace = probe_pace(optical, notes) if timed else None
    totals: Counter[str] = Counter()
    for group, members in groups.items():
        found = reach.get(group) or _mean(reach.values())
        units = sum(len(wanted.cells) for wanted in members)
        remote = any(map(is_address, files_of(members[0].scene, prepared)))
        totals["files"] += sum(len(files_of(wanted.scene, prepared)) for wanted in members)
        totals["blocks"] += round(found.blocks * units)
        totals["pulled" if remote else "local"] += round(found.bytes_read * units)
        totals["requests"] += round(found.requests * units) if remote else 0
    settings = prepared.programme.scenes
    looks = sum(len(task.overpasses) for task in waiting)
    held = BlockStore(prepared.programme.output_folder / STORE / BLOCKS).size().stored_bytes
    budget = round(settings.store_gb * _GIGABYTE)
    if totals["pulled"] > budget:
        notes.append(
            "the local store (scenes.store_gb) is smaller than what is pulled: what was pulled "
            "first is dropped, and pulled again if its work is done anew"
        )
    kept = max(0, min(held + totals["pulled"], budget) - held)
    return Estimate(
        sites=len(prepared.register.sites),
        cells=len(prepared.cells),
        plot_cells=len({task.cell.cell_id for task in prepared.plot_tasks}),
        scenes=len(prepared.scenes),
        radar_scenes=sum(1 for scene in prepared.scenes if scene.track),
        refused=dict(sorted(Counter(each.reason for each in prepared.refused).items())),
        dates=len({scene.solar_day for scene in prepared.scenes}),
        tasks=len(waiting),
        tasks_kept=len(prepared.all_tasks) + len(prepared.radar) - len(waiting),
        months=months(prepared.tasks, settings.start, settings.end),
        files=totals["files"],
        blocks=totals["blocks"],
        pulled_bytes=totals["pulled"],
        local_bytes=totals["local"],
        requests=totals["requests"],
        disk_bytes=sum(_result_bytes(task) for task in waiting) + kept,
        store_bytes=held,
        store_budget_bytes=budget,
        seconds=0.0 if pace is None else pace.of_run(looks, workers),
        workers=workers,
        probed=0 if pace is None else pace.looks,
        notes=tuple(notes),
    )  # fmt: skip


def check_budget(prepared: Prepared, waiting: Sequence[Task], file: str) -> None:
    """Stop a run whose tasks `waiting` would pull more than the programme file `file` allows.

    Nothing is reckoned where no budget is set.

    Raises
    ------
    InputError
        With what it would pull, what is allowed, and how to mend it.
    """
    budget_gb = prepared.programme.scenes.budget_gb
    if budget_gb is not None and waiting:
        within_budget(reckon(prepared, waiting, timed=False).pulled_bytes, budget_gb, file)


def within_budget(pulled_bytes: int, budget_gb: float, file: str) -> None:
    """Raise `InputError` where the bytes are more than the budget."""
    if pulled_bytes <= budget_gb * _GIGABYTE:
        return
    what = (
        f"this run would pull about {pulled_bytes / _GIGABYTE:.2g} GB from servers, more than the "
        f"{budget_gb:g} GB allowed"
    )
    mend = (
        "allow more, or take fewer years or less cloudy scenes (scenes.start, "
        "scenes.max_cloud_percent); `afterrains estimate` tells what a run takes"
    )
    raise InputError([Finding("error", file, "scenes.budget_gb", what, mend, "over-budget")])


def _is_done(task: Task, ledger: Ledger) -> bool:
    result = recorded(task, ledger)
    return result is not None and not result.unreadable


def _mean(reaches: Iterable[Reach]) -> Reach:
    known = [(r.blocks, r.bytes_read, r.requests) for r in reaches] or [(0.0, 0.0, 0.0)]
    return Reach(*(float(np.mean(each)) for each in zip(*known, strict=True)))


def _result_bytes(task: Task) -> int:
    """Of a task's composites in the working store, and of the rasters that a dry season adds."""
    if isinstance(task, CellTask):
        layers = len(task.composites) + (_RASTER_LAYERS if task.kind == "dry" else 0)
    else:
        directions = len({scene.track for look in task.overpasses for scene in look.scenes})
        layers = directions * (len(RADAR_BANDS) + 1)
    return round(_COMPRESSED * 4 * math.prod(task.cell.geobox.shape) * layers)
