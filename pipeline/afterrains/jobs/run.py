"""The main job: the stages in their order. Each hands on a plain object; none reaches back.

prepare   programme, register, rain, calendar, scenes, cells: the tasks, nothing pulled yet
pull      each cell and season through Dask, skipping what the ledger has
judge     series, season values, verdicts (tables that fit anywhere)
deliver   tables, rasters, catalogue, page, manifest

A run that finds everything as it left it says so and does nothing.
"""

from __future__ import annotations

import hashlib
import json
import time
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any, Protocol

import pandas as pd
from distributed import Client

from afterrains.delivery import RasterFile, read_csv
from afterrains.delivery.look_counts import count_looks, look_notes
from afterrains.delivery.tables import VERDICTS
from afterrains.jobs.estimate import check_budget
from afterrains.rain import season_rain, sowing_rain
from afterrains.results import Tables, build_tables, judged_table, measuring_rule
from afterrains.scenes import BlockStore
from afterrains.stages.calendars import reference_of, start_rule
from afterrains.stages.cellwork import BLOCKS, CellResult, CellTask, load_looks, load_series
from afterrains.stages.deliver import STORE, State, deliver, earlier_state, remember
from afterrains.stages.history import put_aside, read_former
from afterrains.stages.ledger import Ledger, key_of, only_run
from afterrains.stages.maps import DrySeason, MapTask, draw
from afterrains.stages.prepare import Prepared, prepare
from afterrains.stages.pull import pull, split
from afterrains.stages.woodywork import (
    MODEL_FOLDER,
    CoverTask,
    draw_cover,
    model_record,
    settle_model,
    woody_digest,
)
from afterrains.stages.workers import connect, in_turn, processes_for, recorded_to
from afterrains.woody import model_digest

__all__ = ["Reporter", "RunSummary", "run_programme"]


class Reporter(Protocol):
    """Where a run tells how far it is."""

    def say(self, text: str) -> None:
        """One line of news."""

    def step(self, stage: str, done: int, total: int) -> None:
        """`done` of `total` pieces of a stage."""


class Stages:
    """When a run began and how long each of its stages took."""

    def __init__(self) -> None:
        self._began = datetime.now(UTC)
        self._at = time.monotonic()  # a wall clock may be set while a run goes on
        self._seconds: dict[str, float] = {}

    def ended(self, stage: str) -> None:
        """The time since the last stage's end was this one's."""
        now = time.monotonic()
        self._seconds[stage] = round(now - self._at, 2)
        self._at = now

    def told(self) -> dict[str, Any]:
        """For the manifest's `times`: instants (UTC) and the stages' seconds so far."""
        return {"started": self._began, "finished": datetime.now(UTC), "seconds": self._seconds}


class Silent:
    """A reporter that says nothing."""

    def say(self, text: str) -> None:
        """Drop the line."""

    def step(self, stage: str, done: int, total: int) -> None:
        """Drop the step."""


@dataclass(frozen=True)
class RunSummary:
    """What a run ends with."""

    exit_status: int
    output: Path
    page: Path
    verdicts: pd.DataFrame
    """The rows of verdicts.csv."""
    tasks_done: int
    tasks_kept: int
    unreadable: tuple[tuple[str, str, str], ...]
    """(scene_id, band, reason) of each read that failed after its retries."""
    refused: Mapping[str, int]
    """Scenes refused, by reason."""
    notes: tuple[str, ...] = ()
    """What was left out of the looks, and which ground is hardly ever seen."""
    store_bytes: int = 0
    """What is kept on this disk of remote files."""

    @property
    def as_of(self) -> str:
        """The newest season judged; empty where no site could be."""
        seasons = self.verdicts["as_of"].dropna()
        return str(seasons.max()) if len(seasons) else ""

    def as_dict(self) -> dict[str, Any]:
        """Plain values, for `--json`."""
        table = self.verdicts.astype(object).where(self.verdicts.notna(), None)
        return {
            "exit_status": self.exit_status,
            "output": str(self.output),
            "page": str(self.page),
            "verdicts": table.to_dict(orient="records"),
            "tasks_done": self.tasks_done,
            "tasks_kept": self.tasks_kept,
            "unreadable_reads": [list(read) for read in self.unreadable],
            "scenes_refused": dict(self.refused),
            "notes": list(self.notes),
            "store_bytes": self.store_bytes,
        }


