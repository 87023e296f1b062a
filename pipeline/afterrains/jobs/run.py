"""The main job: the stages in their order. Each hands on a plain object; none reaches back.

prepare   programme, register, rain, calendar, scenes, cells: the tasks, nothing pulled yet
pull      each cell and season through Dask, skipping what the ledger has
judge     series, season values, verdicts (tables that fit anywhere)
deliver   tables, rasters, catalogue, page, manifest

A run that finds everything as it left it says so and does nothing.
"""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from functools import partial
from pathlib import Path

import pandas as pd

from afterrains.delivery.look_counts import look_notes
from afterrains.delivery.table_files import read_csv
from afterrains.delivery.tables import VERDICTS
from afterrains.jobs.estimate import check_budget
from afterrains.jobs.progress import Reporter, Silent, StageTimes
from afterrains.jobs.summary import RunSummary
from afterrains.scenes import BlockStore
from afterrains.stages.cell_task import Task
from afterrains.stages.deliver import STORE, State, deliver, earlier_state, remember
from afterrains.stages.drawing import draw_covers, draw_maps, map_tasks
from afterrains.stages.drawn_ground import keep
from afterrains.stages.drawn_told import not_used
from afterrains.stages.freed import give_back
from afterrains.stages.history import put_aside, read_former
from afterrains.stages.judging import judge_sites, looks_of, rain_after_sowing, series_of
from afterrains.stages.ledger import Ledger, key_of, only_run
from afterrains.stages.prepare import Prepared, prepare
from afterrains.stages.pull import pull, pull_radar, split
from afterrains.stages.readers import BLOCKS
from afterrains.stages.traces import code_digest
from afterrains.stages.woodywork import model_record, settle_model, woody_digest
from afterrains.stages.workers import connect, on_all, processes_for, recorded_to

__all__ = ["RunSummary", "run_programme"]


_STAGE_READ = "reading cells × seasons"
_STAGE_RADAR = "reading radar"
_STAGE_DRAW = "drawing maps"
_STAGE_COVER = "mapping woody cover"


def run_programme(
    path: Path,
    *,
    scheduler: str | None = None,
    workers: int | None = None,
    memory_gb: float | None = None,
    performance_report: Path | None = None,
    reporter: Reporter | None = None,
) -> RunSummary:
    """Do the main job for a programme file.

    Parameters
    ----------
    path : Path
        The programme file.
    scheduler : str, optional
        Address of a Dask scheduler whose workers see the same paths; local processes if unset.
    workers : int, optional
        Local processes; one per core if unset.
    memory_gb : float, optional
        What the local processes together may take, in 10^9 bytes; fewer are started where the
        largest cell-season leaves no room for more.
    performance_report : Path, optional
        Where Dask's account of its workers is written (HTML; needs bokeh).
    reporter : Reporter, optional
        Told of each step; silent if unset.

    Returns
    -------
    RunSummary

    Raises
    ------
    InputError, ServiceError, OutputError
        See `errors`; what is done is kept and the next run goes on from there.
    """
    tell = reporter or Silent()
    stages = StageTimes()
    prepared = prepare(path)
    stages.ended("preparing")
    for warning in prepared.warnings:
        tell.say(f"warning  {warning}")
    output = prepared.programme.output_folder
    ledger = Ledger(output / STORE)
    with only_run(output):
        run_key = _run_key(prepared)
        before = earlier_state(output)
        if before is not None and before.run_key == run_key and not before.unreadable:
            tell.say("Nothing is new since the last run; its results stand.")
            return _standing(prepared, output, before)
        ledger.sweep()
        if prepared.drawn is not None:
            keep(prepared.drawn, output)
        kept, waiting = split(prepared.all_tasks, ledger)
        kept_radar, waiting_radar = split(prepared.radar, ledger)
        to_do: list[Task] = [*waiting, *waiting_radar]
        known = len(kept) + len(kept_radar)
        tell.say(_plan(prepared, len(to_do), known))
        check_budget(prepared, to_do, path.name)
        largest = max((task.memory_bytes for task in to_do), default=0)
        processes = processes_for(largest, workers, memory_gb)
        give_back()
        stages.ended("planning")
        with (
            connect(
                scheduler, processes, memory_gb, watched=performance_report is not None
            ) as client,
            recorded_to(performance_report),
        ):
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
        tell.say("Judging the sites")
        series = series_of(prepared.tasks, ledger)
        looks, look_counts = looks_of(prepared.tasks, results, ledger)
        give_back()
        rain_after = rain_after_sowing(prepared)
        everything = (*results.values(), *radar.values())
        unreadable = sorted({read for result in everything for read in result.unreadable})
        former = read_former(output)
        tables = judge_sites(
            prepared, series, cover, rain_after, former.history, output, whole=not unreadable
        )
        if idle := not_used(tables.controls):
            tell.say(idle)
        if aside := put_aside(output, former, tables.specification["digest"]):
            tell.say(
                "The judging rule, its controls or its measure changed since the last run: the "
                f"history starts anew, and what was said before is kept in {aside}"
            )
        give_back()
        stages.ended("judging")
        stored = BlockStore(output / STORE / BLOCKS).size().stored_bytes
        times = {**stages.told(), "local_store_bytes": stored}
        page = deliver(
            output, prepared, series, looks, look_counts, tables, rain_after, rasters, unreadable,
            times, None if model is None else model_record(model),
        )  # fmt: skip
        state = State(run_key, exit_status=1 if unreadable else 0, unreadable=len(unreadable))
        remember(output, state)
    return RunSummary(
        exit_status=state.exit_status,
        output=output,
        page=page,
        verdicts=read_csv(VERDICTS, output / VERDICTS.file),
        tasks_done=len(to_do),
        tasks_kept=known,
        unreadable=tuple(unreadable),
        refused=_by_reason(prepared),
        store_bytes=stored,
        notes=look_notes(look_counts),
    )


