"""What a run would take, before anything is pulled: scenes, gaps, blocks, bytes, requests, time.

The catalogue is searched as for a run. Of a few scenes the files' directories are read and a few
windows are read whole; from them the rest is reckoned up. Work that an earlier run left counts as
done. The figures are an upper bound in two ways: of a scene that is all cloud the bands are never
read, and what the local store holds already is pulled no more.
"""

from __future__ import annotations

import math
import os
import time
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import rasterio

from afterrains.errors import Finding, InputError
from afterrains.scenes import Cell, Overpass, Profile, Scene, read_overpass
from afterrains.scenes.failures import UnreadableError
from afterrains.scenes.plan import blocks_under, merged
from afterrains.scenes.reader import WindowReader
from afterrains.scenes.references import is_address
from afterrains.scenes.remote import Opener, RemoteFile
from afterrains.scenes.signers import signer
from afterrains.scenes.windows import TROUBLES, driver_of, gdal_settings, windows_of
from afterrains.signals.indices import available
from afterrains.stages.cellwork import CellTask, recorded
from afterrains.stages.deliver import STORE
from afterrains.stages.ledger import Ledger
from afterrains.stages.prepare import Prepared, prepare
from afterrains.stages.stacks import COMPOSITE_INDICES

__all__ = [
    "Estimate",
    "Month",
    "check_budget",
    "estimate",
    "months",
    "reckon",
    "within_budget",
]

_PROBED_GROUPS = 12
"""Tiles and sensors whose files' directories are read; others count as the mean of these."""
_PROBED_LOOKS = 3
_HEAD_BYTES = 16_384  # of each file, its directory
# Of float32 composites after compression, measured on the sample programme (0.67).
_COMPRESSED = 0.7
_GIGABYTE = 1e9

_Group = tuple[str, str, str]
"""Collection, tile and sensor: what makes files alike."""


@dataclass(frozen=True)
class Month:
    """What a calendar month shows, over the years and cells of the programme."""

    month: int
    """1 to 12."""
    looks: float
    """Passes a year over a cell."""
    clear_looks: float
    """Of these, expected clear: one minus the scene's cloud cover, added up."""
    gap_percent: float
    """Chance, in percent, that a cell has no clear look at all in such a month."""


@dataclass(frozen=True)
class _Wanted:
    """One scene and the cells that need it."""

    scene: Scene
    cells: tuple[Cell, ...]


@dataclass(frozen=True)
class _Reach:
    """What one scene under one cell takes, on average over the cells that share its files."""

    blocks: float
    bytes_read: float
    requests: float


@dataclass(frozen=True)
class Estimate:
    """What a run would take. Counts are of what is still to do, but for the search's."""

    sites: int
    cells: int
    scenes: int
    """To use, of those the catalogue offers."""
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
    """Of the results, the working store and what is kept of remote files."""
    seconds: float | None
    """With one process for each core; None where nothing could be probed."""
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
    waiting = [task for task in prepared.tasks if not _is_done(task, ledger)]
    return reckon(prepared, waiting, workers=workers)


def reckon(
    prepared: Prepared, waiting: Sequence[CellTask], *, workers: int | None = None
) -> Estimate:
    """The estimate of a plan whose tasks `waiting` are still to do; see `estimate`."""
    workers = workers or os.cpu_count() or 1
    groups = _groups(waiting)
    notes: list[str] = []
    profiles = prepared.tasks[0].profiles
    trusted = prepared.tasks[0].trusted
    with (
        WindowReader(sign=signer(profiles), trusted=trusted) as reader,
        rasterio.Env(**gdal_settings()),
    ):
        reach = _probe_files(prepared, groups, reader, notes)
        each, probed = _probe_time(waiting, reader, notes)
    totals: Counter[str] = Counter()
    for group, members in groups.items():
        found = reach.get(group) or _mean(reach.values())
        units = sum(len(wanted.cells) for wanted in members)
        remote = any(map(is_address, _files(members[0].scene, prepared)))
        totals["files"] += sum(len(_files(wanted.scene, prepared)) for wanted in members)
        totals["blocks"] += round(found.blocks * units)
        totals["pulled" if remote else "local"] += round(found.bytes_read * units)
        totals["requests"] += round(found.requests * units) if remote else 0
    settings = prepared.programme.scenes
    looks = sum(len(task.overpasses) for task in waiting)
    disk = sum(_result_bytes(task) for task in waiting) + totals["pulled"]
    return Estimate(
        sites=len(prepared.register.sites),
        cells=len(prepared.cells),
        scenes=len(prepared.scenes),
        refused=dict(sorted(Counter(each.reason for each in prepared.refused).items())),
        dates=len({scene.solar_day for scene in prepared.scenes}),
        tasks=len(waiting),
        tasks_kept=len(prepared.tasks) - len(waiting),
        months=months(prepared.tasks, settings.start, settings.end),
        files=totals["files"],
        blocks=totals["blocks"],
        pulled_bytes=totals["pulled"],
        local_bytes=totals["local"],
        requests=totals["requests"],
        disk_bytes=disk,
        seconds=None if each is None else each * looks / workers,
        workers=workers,
        probed=probed,
        notes=tuple(notes),
    )  # fmt: skip


