"""`afterrains train`: a woody-cover model from field plots."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.box import SIMPLE_HEAD
from rich.table import Table
from rich.text import Text

from afterrains.cli.terminal import (
    Bars,
    Json,
    Memory,
    ProgrammeFile,
    Scheduler,
    Workers,
    out,
    print_json,
)

if TYPE_CHECKING:
    from afterrains.jobs.train import TrainSummary
    from afterrains.woody.model import WoodyModel
    from afterrains.woody.validation import Scores

__all__ = ["train"]


def train(
    plots: Annotated[Path, typer.Argument(help="CSV file of field plots.", metavar="PLOTS")],
    programme: ProgrammeFile,
    to: Annotated[
        Path | None,
        typer.Option(help="Folder of the model; models/<programme id> beside PROGRAMME if unset."),
    ] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Write over a model there.")] = False,
    until: Annotated[
        datetime | None,
        typer.Option(help="Only plots surveyed up to this day.", formats=["%Y-%m-%d"]),
    ] = None,
    scheduler: Scheduler = None,
    workers: Workers = None,
    memory: Memory = None,
    as_json: Json = False,
) -> None:
    """Fit and check a woody-cover model, and write it with its card; resumes where it stopped."""
    from afterrains.jobs.train import train_programme

    with Bars() as bars:
        summary = train_programme(
            plots,
            programme,
            to=to,
            replace=replace,
            until=None if until is None else until.date(),
            workers=workers,
            scheduler=scheduler,
            memory_gb=memory,
            reporter=bars,
        )
    if as_json:
        print_json(summary.as_dict())
    else:
        _print_summary(summary, programme)
    raise typer.Exit(summary.exit_status)


def _print_summary(summary: TrainSummary, programme: Path) -> None:
    model, errors = summary.model, summary.errors
    for finding in summary.findings:
        out.print(Text(f"{finding.severity}  {finding}"), soft_wrap=True)
    used = f"{len(model.scores)} of {summary.plots_given} plots used"
    out.print(f"{used}, in {model.error_share.places} places.")
    if model.few_plots:
        out.print(
            Text("Few plots: the errors below are themselves uncertain.", style="yellow"),
            soft_wrap=True,
        )
    table = Table(
        title="Errors on places held out, percentage points of cover",
        title_justify="left",
        pad_edge=False,
        box=SIMPLE_HEAD,
    )
    table.add_column("", no_wrap=True)
    for heading in ("plots", "RMSE", "bias"):
        table.add_column(heading, justify="right")
    for each in errors.by_class:
        _add(table, f"cover {each.low:.0f} to {each.high:.0f} %", each.scores)
    _add(table, "cover below 10 %", errors.low_cover)
    _add(table, "all, places held out", errors.places_out)
    if errors.years_out is not None:
        _add(table, "all, seasons held out", errors.years_out)
    for name, scores in errors.baselines.items():
        _add(table, f"beside it: {name}", scores)
    out.print(table)
    lines = [
        f"Intervals of {100 * errors.level:.0f} % held {100 * errors.coverage:.0f} % of the plots, "
        "each place counted alike.",
        "RMSE by number of plots: "
        + ", ".join(f"{each.plots}: {each.rmse:.2f}" for each in errors.learning),
        "Weight of each feature: "
        + ", ".join(f"{name} {weight:.2f}" for name, weight in errors.importance.items()),
        *_radar(model),
        *(
            f"could not be read  {scene} {band}: {reason}"
            for scene, band, reason in summary.unreadable
        ),
        f"Model  {summary.folder}  (its errors and limits in card.md)",
        f"Use it with  woody: {{model: {_from(programme, summary.folder)}}}  in {programme.name}",
    ]
    for line in lines:
        out.print(Text(line), soft_wrap=True)


def _radar(model: WoodyModel) -> list[str]:
    """What became of radar, where there was any."""
    trial = model.radar
    if trial is None:
        return []
    tracks = " and ".join(trial.tracks)
    if trial.rmse_with != trial.rmse_with:
        return [f"Radar ({tracks}) not tried: {trial.why}"]
    return [
        f"Radar ({tracks}) {'kept' if trial.kept else 'left out'}: {trial.rmse_with:.2f} points "
        f"with it, {trial.rmse_without:.2f} without; {trial.why}"
    ]


def _add(table: Table, label: str, scores: Scores) -> None:
    told = (f"{scores.rmse:.2f}", f"{scores.bias:+.2f}") if scores.n else ("", "")
    table.add_row(label, str(scores.n), *told)


def _from(programme: Path, folder: Path) -> Path:
    """The folder as the programme file would name it."""
    home, there = programme.resolve().parent, folder.resolve()
    return there.relative_to(home) if there.is_relative_to(home) else there
