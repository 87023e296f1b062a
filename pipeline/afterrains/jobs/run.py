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
from functools import partial
from pathlib import Path

import pandas as pd

from afterrains.delivery.look_counts import look_notes
from afterrains.delivery.manifest import scenes_told
from afterrains.delivery.table_files import read_csv
from afterrains.delivery.tables import VERDICTS
from afterrains.jobs.progress import Reporter, Silent, StageTimes
from afterrains.jobs.pulling import Pulled, on_workers, pull_and_map
from afterrains.jobs.summary import RunSummary
from afterrains.scenes import BlockStore
from afterrains.stages.deliver import (
    STORE,
    Delivered,
    State,
    deliver,
    earlier_state,
    finish,
    remember,
)
from afterrains.stages.drawn_ground import keep
from afterrains.stages.drawn_told import not_used
from afterrains.stages.freed import from_one_place, let_go
from afterrains.stages.history import put_aside, read_former
from afterrains.stages.judging import judge_sites, rain_after_sowing
from afterrains.stages.ledger import Ledger, key_of, only_run
from afterrains.stages.measured import measure
from afterrains.stages.prepare import Prepared, prepare
from afterrains.stages.readers import BLOCKS
from afterrains.stages.traces import code_digest
from afterrains.stages.woodywork import model_record, woody_digest

__all__ = ["RunSummary", "run_programme"]


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
    from_one_place()
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
        start = partial(on_workers, scheduler, workers, memory_gb, performance_report)
        pulled = pull_and_map(prepared, path.name, ledger, output, start, tell, stages)
        # What a stage needs no more is let go: the cluster makes room for the tables, a large
        # programme's tasks for the judge, its register and tables for the page.
        del prepared
        let_go()
        summary, delivered = _delivered(pulled, ledger, output, tell, stages)
        del pulled
        finish(delivered)
        remember(output, State(run_key, summary.exit_status, len(summary.unreadable)))
    return summary


def _delivered(
    pulled: Pulled, ledger: Ledger, output: Path, tell: Reporter, stages: StageTimes
) -> tuple[RunSummary, Delivered]:
    """Judge the sites and write what is known of them; the summary, and what finishing needs."""
    tell.say("Judging the sites")
    measured = measure(pulled.prepared, pulled.results, ledger)
    scenes_used = scenes_told(pulled.prepared.scenes)
    prepared = pulled.prepared = pulled.prepared.once_read()
    pulled.results = {}
    let_go()
    rain_after = rain_after_sowing(prepared)
    former = read_former(output)
    whole = not pulled.unreadable
    tables = judge_sites(
        prepared, measured, pulled.cover, rain_after, former.history, output, whole=whole
    )
    measured = measured.once_judged()
    if idle := not_used(tables.controls):
        tell.say(idle)
    if aside := put_aside(output, former, tables.specification["digest"]):
        tell.say(
            "The judging rule, its controls or its measure changed since the last run: the "
            f"history starts anew, and what was said before is kept in {aside}"
        )
    let_go()
    stages.ended("judging")
    stored = BlockStore(output / STORE / BLOCKS).size().stored_bytes
    times = {**stages.told(), "local_store_bytes": stored}
    model = None if pulled.model is None else model_record(pulled.model)
    deliver(
        output, prepared, scenes_used, measured, tables, rain_after, pulled.rasters,
        pulled.unreadable, times, model,
    )  # fmt: skip
    summary = RunSummary(
        exit_status=0 if whole else 1,
        output=output,
        page=_page(output),
        verdicts=read_csv(VERDICTS, output / VERDICTS.file),
        tasks_done=pulled.tasks_done,
        tasks_kept=pulled.tasks_kept,
        unreadable=pulled.unreadable,
        refused=_by_reason(prepared),
        store_bytes=stored,
        notes=look_notes(measured.look_counts),
    )
    return summary, Delivered.of(output, prepared)


def _page(output: Path) -> Path:
    """Where the page stands."""
    return output / "report" / "index.html"


def _standing(prepared: Prepared, output: Path, before: State) -> RunSummary:
    """The summary of an earlier run whose results still stand."""
    return RunSummary(
        exit_status=before.exit_status,
        output=output,
        page=_page(output),
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