_STAGE_READ = "reading cells × seasons"
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
    stages = Stages()
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
        kept, waiting = split(prepared.tasks, ledger)
        tell.say(_plan(prepared, len(waiting), len(kept)))
        check_budget(prepared, waiting, path.name)
        largest = max((task.memory_bytes for task in waiting), default=0)
        processes = processes_for(largest, workers, memory_gb)
        stages.ended("planning")
        with (
            connect(scheduler, processes, memory_gb) as client,
            recorded_to(performance_report),
        ):
            step = partial(tell.step, _STAGE_READ)
            tasks, results = pull(client, prepared.tasks, kept, waiting, ledger, step)
            prepared = replace(prepared, tasks=tasks)
            stages.ended("reading")
            maps = _map_tasks(prepared, ledger)
            rasters: list[RasterFile] = []
            draw_one = partial(draw, ledger=ledger, output=output)
            for number, drawn in enumerate(in_turn(client, draw_one, maps), start=1):
                rasters += drawn
                tell.step(_STAGE_DRAW, number, len(maps))
            cover, model = None, None
            if prepared.programme.woody is not None:
                model = _model(prepared, ledger, output, tell)
                cover, covered = _cover(prepared, model, maps, ledger, output, client, tell)
                rasters += covered
            stages.ended("mapping")
        tell.say("Judging the sites")
        series = _series(prepared.tasks, ledger)
        looks, look_counts = _looks(prepared.tasks, results, ledger)
        rain_after = _sowing_rain(prepared)
        unreadable = sorted({read for result in results.values() for read in result.unreadable})
        former = read_former(output)
        tables = _judge(prepared, series, cover, rain_after, former.history, not unreadable, output)
        if aside := put_aside(output, former, tables.specification["digest"]):
            tell.say(
                "The judging rule, its controls or its measure changed since the last run: the "
                f"history starts anew, and what was said before is kept in {aside}"
            )
        stages.ended("judging")
        times = stages.told()
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
        tasks_done=len(waiting),
        tasks_kept=len(kept),
        unreadable=tuple(unreadable),
        refused=_by_reason(prepared),
        store_bytes=BlockStore(output / STORE / BLOCKS).size().stored_bytes,
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
        tasks_kept=len(prepared.tasks),
        unreadable=(),
        refused=_by_reason(prepared),
        store_bytes=BlockStore(output / STORE / BLOCKS).size().stored_bytes,
        notes=look_notes(json.loads((output / "manifest.json").read_text("utf-8"))["looks"]),
    )


def _by_reason(prepared: Prepared) -> dict[str, int]:
    return dict(sorted(Counter(refusal.reason for refusal in prepared.refused).items()))


def _plan(prepared: Prepared, waiting: int, kept: int) -> str:
    sites = prepared.register.sites["role"].value_counts()
    return (
        f"{sites.get('sown', 0)} sown and {sites.get('control', 0)} control sites in "
        f"{len(prepared.cells)} cells; {len(prepared.scenes)} scenes to use, "
        f"{len(prepared.refused)} refused; {waiting} cell-seasons to read, {kept} kept from before"
    )


def _code_digest() -> str:
    """SHA-256 of the package's own code: another method may judge the same data otherwise."""
    package = Path(__file__).parent.parent
    digest = hashlib.sha256()
    for source in sorted(package.rglob("*.*")):
        if source.suffix in {".py", ".j2", ".css", ".js", ".yaml"}:
            digest.update(source.relative_to(package).as_posix().encode())
            digest.update(source.read_bytes())
    return digest.hexdigest()


def _run_key(prepared: Prepared) -> str:
    """Digest of all that the results depend on."""
    register, rain = prepared.register, prepared.rain
    sites = pd.DataFrame(register.sites.drop(columns=["core", "geometry"]))
    sites["wkb"] = register.sites.geometry.to_wkb(hex=True)
    return key_of(
        _code_digest(),
        prepared.programme.digest,
        woody_digest(prepared.programme),
        sites.to_csv(index=False),
        register.sowing.to_csv(index=False),
        "" if rain is None else rain.daily.to_csv(),
        prepared.full_calendar.to_csv(index=False),
        [task.key for task in prepared.tasks],
        [[refusal.scene_id, refusal.reason] for refusal in prepared.refused],
    )


def _map_tasks(prepared: Prepared, ledger: Ledger) -> list[MapTask]:
    """One for each cell that has a complete dry season."""
    calendar = prepared.calendar.set_index("season")
    dry: dict[str, list[DrySeason]] = {cell.cell_id: [] for cell in prepared.cells}
    for task in prepared.tasks:
        if task.kind == "dry" and calendar.at[task.season, "complete"]:
            row = calendar.loc[task.season]
            season = DrySeason(task.season, row["start"].date(), row["end"].date(), task.key)
            dry[task.cell.cell_id].append(season)
    return [
        MapTask(cell, tuple(dry[cell.cell_id]), prepared.programme.programme.id)
        for cell in prepared.cells
        if dry[cell.cell_id]
    ]


def _series(tasks: Iterable[CellTask], ledger: Ledger) -> pd.DataFrame:
    """The polygon series of all cells and seasons, in a fixed order."""
    table = pd.concat([load_series(ledger, task.key) for task in tasks], ignore_index=True)
    return table.sort_values(["site_id", "date", "sensor", "scene_id"], ignore_index=True)


def _looks(
    tasks: Iterable[CellTask], results: Mapping[str, CellResult], ledger: Ledger
) -> tuple[pd.DataFrame, dict[str, Any]]:
    """What each pass showed of each site, and the counts of it."""
    tasks = list(tasks)
    table = pd.concat([load_looks(ledger, task.key) for task in tasks], ignore_index=True)
    doubted = [scene for result in results.values() for scene in result.doubted]
    always = [
        (site, task.season, share)
        for task in tasks
        for site, share in results[task.key].always_masked
    ]
    return table, count_looks(table, doubted, always)


