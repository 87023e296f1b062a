"""`afterrains outlook`: what could be seen, and how often rain gave a good start."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Annotated

import pandas as pd
import typer
from rich.box import SIMPLE_HEAD
from rich.table import Table
from rich.text import Text

from afterrains.cli.terminal import Bars, Json, ProgrammeFile, decimal, out, print_json

if TYPE_CHECKING:
    from afterrains.jobs.outlook import Outlook

__all__ = ["outlook"]

_MOST_SHOWN = 30


def outlook(
    programme: ProgrammeFile,
    share: Annotated[
        float,
        typer.Option(
            parser=decimal(0.0),
            metavar="SHARE",
            help="Share of the ground not sown yet that the lot sows first, from 0 to 1.",
        ),
    ] = 0.5,
    seed: Annotated[int, typer.Option(min=0, help="Seed of the draw by lot.")] = 1,
    as_json: Json = False,
) -> None:
    """Tell what could be seen with which controls and seasons, and when rain starts seed well."""
    from afterrains.jobs.outlook import outlook_of

    with Bars() as bars:
        found = outlook_of(programme, share=share, seed=seed, reporter=bars)
    if as_json:
        print_json(found.as_dict())
    else:
        _print_outlook(found)


def _print_outlook(found: Outlook) -> None:
    """First answers, good starts, lots, and where the results are."""
    if found.gains is not None:
        _print_first_seen(found)
    if found.starts is not None:
        _print_starts(found)
    if found.lots is not None:
        first = found.lots.loc[found.lots["sow_first"], "site_id"]
        line = f"Sow first, by lot (seed {found.seed}): {', '.join(first)}"
        out.print(Text(line), soft_wrap=True)
    for note in found.notes:
        out.print(Text(f"note  {note}", style="yellow"), soft_wrap=True)
    out.print("Foreseen from the record so far, not promised. Greening is not trees.")
    out.print(Text(f"Results  {found.output}"), soft_wrap=True)
    out.print(Text(f"Page     {found.page}"), soft_wrap=True)


def _print_first_seen(found: Outlook) -> None:
    table = Table(
        title="First season in which a gain that matters would be seen, four times in five",
        title_justify="left",
        pad_edge=False,
        box=SIMPLE_HEAD,
    )
    table.add_column("site or pool", no_wrap=True)
    for heading in ("sites", "controls", "seasons before", "seasons after"):
        table.add_column(heading, justify="right")
    table.add_column("season")
    rows = found.first_seen
    rows = rows[rows["scope"] != "plan"]
    for row in rows.head(_MOST_SHOWN).to_dict("records"):
        known = pd.notna(row["first"])
        table.add_row(
            Text(row["site_id"] or row["pool"]),
            str(row["sites"]),
            str(row["controls"]),
            str(row["seasons_before"]),
            f"{row['first']:.0f}" if known else "–",
            Text(str(row["when"])) if known else Text("not within the judged seasons"),
        )
    out.print(table)
    if len(rows) > _MOST_SHOWN:
        out.print(f"{len(rows) - _MOST_SHOWN} more in outlook.csv.")


def _print_starts(found: Outlook) -> None:
    from afterrains.rain import LONG_WAIT_DAYS

    assert found.starts is not None
    by_month = found.starts.groupby("month")
    starts = by_month[["years", "good"]].sum()
    starts["wait"] = by_month["median_days_waited"].median()
    table = Table(
        title="Past years with a good start, by month of sowing, all sites",
        title_justify="left",
        pad_edge=False,
        box=SIMPLE_HEAD,
    )
    table.add_column("month", no_wrap=True)
    table.add_column("good starts", justify="right")
    table.add_column("usual wait, days", justify="right")
    table.add_column("")
    for month, row in starts.iterrows():
        share = f"{row['good'] / row['years']:.0%}" if row["years"] else "–"
        wait = row["wait"]
        # A good start after a dry season on the ground is no reason to sow in that month.
        long = "the next rains' start" if wait > LONG_WAIT_DAYS else ""
        table.add_row(
            f"{date(2001, int(str(month)), 1):%B}", share,
            "–" if pd.isna(wait) else f"{wait:.0f}", long,
        )  # fmt: skip
    out.print(table)
    if (starts["wait"] > LONG_WAIT_DAYS).any():
        out.print(
            f"Where seed usually waits more than {LONG_WAIT_DAYS} days, its good start is that of "
            "the next rains. The longer it lies, the more of it is lost: sow closer to them.",
            soft_wrap=True,
        )
