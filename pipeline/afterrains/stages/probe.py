"""Looking into a few files and reading a few looks, to reckon up what a run takes."""

from __future__ import annotations

import tempfile
import time
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from afterrains.scenes import BlockStore, Cell, Profile, Scene
from afterrains.scenes.failures import UnreadableError
from afterrains.scenes.grids import grid_of, windows_of
from afterrains.scenes.model import RADAR_BANDS
from afterrains.scenes.opener import open_remote
from afterrains.scenes.plan import blocks_under, merged
from afterrains.scenes.reader import WindowReader
from afterrains.scenes.references import is_address
from afterrains.scenes.remote import RemoteFile
from afterrains.scenes.signers import signer
from afterrains.scenes.windows import TROUBLES, driver_of, head_of, open_by_gdal
from afterrains.stages.cell_task import CellTask, Task
from afterrains.stages.cellwork import perform
from afterrains.stages.ledger import Ledger
from afterrains.stages.prepare import Prepared

__all__ = ["Pace", "Reach", "Wanted", "files_of", "groups_of", "probe_files", "probe_pace"]

_PROBED_GROUPS = 12
"""Tiles and sensors whose files' directories are read; others count as the mean of these."""
_PROBED_LOOKS = 8
"""Enough that reading side by side shows, and few enough for a poor line."""
_HEAD_BYTES = 16_384  # of each file, its directory

Group = tuple[str, str, str]
"""Collection, tile and sensor: what makes files alike."""


@dataclass(frozen=True)
class Wanted:
    """One scene and the cells that need it."""

    scene: Scene
    cells: tuple[Cell, ...]


@dataclass(frozen=True)
class Reach:
    """What one scene under one cell takes, on average over the cells that share its files."""

    blocks: float
    bytes_read: float
    requests: float


@dataclass(frozen=True)
class Pace:
    """How fast one process goes."""

    seconds: float
    """For one look at one cell, as many at a time as a run reads: from pulling its blocks to the
    season's composites."""
    waited: float
    """Of these, the seconds in which the process did nothing but wait for the line or the disk."""
    looks: int
    """How many were read for it."""

    def of_run(self, looks: int, workers: int) -> float:
        """Seconds of a run with so many processes.

        Work divides among processes. Waiting does not: with some dozen requests under way for each
        process it is the line that is full, and more processes share the same line.
        """
        return looks * max(self.seconds / workers, self.waited)


def groups_of(tasks: Iterable[Task]) -> dict[Group, list[Wanted]]:
    """Scenes with the cells that need them, in groups whose files are alike."""
    scenes: dict[tuple[str, str], Scene] = {}
    cells: dict[tuple[str, str], dict[str, Cell]] = defaultdict(dict)
    for task in tasks:
        for look in task.overpasses:
            for scene in look.scenes:
                key = scene.collection, scene.scene_id
                scenes[key] = scene
                cells[key][task.cell.cell_id] = task.cell
    groups: dict[Group, list[Wanted]] = defaultdict(list)
    for key, scene in scenes.items():
        group = scene.collection, scene.tile, scene.sensor
        groups[group].append(Wanted(scene, tuple(cells[key].values())))
    return dict(groups)


def files_of(scene: Scene, prepared: Prepared) -> list[str]:
    """Addresses of the files that a look needs, each once."""
    if scene.track:
        names = [*RADAR_BANDS]
    else:
        profile = next(t.profiles.of(scene.collection) for t in prepared.tasks)
        names = [*prepared.bands, *_masks(profile)]
    return list(dict.fromkeys(scene.bands[name].href for name in names if name in scene.bands))


def _masks(profile: Profile | None) -> list[str]:
    if profile is None:
        return []
    return [profile.mask.band, *([profile.saturation.band] if profile.saturation else [])]