def _model(prepared: Prepared, ledger: Ledger, output: Path, tell: Reporter) -> Path:
    """Folder of the woody-cover model, fitted now where the programme names plots."""
    tell.say("Settling the woody-cover model")
    model, findings = settle_model(
        prepared.programme, prepared.tasks, prepared.calendar, ledger, output
    )
    for finding in findings:
        tell.say(f"{finding.severity}  {finding}")
    return model


def _cover(
    prepared: Prepared,
    model: Path,
    maps: list[MapTask],
    ledger: Ledger,
    output: Path,
    client: Client,
    tell: Reporter,
) -> tuple[pd.DataFrame, list[RasterFile]]:
    """Woody cover of all sites and seasons, and the rasters written on the way."""
    first = prepared.register.sowing.groupby("site_id")["sown_on"].min()
    sown = {str(site_id): day.date() for site_id, day in first.items()}
    cores = dict(
        zip(
            prepared.register.sites["site_id"],
            prepared.register.sites["core"].to_wkb(),
            strict=True,
        )
    )
    keys: dict[str, dict[str, str]] = {cell.cell_id: {} for cell in prepared.cells}
    for task in prepared.tasks:
        keys[task.cell.cell_id][task.season] = task.key
    tasks = [
        CoverTask(
            cell=each.cell,
            cores={site_id: cores[site_id] for site_id in each.cell.site_ids},
            sown={site_id: sown[site_id] for site_id in each.cell.site_ids if site_id in sown},
            programme_sown_on=min(sown.values(), default=None),
            dry=each.seasons,
            keys=keys[each.cell.cell_id],
            calendar=prepared.calendar,
            model=model,
            programme_id=each.programme_id,
        )
        for each in maps
    ]
    tables: list[pd.DataFrame] = []
    rasters: list[RasterFile] = []
    draw_one = partial(draw_cover, ledger=ledger, output=output)
    for number, done in enumerate(in_turn(client, draw_one, tasks), start=1):
        tables.append(done.sites)
        rasters += done.rasters
        tell.step(_STAGE_COVER, number, len(tasks))
    order = {season: at for at, season in enumerate(prepared.calendar["season"])}
    table = pd.concat(tables, ignore_index=True)
    table = table.sort_values(
        ["site_id", "season"], key=lambda c: c.map(order) if c.name == "season" else c
    )
    return table.reset_index(drop=True), rasters


def _judge(
    prepared: Prepared,
    series: pd.DataFrame,
    cover: pd.DataFrame | None,
    rain_after: pd.DataFrame | None,
    former: pd.DataFrame,
    whole: bool,
    output: Path,
) -> Tables:
    sites, programme = prepared.register.sites, prepared.programme
    model = None
    if programme.woody is not None:
        model = model_digest(programme.woody.model or output / MODEL_FOLDER)
    site_ids = list(sites["site_id"])
    values = judged_table(series, prepared.calendar, site_ids, prepared.indices)
    return build_tables(
        values,
        prepared.calendar,
        _season_rain(prepared, site_ids),
        sites,
        prepared.register.sowing,
        prepared.indices,
        programme.evidence,
        cover,
        rain_after,
        spill_over_m=programme.controls.spill_over_m,
        measuring=measuring_rule(programme, sites, model),
        former=former,
        whole=whole,
    )


def _season_rain(prepared: Prepared, site_ids: list[str]) -> pd.DataFrame:
    """Rain of each site and season against the whole rain record; empty without one."""
    if prepared.rain is None:
        pairs = pd.MultiIndex.from_product(
            [site_ids, prepared.calendar["season"]], names=["site_id", "season"]
        )
        unknown = ("rain_mm", "spi", "rain_rank", "rain_days", "dry_spell_days")
        empty = dict.fromkeys(unknown, float("nan"))
        return pd.DataFrame(empty, pairs).reset_index().assign(spi_class="")
    reference = reference_of(prepared.programme, prepared.rain)
    table = season_rain(prepared.rain, prepared.full_calendar, site_ids, reference=reference)
    return table[table["season"].isin(prepared.calendar["season"])]


def _sowing_rain(prepared: Prepared) -> pd.DataFrame | None:
    if prepared.rain is None:
        return None
    sowing = prepared.register.sowing
    rule = start_rule(prepared.programme)
    table = sowing_rain(
        sowing,
        prepared.rain,
        calendar=prepared.full_calendar,
        effective_mm=rule.effective_mm,
        within_days=rule.within_days,
        dry_spell_days=rule.dry_spell_days,
        wet_day_mm=rule.wet_day_mm,
        reference=reference_of(prepared.programme, prepared.rain),
    )
    # Rows are in the order of the sowings; the way goes along, so that sites can be told by it.
    return table.assign(
        **{way: sowing[way].to_numpy() for way in ("method", "species", "seed_lot")}
    )