def check_budget(prepared: Prepared, waiting: Sequence[CellTask], file: str) -> None:
    """Stop a run whose tasks `waiting` would pull more than the programme file `file` allows.

    Nothing is reckoned where no budget is set.

    Raises
    ------
    InputError
        With what it would pull, what is allowed, and how to mend it.
    """
    budget_gb = prepared.programme.scenes.budget_gb
    if budget_gb is not None and waiting:
        within_budget(reckon(prepared, waiting).pulled_bytes, budget_gb, file)


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


def months(tasks: Iterable[CellTask], start: date, end: date) -> tuple[Month, ...]:
    """Looks and expected gaps by calendar month, over the cells and years of a plan.

    A scene of unknown cloud cover counts as the mean of the others, or as clear where all are
    unknown. The chance of a gap takes looks as independent and a scene's cloud as spread evenly.
    """
    clouds: dict[tuple[str, int, int], list[float]] = defaultdict(list)
    cells: set[str] = set()
    looks = [(task.cell.cell_id, look) for task in tasks for look in task.overpasses]
    known = [c for _, look in looks if (c := _cloud(look)) is not None]
    unknown = float(np.mean(known)) if known else 0.0
    for cell_id, look in looks:
        cells.add(cell_id)
        cloud = _cloud(look)
        key = cell_id, look.date.year, look.date.month
        clouds[key].append(unknown if cloud is None else cloud)
    present = sorted({(day.year, day.month) for day in _days(start, end)})
    out = []
    for month in range(1, 13):
        years = [year for year, other in present if other == month]
        here = [clouds[cell, year, month] for cell in sorted(cells) for year in years]
        if here:
            out.append(
                Month(
                    month,
                    looks=float(np.mean([len(each) for each in here])),
                    clear_looks=float(np.mean([sum(1 - c for c in each) for each in here])),
                    gap_percent=100 * float(np.mean([math.prod(each) for each in here])),
                )
            )
    return tuple(out)


def _days(start: date, end: date) -> Iterable[date]:
    return (start + timedelta(days=n) for n in range((end - start).days + 1))


def _cloud(look: Overpass) -> float | None:
    """Cloud share of a pass, 0-1: the mean of its scenes."""
    known = [s.cloud_percent for s in look.scenes if s.cloud_percent is not None]
    return float(np.mean(known)) / 100 if known else None


def _is_done(task: CellTask, ledger: Ledger) -> bool:
    result = recorded(task, ledger)
    return result is not None and not result.unreadable


def _groups(tasks: Iterable[CellTask]) -> dict[_Group, list[_Wanted]]:
    """Scenes with the cells that need them, in groups whose files are alike."""
    scenes: dict[tuple[str, str], Scene] = {}
    cells: dict[tuple[str, str], dict[str, Cell]] = defaultdict(dict)
    for task in tasks:
        for look in task.overpasses:
            for scene in look.scenes:
                key = scene.collection, scene.scene_id
                scenes[key] = scene
                cells[key][task.cell.cell_id] = task.cell
    groups: dict[_Group, list[_Wanted]] = defaultdict(list)
    for key, scene in scenes.items():
        group = scene.collection, scene.tile, scene.sensor
        groups[group].append(_Wanted(scene, tuple(cells[key].values())))
    return dict(groups)


def _files(scene: Scene, prepared: Prepared) -> list[str]:
    """Addresses of the files that a look needs, each once."""
    profile = next(t.profiles.of(scene.collection) for t in prepared.tasks)
    names = [*prepared.bands, *_masks(profile)]
    return list(dict.fromkeys(scene.bands[name].href for name in names if name in scene.bands))


def _masks(profile: Profile | None) -> list[str]:
    if profile is None:
        return []
    return [profile.mask.band, *([profile.saturation.band] if profile.saturation else [])]


