"""`afterrains run`: the main job."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import pandas as pd
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
    text,
)

if TYPE_CHECKING:
    from afterrains.jobs.run import RunSummary

__all__ = ["run"]

_SHOWN = 10
_ROOM_FOR_REASONS = 120
_STYLE = {"gain": "green", "loss": "red", "no-gain": "dark_orange", "grass-only": "yellow"}
_UNIT = {"ndvi": "dry-season NDVI", "points": "percentage points of woody cover"}


def run(
    programme: ProgrammeFile,
    scheduler: Scheduler = None,
    workers: Workers = None,
    memory: Memory = None,
    performance_report: Annotated[
        Path | None,
        typer.Option(help="Write Dask's account of its workers to this HTML file (needs bokeh)."),
    ] = None,
    as_json: Json = False,
) -> None:
    """Do the main job; resumes where it stopped."""
    # Each command loads what it needs: `--help` must not wait for numba and Dask.
    from afterrains.stages.ready import get_ready

    if scheduler is None:
        get_ready()  # the workers load while this process does
    from afterrains.jobs.run import run_programme

    with Bars() as bars:
        summary = run_programme(
            programme,
            scheduler=scheduler,
            workers=workers,
            memory_gb=memory,
            performance_report=performance_report,
            reporter=bars,
        )
    if as_json:
        print_json(summary.as_dict())
    else:
        _print_summary(summary)
    raise typer.Exit(summary.exit_status)


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
    roomy = out.width >= _ROOM_FOR_REASONS
    if roomy:
        table.add_column("reason", ratio=1)
    for row in summary.verdicts.to_dict(orient="records"):
        digits = 3 if row["gain_unit"] == "ndvi" else 1
        known = pd.notna(row["gain"])
        table.add_row(
            Text(text(row["site_id"])),
            Text(text(row["verdict"]), style=_STYLE.get(row["verdict"], "")),
            f"{row['gain']:+.{digits}f}" if known else "",
            f"{row['gain_low']:+.{digits}f} to {row['gain_high']:+.{digits}f}" if known else "",
            text(row["seasons_since_sowing"]),
            Text(text(row["answer_by"])),
            *([Text(text(row["reason"]))] if roomy else []),
        )
    out.print(table)
    units = sorted(set(summary.verdicts["gain_unit"].dropna()))
    if units:
        out.print(f"Gain in {' or '.join(_UNIT[unit] for unit in units)}. Greening is not trees.")
    if summary.refused:
        reasons = ", ".join(f"{count} {reason}" for reason, count in summary.refused.items())
        out.print(Text(f"Scenes left out: {reasons}; each is named in manifest.json."))
    for note in summary.notes[:_SHOWN]:
        out.print(Text(f"note  {note}", style="yellow"), soft_wrap=True)
    for scene, band, reason in summary.unreadable[:_SHOWN]:
        line = Text(f"could not be read  {scene} {band}: {reason}", style="yellow")
        out.print(line, soft_wrap=True)
    if summary.unreadable:
        out.print(
            f"{len(summary.unreadable)} files could not be read; run again to try them once more."
        )
    if summary.store_bytes:
        kept = f"{summary.store_bytes / 1e6:,.0f} MB of what was pulled is kept on this disk"
        out.print(f"{kept}; scenes.store_gb bounds it.")
    out.print(Text(f"Results  {summary.output}"), soft_wrap=True)
    out.print(Text(f"Page     {summary.page}"), soft_wrap=True)