def _standing(prepared: Prepared, output: Path, before: State) -> RunSummary:
    """The summary of an earlier run whose results still stand."""
    return RunSummary(
        exit_status=before.exit_status,
        output=output,
        page=output / "report" / "index.html",
        verdicts=read_csv(VERDICTS, output / VERDICTS.file),
        tasks_done=0,
        tasks_kept=len(prepared.all_tasks) + len(prepared.radar),
        unreadable=(),
        refused=_by_reason(prepared),
        store_bytes=BlockStore(output / STORE / BLOCKS).size().stored_bytes,
        notes=look_notes(json.loads((output / "manifest.json").read_text("utf-8"))["looks"]),
    )


def _by_reason(prepared: Prepared) -> dict[str, int]:
    return dict(sorted(Counter(refusal.reason for refusal in prepared.refused).items()))


def _plan(prepared: Prepared, waiting: int, kept: int) -> str:
    sites = prepared.register.sites["role"].value_counts()
    drawn = f" ({len(prepared.register.drawn)} drawn)" if prepared.register.drawn else ""
    return (
        f"{sites.get('sown', 0)} sown and {sites.get('control', 0)} control sites{drawn} in "
        f"{len(prepared.cells)} cells; {len(prepared.scenes)} scenes to use, "
        f"{len(prepared.refused)} refused; {waiting} cell-seasons to read, {kept} kept from before"
    )


def _run_key(prepared: Prepared) -> str:
    """Digest of all that the results depend on."""
    register, rain = prepared.register, prepared.rain
    sites = pd.DataFrame(register.sites.drop(columns=["core", "geometry"]))
    sites["wkb"] = register.sites.geometry.to_wkb(hex=True)
    return key_of(
        code_digest(leave_out=()),
        prepared.programme.digest,
        woody_digest(prepared.programme),
        sites.to_csv(index=False),
        register.sowing.to_csv(index=False),
        "" if rain is None else rain.daily.to_csv(),
        prepared.full_calendar.to_csv(index=False),
        [task.key for task in prepared.all_tasks],
        [task.key for task in prepared.radar],
        [[refusal.scene_id, refusal.reason] for refusal in prepared.refused],
    )