def probe_files(
    prepared: Prepared,
    groups: Mapping[Group, Sequence[Wanted]],
    reader: WindowReader,
    notes: list[str],
) -> dict[Group, Reach]:
    """What each group takes, from the directories of one scene's files: the newest of the widest.

    A scene that is all cloud has small files, so that of the least cloud among the newest counts.
    """
    found: dict[Group, Reach] = {}
    chosen = list(groups)[:: -(-len(groups) // _PROBED_GROUPS) or 1]
    for group in chosen:
        wanted = max(groups[group], key=_worth_probing)
        try:
            parts = [
                _reach(href, wanted.cells, reader) for href in files_of(wanted.scene, prepared)
            ]
        except (UnreadableError, *TROUBLES) as error:
            name = wanted.scene.scene_id
            notes.append(f"{name} could not be looked into ({type(error).__name__})")
            continue
        found[group] = Reach(*(sum(p) / len(wanted.cells) for p in zip(*parts, strict=True)))
    if len(chosen) < len(groups):
        notes.append(f"files of {len(chosen)} of {len(groups)} kinds of scene were looked into")
    return found


def _worth_probing(wanted: Wanted) -> tuple[int, float, float]:
    cloud = wanted.scene.cloud_percent
    clear = round(-(cloud or 0.0) / 20)  # in five steps: among equals the newest
    return len(wanted.cells), clear, wanted.scene.acquired.timestamp()


def _reach(href: str, cells: Sequence[Cell], reader: WindowReader) -> tuple[float, float, float]:
    """Blocks, bytes and requests that the cells need of a file."""
    geoboxes = [cell.geobox for cell in cells]

    def look(dataset: Any, head: int) -> tuple[float, float, float]:
        windows = [window for window in windows_of(grid_of(dataset), geoboxes) if window]
        if dataset.driver != "GTiff":
            # Other formats do not tell their blocks; half of the plain numbers' size is usual.
            pixels = sum(window.width * window.height for window in windows)
            return 1.0, head + 0.5 * pixels * np.dtype(dataset.dtypes[0]).itemsize, 2.0
        blocks = blocks_under(dataset, windows)
        size = head + sum(block.length for block in blocks)
        return len(blocks), size, 1 + len(list(merged(blocks)))

    if is_address(href):
        remote = RemoteFile(href, reader.client)
        with closing(open_remote(remote, lambda d: look(d, min(_HEAD_BYTES, remote.size)))) as file:
            return file.found
    with open_by_gdal(href, driver_of(href, head_of(href))) as dataset:
        return look(dataset, 0)


def probe_pace(tasks: Sequence[CellTask], notes: list[str]) -> Pace | None:
    """The pace of some looks of a task of middle size, done as a run does them and thrown away.

    One look is done before and does not count: the libraries' start is no part of a long run. None
    where there is nothing to do.
    """
    if not tasks:
        return None
    ranked = sorted(tasks, key=lambda task: (task.memory_bytes, task.key))
    chosen = _part_of(ranked[len(ranked) // 2], _PROBED_LOOKS)
    _timed(_part_of(chosen, 1), notes)
    seconds, worked = _timed(chosen, notes)
    looks = len(chosen.overpasses)
    return Pace(seconds / looks, max(0.0, seconds - worked) / looks, looks)


def _part_of(task: CellTask, most: int) -> CellTask:
    """The task with some of its looks, spread over its time."""
    looks = task.overpasses
    taken = sorted({len(looks) * (2 * n + 1) // (2 * most) for n in range(most)})
    return replace(task, overpasses=tuple(looks[n] for n in taken if n < len(looks)))


def _timed(task: CellTask, notes: list[str]) -> tuple[float, float]:
    """Wall and processor seconds of a task; what it reads is kept nowhere."""
    with tempfile.TemporaryDirectory(prefix="afterrains-probe-") as folder:
        place = Path(folder)
        store = BlockStore(place / "blocks", task.store_bytes)
        sign, trusted = signer(task.profiles), task.trusted
        begun, worked = time.perf_counter(), time.process_time()
        with WindowReader(store, sign=sign, trusted=trusted) as reader:
            done = perform(task, Ledger(place / "ledger"), reader=reader)
        spent = time.perf_counter() - begun, time.process_time() - worked
    notes += [f"{scene} could not be read whole in the probe" for scene, *_ in done.unreadable[:1]]
    return spent
