"""Fitting a woody-cover model to a programme's plots: read what the plots need, fit, write.

Cells are read by the same tasks and into the same ledger as in a run, so that what one has read the
other finds. A run that trains within itself comes to the same model.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import pandas as pd

from afterrains.errors import Finding, InputError
from afterrains.jobs.estimate import check_budget
from afterrains.jobs.progress import Reporter, Silent
from afterrains.register import check_plots, read_plots
from afterrains.register.findings import has_errors
from afterrains.stages.cell_task import Task
from afterrains.stages.deliver import STORE
from afterrains.stages.ledger import Ledger, only_run
from afterrains.stages.prepare import Prepared, prepare
from afterrains.stages.pull import pull, pull_radar, split
from afterrains.stages.woodywork import card_facts, fit_from_ledger
from afterrains.stages.workers import connect, processes_for
from afterrains.woody import ModelErrors, WoodyModel, cell_seasons_needed, describe, save

__all__ = ["TrainSummary", "train_programme"]

_MODELS = "models"
_RECIPE = "recipe.json"
_STAGE_READ = "reading cells × seasons"

_AnyTask = TypeVar("_AnyTask", bound=Task)


@dataclass(frozen=True)
class TrainSummary:
    """What a training ends with."""

    folder: Path
    """Where the model lies."""
    digest: str
    model: WoodyModel
    errors: ModelErrors
    plots_given: int
    findings: tuple[Finding, ...]
    """Warnings of the plots: what was left out, and what looks odd."""
    tasks_done: int
    tasks_kept: int
    unreadable: tuple[tuple[str, str, str], ...]
    """(scene_id, band, reason) of each read that failed after its retries."""

    @property
    def exit_status(self) -> int:
        """1 where data that should have been there could not be read."""
        return 1 if self.unreadable else 0

    def as_dict(self) -> dict[str, Any]:
        """Plain values, for `--json`; missing numbers are None."""
        errors, model = self.errors, self.model
        return {
            "exit_status": self.exit_status,
            "model": str(self.folder),
            "model_sha256": self.digest,
            "plots_given": self.plots_given,
            "plots_used": len(model.scores),
            "places": model.error_share.places,
            "few_plots": model.few_plots,
            "places_out": _plain(asdict(errors.places_out)),
            "years_out": errors.years_out and _plain(asdict(errors.years_out)),
            "by_cover": [
                {"low": each.low, "high": each.high} | _plain(asdict(each.scores))
                for each in errors.by_class
            ],
            "below_10_percent": _plain(asdict(errors.low_cover)),
            "interval": {
                "level": errors.level,
                "held": errors.coverage,
                "held_pooled": errors.coverage_pooled,
            },
            "simpler_models": {
                name: _plain(asdict(scores)) for name, scores in errors.baselines.items()
            },
            "learning": [asdict(each) for each in errors.learning],
            "importance": errors.importance,
            "radar": None if model.radar is None else _plain(asdict(model.radar)),
            "warnings": [asdict(finding) for finding in self.findings],
            "tasks_done": self.tasks_done,
            "tasks_kept": self.tasks_kept,
            "unreadable_reads": [list(read) for read in self.unreadable],
        }


def train_programme(
    plots_file: Path,
    path: Path,
    *,
    to: Path | None = None,
    replace: bool = False,
    until: date | None = None,
    workers: int | None = None,
    scheduler: str | None = None,
    memory_gb: float | None = None,
    reporter: Reporter | None = None,
) -> TrainSummary:
    """Fit a model to plots on a programme's scenes and write it with its card.

    Parameters
    ----------
    plots_file : Path
        CSV file of plots, contract section 2.
    path : Path
        The programme file; what it says under `woody` is not looked at.
    to : Path, optional
        Folder of the model; `models/<programme id>` beside the programme file if not given.
    replace : bool
        Whether a model that is there may be written over.
    until : date, optional
        Only plots surveyed up to this day: verdicts of later seasons then rest on a model that was
        settled before them.
    workers, scheduler, memory_gb, reporter
        As for `run_programme`.

    Returns
    -------
    TrainSummary

    Raises
    ------
    InputError
        With every fault of the plots and of the programme's inputs; when a model is there already;
        when the plots are too few.
    ServiceError, OutputError
        What was read is kept, and the same call goes on from there.
    """
    tell = reporter or Silent()
    findings = check_plots(plots_file)
    plots, given = None, 0
    if not has_errors(findings):
        plots = read_plots(plots_file)
        given = len(plots)
        if until is not None:
            plots = plots[plots["surveyed_on"] <= pd.Timestamp(until)].reset_index(drop=True)
    prepared = _prepared(path, findings, plots, plots_file.name)
    programme = prepared.programme
    folder = to or path.resolve().parent / _MODELS / programme.programme.id
    _require_free(folder, replace)
    for warning in (*prepared.warnings, *findings):
        tell.say(f"{warning.severity}  {warning}")
    plots = prepared.plots
    assert plots is not None, "faults of the plots have been raised"
    output = programme.output_folder
    with only_run(output):
        ledger = Ledger(output / STORE)
        ledger.sweep()
        needed = _needed(plots, prepared)
        tasks = _among(prepared.all_tasks, needed)
        radar = _among(prepared.radar, needed)
        kept, waiting = split(tasks, ledger)
        kept_radar, waiting_radar = split(radar, ledger)
        to_do: list[Task] = [*waiting, *waiting_radar]
        known = len(kept) + len(kept_radar)
        tell.say(
            f"{len(plots)} of {given} plots, {len(prepared.cells)} cells; "
            f"{len(to_do)} cell-seasons to read, {known} kept from before"
        )
        check_budget(prepared, to_do, path.name)
        results, radar_results = dict(kept), dict(kept_radar)
        if to_do:
            largest = max(task.memory_bytes for task in to_do)
            processes = processes_for(largest, workers, memory_gb)
            with connect(scheduler, processes, memory_gb) as client:
                step = partial(tell.step, _STAGE_READ)
                tasks, results = pull(client, tasks, kept, waiting, ledger, step)
                radar_results = pull_radar(client, kept_radar, waiting_radar, ledger, step)
        tell.say("Fitting, and measuring errors on places held out")
        model, left_out = fit_from_ledger(
            plots, tasks, radar, prepared.radar_tracks, prepared.calendar, ledger
        )
        errors = describe(model)
        digest = save(model, folder, card_facts(programme, plots_file), errors=errors)
    return TrainSummary(
        folder=folder,
        digest=digest,
        model=model,
        errors=errors,
        plots_given=given,
        findings=(*findings, *left_out),
        tasks_done=len(to_do),
        tasks_kept=known,
        unreadable=tuple(
            sorted(
                {
                    read
                    for each in (*results.values(), *radar_results.values())
                    for read in each.unreadable
                }
            )
        ),
    )


def _prepared(
    path: Path, plot_findings: Sequence[Finding], plots: pd.DataFrame | None, file: str
) -> Prepared:
    """The plan, or every fault of the plots and of the programme at once."""
    try:
        prepared = prepare(path, training=True, plots=plots, plots_file=file)
    except InputError as error:
        raise InputError([*plot_findings, *error.findings]) from error
    if has_errors(plot_findings):
        raise InputError([*plot_findings, *prepared.warnings])
    return prepared


def _needed(plots: pd.DataFrame, prepared: Prepared) -> frozenset[tuple[str, str]]:
    """Cells and seasons whose composites the plots need."""
    boxes = {cell.cell_id: cell.geobox for cell in prepared.cells}
    at_sites = cell_seasons_needed(plots, boxes, prepared.calendar)
    return at_sites | {(task.cell.cell_id, task.season) for task in prepared.plot_tasks}


def _among(tasks: Sequence[_AnyTask], needed: frozenset[tuple[str, str]]) -> tuple[_AnyTask, ...]:
    """The tasks of these cells and seasons, in the plan's order."""
    return tuple(task for task in tasks if (task.cell.cell_id, task.season) in needed)


def _require_free(folder: Path, replace: bool) -> None:
    """Raise InputError where the folder holds something that the model would write over."""
    if not folder.exists() or (folder.is_dir() and not any(folder.iterdir())):
        return
    if folder.is_dir() and (folder / _RECIPE).is_file():
        if replace:
            return
        what = "a model is there already"
        mend = "give another folder with --to, or --replace to write over it"
    else:
        what = "is there already and holds no model"
        mend = "give another folder with --to"
    raise InputError([Finding("error", str(folder), "", what, mend, "model-there-already")])


def _plain(values: Mapping[str, Any]) -> dict[str, Any]:
    """JSON has no "not a number"."""
    return {name: None if value != value else value for name, value in values.items()}
