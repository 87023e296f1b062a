"""What a run would take, before anything is pulled."""

from __future__ import annotations

import json
import math
import subprocess
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
import rasterio

from afterrains.errors import InputError
from afterrains.jobs.estimate import estimate, reckon, within_budget
from afterrains.stages.cell_task import CellResult, CellTask
from afterrains.stages.clear_months import months
from afterrains.stages.prepare import Prepared, prepare
from afterrains.stages.probe import Pace, probe_pace


@pytest.fixture(scope="module")
def prepared(small_sample: Path) -> Prepared:
    return prepare(small_sample / "programme.yaml")


def test_counts_and_bytes_agree_with_the_files(prepared: Prepared, small_sample: Path) -> None:
    """Sizes on the disk: the small sample's files are all under its cells, nearly every block."""
    found = reckon(prepared, prepared.tasks, workers=1)
    units = [
        (scene, task.cell)
        for task in prepared.tasks
        for look in task.overpasses
        for scene in look.scenes
    ]
    files = {
        asset.href
        for scene, _ in units
        for band, asset in scene.bands.items()
        if band in (*prepared.bands, "scl")
    }
    whole = sum(Path(href).stat().st_size for href in files)
    assert 0.7 * whole < found.local_bytes < 1.3 * whole  # of few scenes, reckoned up
    assert found.pulled_bytes == found.requests == 0
    assert found.files == len(files)
    assert found.scenes == len(prepared.scenes)
    assert found.dates == len({scene.solar_day for scene in prepared.scenes})
    assert found.refused["duplicate"] > 0
    assert found.tasks == len(prepared.tasks)
    assert found.seconds > 0
    assert 2 < found.probed <= 8
    assert (found.store_bytes, found.store_budget_bytes) == (0, 50_000_000_000)
    stored = 0
    for href in files:
        with rasterio.open(href) as file:
            stored += math.prod(
                -(-side // block)
                for side, block in zip(file.shape, file.block_shapes[0], strict=True)
            )
    assert 0.7 * stored < found.blocks <= stored


def test_what_is_done_is_not_counted(undisturbed: object, small_sample: Path) -> None:
    """After a whole run nothing is left to read."""
    found = estimate(small_sample / "programme.yaml")
    assert (found.tasks, found.files, found.blocks, found.local_bytes) == (0, 0, 0, 0)
    assert found.tasks_kept > 40
    assert found.seconds == 0


def test_more_processes_divide_the_work_but_not_the_line() -> None:
    """By hand: ten looks of 3 s, of which 2 are waiting; and of which none is."""
    line, work = Pace(3.0, waited=2.0, looks=4), Pace(3.0, waited=0.0, looks=4)
    assert (line.of_run(10, 1), line.of_run(10, 4)) == (30.0, 20.0)
    assert (work.of_run(10, 1), work.of_run(10, 4)) == (30.0, 7.5)


def test_looks_are_probed_side_by_side_as_a_run_reads_them(prepared: Prepared) -> None:
    """Eight looks of a task are performed together, after one look that does not count."""
    done: list[CellTask] = []

    def counted(task: CellTask, *_: object, **__: object) -> CellResult:
        done.append(task)
        return CellResult(task.key, task.cell.cell_id, task.season, 0, ())

    long = [replace(task, overpasses=9 * task.overpasses) for task in prepared.tasks]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("afterrains.stages.probe.perform", counted)
        pace = probe_pace(long, [])
    assert pace is not None
    assert [len(task.overpasses) for task in done] == [1, 8]
    assert pace.looks == 8
    assert probe_pace([], []) is None


def test_gaps_by_month_by_hand(prepared: Prepared) -> None:
    """One cell, January of two years: cloud 50 and 20 % in one, no scene in the other.

    By hand: passes (2 + 0) / 2, clear 0.5 + 0.8 over two years, gap (0.5 x 0.2 + 1) / 2.
    """
    task = prepared.tasks[0]
    scene = task.overpasses[0].scenes[0]
    looks = [
        replace(
            task.overpasses[0],
            date=date(2021, 1, day),
            scenes=(replace(scene, cloud_percent=cloud),),
        )
        for day, cloud in ((3, 50.0), (13, 20.0))
    ]
    here = replace(task, overpasses=tuple(looks))
    january, february = months([here], date(2021, 1, 1), date(2022, 2, 1))[:2]
    assert (january.month, january.looks, february.month) == (1, 1.0, 2)
    assert january.clear_looks == pytest.approx(0.65)
    assert january.gap_percent == pytest.approx(55)
    assert february.gap_percent == 100


def test_unknown_cloud_counts_as_the_mean_of_the_others(prepared: Prepared) -> None:
    task = prepared.tasks[0]
    first = task.overpasses[0]
    scene = first.scenes[0]
    looks = tuple(
        replace(first, date=date(2021, 1, day), scenes=(replace(scene, cloud_percent=cloud),))
        for day, cloud in ((3, 40.0), (13, None))
    )
    [january] = months([replace(task, overpasses=looks)], date(2021, 1, 1), date(2021, 1, 31))
    assert january.clear_looks == pytest.approx(1.2)
    assert january.gap_percent == pytest.approx(16)


def test_a_budget_stops_what_would_exceed_it() -> None:
    """A sentence with what it would pull, what is allowed and the mend."""
    within_budget(2 * 10**9, 2, "programme.yaml")
    with pytest.raises(
        InputError, match=r"would pull about 5.2 GB from servers, more than the 2 GB allowed"
    ):
        within_budget(5_230_000_000, 2, "programme.yaml")


def test_the_command_tells_people_and_machines(programme_copy: Path) -> None:
    def ask(*options: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "afterrains.cli", "estimate", str(programme_copy), *options],
            capture_output=True, text=True, timeout=300, check=False,
        )  # fmt: skip

    told = ask("--json")
    assert told.returncode == 0, told.stderr
    assert json.loads(told.stdout)["tasks"] > 40
    people = ask()
    assert people.returncode == 0, people.stderr
    for word in (
        "August",
        "chance of none",
        "from servers",
        "room on disk",
        "local store",
        "minutes",
    ):
        assert word in people.stdout
    assert not (programme_copy.parent / "out").exists(), "an estimate left files behind"
