"""`afterrains estimate`: what a run would take."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from rich.box import SIMPLE_HEAD
from rich.table import Table
from rich.text import Text

from afterrains.cli.terminal import (
    Json,
    ProgrammeFile,
    out,
    print_json,
)

if TYPE_CHECKING:
    from afterrains.jobs.estimate import Estimate

__all__ = ["estimate"]


def estimate(programme: ProgrammeFile, as_json: Json = False) -> None:
    """Tell what a run would take, before anything is pulled."""
    from afterrains.jobs.estimate import estimate as reckon_up

    found = reckon_up(programme)
    if as_json:
        print_json(found.as_dict())
    else:
        _print_estimate(found)


def _print_estimate(found: Estimate) -> None:
    """What is to be read, what it takes, and which months will show little."""
    radar = f", {found.radar_scenes} of them radar" if found.radar_scenes else ""
    refused = ", ".join(f"{count} {reason}" for reason, count in found.refused.items())
    out.print(
        Text(
            f"{found.sites} sites in {found.cells} cells"
            + (f", {found.plot_cells} more for plots away from them" if found.plot_cells else "")
            + f"; {found.scenes} scenes of {found.dates} dates to use"
            + radar
            + (f", left out: {refused}" if refused else "")
        ),
        soft_wrap=True,
    )
    kept = f", {found.tasks_kept} kept from before" if found.tasks_kept else ""
    out.print(f"{found.tasks} cell-seasons to read{kept}", soft_wrap=True)
    table = Table(title="Looks in a month", title_justify="left", pad_edge=False, box=SIMPLE_HEAD)
    table.add_column("month", no_wrap=True)
    for heading in ("passes", "clear", "chance of none"):
        table.add_column(heading, justify="right", no_wrap=True)
    for month in found.months:
        name = f"{date(2001, month.month, 1):%B}"
        gap = f"{month.gap_percent:.0f} %"
        table.add_row(name, f"{month.looks:.1f}", f"{month.clear_looks:.1f}", gap)
    out.print(table)
    told = [
        ("blocks", f"{found.blocks:,}"),
        ("from servers", f"{found.pulled_bytes / 1e6:,.0f} MB in {found.requests:,} requests"),
        ("from this disk", f"{found.local_bytes / 1e6:,.0f} MB"),
        ("room on disk", f"{found.disk_bytes / 1e6:,.0f} MB"),
        (
            "local store",
            f"{found.store_bytes / 1e6:,.0f} MB kept of what was pulled; scenes.store_gb allows "
            f"{found.store_budget_bytes / 1e9:g} GB",
        ),
        (
            "reading",
            f"{found.seconds / 60:,.1f} minutes with {found.workers} processes, "
            f"by {found.probed} probed looks",
        ),
    ]
    for name, value in told:
        out.print(Text(f"{name:<16}{value}"), soft_wrap=True)
    for note in found.notes:
        out.print(Text(f"note  {note}", style="yellow"), soft_wrap=True)