def _probe_files(
    prepared: Prepared,
    groups: Mapping[_Group, Sequence[_Wanted]],
    reader: WindowReader,
    notes: list[str],
) -> dict[_Group, _Reach]:
    """What each group takes, from the directories of one scene's files: the newest of the widest.

    A scene that is all cloud has small files, so that of the least cloud among the newest counts.
    """
    found: dict[_Group, _Reach] = {}
    chosen = list(groups)[:: -(-len(groups) // _PROBED_GROUPS) or 1]
    for group in chosen:
        wanted = max(groups[group], key=_worth_probing)
        try:
            parts = [_reach(href, wanted.cells, reader) for href in _files(wanted.scene, prepared)]
        except (UnreadableError, *TROUBLES) as error:
            name = wanted.scene.scene_id
            notes.append(f"{name} could not be looked into ({type(error).__name__})")
            continue
        found[group] = _Reach(*(sum(p) / len(wanted.cells) for p in zip(*parts, strict=True)))
    if len(chosen) < len(groups):
        notes.append(f"files of {len(chosen)} of {len(groups)} kinds of scene were looked into")
    return found


def _worth_probing(wanted: _Wanted) -> tuple[int, float, float]:
    cloud = wanted.scene.cloud_percent
    clear = round(-(cloud or 0.0) / 20)  # in five steps: among equals the newest
    return len(wanted.cells), clear, wanted.scene.acquired.timestamp()


def _reach(href: str, cells: Sequence[Cell], reader: WindowReader) -> tuple[float, float, float]:
    """Blocks, bytes and requests that the cells need of a file."""
    remote = RemoteFile(href, reader.client) if is_address(href) else None
    opener = Opener(remote) if remote else None
    how: dict[str, Any] = {"opener": opener} if opener else {}
    place = opener.path if opener else href
    with rasterio.open(place, driver=driver_of(href), sharing=False, **how) as dataset:
        geoboxes = [cell.geobox for cell in cells]
        windows = [window for window in windows_of(dataset, geoboxes) if window]
        head = min(_HEAD_BYTES, remote.size) if remote else 0
        if dataset.driver != "GTiff":
            # Other formats do not tell their blocks; half of the plain numbers' size is usual.
            pixels = sum(window.width * window.height for window in windows)
            return 1.0, head + 0.5 * pixels * np.dtype(dataset.dtypes[0]).itemsize, 2.0
        blocks = blocks_under(dataset, windows)
    size = head + sum(block.length for block in blocks)
    return len(blocks), size, 1 + len(list(merged(blocks)))


def _probe_time(
    tasks: Sequence[CellTask], reader: WindowReader, notes: list[str]
) -> tuple[float | None, int]:
    """Seconds for one look at one cell, and how many were read for it.

    The first is read twice and counts only then: the libraries' start is no part of a long run.
    """
    looks = [(task, look) for task in tasks for look in task.overpasses]
    if not looks:
        return 0.0, 0
    step = max(1, len(looks) // _PROBED_LOOKS)
    chosen = looks[step // 2 :: step][:_PROBED_LOOKS]
    spent = []
    for number, (task, look) in enumerate([chosen[0], *chosen]):
        begun = time.perf_counter()
        seen = read_overpass(
            look, task.cell.geobox, task.bands, task.profiles,
            dilation_m=task.dilation_m, reader=reader,
            adjust_bandpasses=task.adjust_bandpasses,
        )  # fmt: skip
        if seen.unreadable:
            notes.append(f"{seen.unreadable[0][0]} could not be read whole in the probe")
        if number:
            spent.append(time.perf_counter() - begun)
    return float(np.mean(spent)), len(chosen)


def _mean(reaches: Iterable[_Reach]) -> _Reach:
    known = [(r.blocks, r.bytes_read, r.requests) for r in reaches] or [(0.0, 0.0, 0.0)]
    return _Reach(*(float(np.mean(each)) for each in zip(*known, strict=True)))


def _result_bytes(task: CellTask) -> int:
    """Of a task's composites in the working store, and about half as much again of rasters."""
    if task.kind == "none":
        return 0
    layers = len(task.bands) + 3 * len(set(COMPOSITE_INDICES) & set(available(task.bands))) + 1
    parts = 2 if task.kind == "dry" else 1
    pixels = math.prod(task.cell.geobox.shape)
    return round(_COMPRESSED * 4 * pixels * layers * parts)
