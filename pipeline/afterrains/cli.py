"""The commands. Each parses, calls one function, prints, and returns an exit status.

0 done; 1 done, but data that should have been there could not be read; 2 the inputs are wrong;
3 a service failed and the run can be resumed (contract section 5).
"""

from __future__ import annotations

import json
import sys
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import pandas as pd
import typer
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    TaskID,
    TextColumn,
    TimeElapsedColumn,
    TimeRemainingColumn,
)
from rich.table import Table
from rich.text import Text

from afterrains.errors import AfterrainsError, Finding, InputError

if TYPE_CHECKING:
    from afterrains.estimate import Estimate
    from afterrains.run import RunSummary

__all__ = ["app", "main"]

app = typer.Typer(
    name="afterrains",
    help="Which sown dryland sites regenerate beyond comparable unsown ground, and how surely.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)

ProgrammeFile = Annotated[
    Path, typer.Argument(help="The programme file (YAML).", metavar="PROGRAMME")
]
Json = Annotated[bool, typer.Option("--json", help="Print the result as JSON, for machines.")]

# Results go to standard output, progress and problems to standard error: a pipe stays clean.
_out = Console()
_SHOWN = 10
_ROOM_FOR_REASONS = 120
_STYLE = {"gain": "green", "loss": "red", "no-gain": "dark_orange", "grass-only": "yellow"}
_UNIT = {"ndvi": "dry-season NDVI", "points": "percentage points of woody cover"}
_err = Console(stderr=True)


class _Bars:
    """Progress on the terminal; plain lines where there is no terminal."""

    def __init__(self) -> None:
        self._progress = Progress(
            TextColumn("{task.description:<28}"),
            BarColumn(bar_width=30),
            MofNCompleteColumn(),
            TimeElapsedColumn(),
            TimeRemainingColumn(compact=True),
            console=_err,
        )
        self._tasks: dict[str, TaskID] = {}

    def __enter__(self) -> _Bars:
        self._progress.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._progress.stop()

    def say(self, text: str) -> None:
        """One line above the bars."""
        self._progress.console.print(Text(text), soft_wrap=True)

    def step(self, stage: str, done: int, total: int) -> None:
        """Move the bar of a stage."""
        if stage not in self._tasks:
            self._tasks[stage] = self._progress.add_task(stage, total=total)
        self._progress.update(self._tasks[stage], completed=done, total=total)


def main() -> None:
    """Run the command line; a problem the user can mend is printed, never a traceback."""
    try:
        app()
    except InputError as error:
        print_findings(error.findings)
        sys.exit(error.exit_status)
    except AfterrainsError as error:
        _err.print(Text(str(error), style="bold"))
        sys.exit(error.exit_status)
    except KeyboardInterrupt:
        _err.print("stopped; what is done is kept, and the same command goes on from here")
        sys.exit(130)


def print_findings(findings: tuple[Finding, ...] | list[Finding]) -> None:
    """Every problem with its place and its mend, errors first."""
    for finding in sorted(findings, key=lambda found: (found.severity != "error", found.file)):
        line = Text()
        line.append(
            f"{finding.severity:<8}", style="red" if finding.severity == "error" else "yellow"
        )
        line.append(f"{finding.file}", style="bold")
        line.append(f": {finding.where}: " if finding.where else ": ")
        line.append(f"{finding.what}; {finding.mend}")
        _err.print(line, soft_wrap=True)


def _print_json(value: Any) -> None:
    _out.print_json(json.dumps(value, default=str, allow_nan=False))


@app.command()
def check(programme: ProgrammeFile, as_json: Json = False) -> None:
    """Tell every problem in the inputs at once, with file, row and mend."""
    from afterrains.prepare import check_programme

    findings = check_programme(programme)
    errors = sum(finding.severity == "error" for finding in findings)
    if as_json:
        _print_json({"errors": errors, "findings": [finding.as_dict() for finding in findings]})
    else:
        print_findings(findings)
        _out.print(
            f"{errors} errors, {len(findings) - errors} warnings"
            + ("" if errors else "; the programme can run")
        )
    raise typer.Exit(2 if errors else 0)


@app.command()
def estimate(programme: ProgrammeFile, as_json: Json = False) -> None:
    """Tell what a run would take, before anything is pulled."""
    from afterrains.estimate import estimate as reckon_up

    found = reckon_up(programme)
    if as_json:
        _print_json(found.as_dict())
    else:
        _print_estimate(found)


@app.command()
def run(
    programme: ProgrammeFile,
    scheduler: Annotated[
        str | None, typer.Option(help="Address of a Dask scheduler; local processes if left out.")
    ] = None,
    workers: Annotated[
        int | None, typer.Option(min=1, help="Local processes; one per core if left out.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Do the main job; resumes where it stopped."""
    # Each command loads what it needs: `--help` must not wait for numba and Dask.
    from afterrains.run import run_programme

    with _Bars() as bars:
        summary = run_programme(programme, scheduler=scheduler, workers=workers, reporter=bars)
    if as_json:
        _print_json(summary.as_dict())
    else:
        _print_summary(summary)
    raise typer.Exit(summary.exit_status)


@app.command()
def sample(
    folder: Annotated[Path, typer.Argument(help="Where the sample programme is written.")],
    seed: Annotated[int, typer.Option(help="Another seed gives another invented district.")] = 1,
    if_missing: Annotated[
        bool, typer.Option("--if-missing", help="Do nothing where the scenes are there already.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Write the invented sample programme and its scenes."""
    from afterrains.sample import is_written, write_sample

    programme = folder / "programme.yaml"
    if if_missing and is_written(folder, seed=seed):
        written = False
    else:
        written = True
        with _Bars() as bars:
            bars.say(f"Writing the sample programme (seed {seed}) to {folder}")
            write_sample(
                folder, seed=seed, progress=lambda done, total: bars.step("scenes", done, total)
            )
    if as_json:
        _print_json({"programme": str(programme), "written": written})
    else:
        state = "is written" if written else "is there already"
        _out.print(Text(f"The sample programme {state}: {programme}"))


@app.command()
def report(
    output: Annotated[Path, typer.Argument(help="A programme's output folder.")],
    as_json: Json = False,
) -> None:
    """Rebuild the page from the tables and rasters."""
    from afterrains.delivery.page import build

    page = build(output)
    if as_json:
        _print_json({"page": str(page)})
    else:
        _out.print(Text(f"The page is in {page}"))


def _print_estimate(found: Estimate) -> None:
    """What is to be read, what it takes, and which months will show little."""
    refused = ", ".join(f"{count} {reason}" for reason, count in found.refused.items())
    _out.print(
        Text(
            f"{found.sites} sites in {found.cells} cells; {found.scenes} scenes of {found.dates} "
            f"dates to use" + (f", left out: {refused}" if refused else "")
        ),
        soft_wrap=True,
    )
    kept = f", {found.tasks_kept} kept from before" if found.tasks_kept else ""
    _out.print(f"{found.tasks} cell-seasons to read{kept}", soft_wrap=True)
    table = Table(title="Looks in a month", title_justify="left", pad_edge=False, box=SIMPLE_HEAD)
    table.add_column("month", no_wrap=True)
    for heading in ("passes", "clear", "chance of none"):
        table.add_column(heading, justify="right", no_wrap=True)
    for month in found.months:
        name = f"{date(2001, month.month, 1):%B}"
        gap = f"{month.gap_percent:.0f} %"
        table.add_row(name, f"{month.looks:.1f}", f"{month.clear_looks:.1f}", gap)
    _out.print(table)
    told = [
        ("blocks", f"{found.blocks:,}"),
        ("from servers", f"{found.pulled_bytes / 1e6:,.0f} MB in {found.requests:,} requests"),
        ("from this disk", f"{found.local_bytes / 1e6:,.0f} MB"),
        ("room on disk", f"{found.disk_bytes / 1e6:,.0f} MB"),
    ]
    if found.seconds is not None:
        minutes = f"{found.seconds / 60:,.1f} minutes with {found.workers} processes"
        told.append(("reading", f"{minutes}, by {found.probed} probed looks"))
    for name, value in told:
        _out.print(Text(f"{name:<16}{value}"), soft_wrap=True)
    for note in found.notes:
        _out.print(Text(f"note  {note}", style="yellow"), soft_wrap=True)


def _print_summary(summary: RunSummary) -> None:
    """The verdict table, what could not be read, and where the results are."""
    table = Table(
        title=f"Verdicts as of {summary.as_of or 'no season yet'}",
        title_justify="left",
        pad_edge=False,
        box=SIMPLE_HEAD,
    )
    for heading in ("site", "verdict"):
        table.add_column(heading, no_wrap=True)
    for heading in ("gain", "95 % interval", "seasons"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("answer by")
    # Reasons are sentences: beside the figures where the terminal has room, else on the page alone.
    roomy = _out.width >= _ROOM_FOR_REASONS
    if roomy:
        table.add_column("reason", ratio=1)
    for row in summary.verdicts.to_dict(orient="records"):
        digits = 3 if row["gain_unit"] == "ndvi" else 1
        known = pd.notna(row["gain"])
        table.add_row(
            Text(_text(row["site_id"])),
            Text(_text(row["verdict"]), style=_STYLE.get(row["verdict"], "")),
            f"{row['gain']:+.{digits}f}" if known else "",
            f"{row['gain_low']:+.{digits}f} to {row['gain_high']:+.{digits}f}" if known else "",
            _text(row["seasons_since_sowing"]),
            Text(_text(row["answer_by"])),
            *([Text(_text(row["reason"]))] if roomy else []),
        )
    _out.print(table)
    units = sorted(set(summary.verdicts["gain_unit"].dropna()))
    if units:
        _out.print(f"Gain in {' or '.join(_UNIT[unit] for unit in units)}. Greening is not trees.")
    if summary.refused:
        reasons = ", ".join(f"{count} {reason}" for reason, count in summary.refused.items())
        _out.print(Text(f"Scenes left out: {reasons}; each is named in manifest.json."))
    for scene, band, reason in summary.unreadable[:_SHOWN]:
        line = Text(f"could not be read  {scene} {band}: {reason}", style="yellow")
        _out.print(line, soft_wrap=True)
    if summary.unreadable:
        _out.print(
            f"{len(summary.unreadable)} files could not be read; run again to try them once more."
        )
    _out.print(Text(f"Results  {summary.output}"), soft_wrap=True)
    _out.print(Text(f"Page     {summary.page}"), soft_wrap=True)


def _text(value: Any) -> str:
    """A table's cell; empty where there is no value, whole numbers without a point."""
    if pd.isna(value):
        return ""
    return f"{value:.0f}" if isinstance(value, float) else str(value)


if __name__ == "__main__":
    main()
