"""`afterrains returns`: what the field team brings back."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import pandas as pd
import typer
from rich.box import SIMPLE_HEAD
from rich.table import Table
from rich.text import Text

from afterrains.cli.terminal import Json, ProgrammeFile, out, print_findings, print_json

if TYPE_CHECKING:
    from afterrains.jobs.returns import ReturnsSummary

__all__ = ["returns"]

_SHOWN = 10


def returns(
    checks: Annotated[
        Path, typer.Argument(help="Checks as the form exports them: CSV or GeoJSON.")
    ],
    programme: ProgrammeFile,
    seedlings: Annotated[
        Path | None,
        typer.Option(help="CSV of the counted seedlings; <checks>-seedlings.csv if left out."),
    ] = None,
    as_json: Json = False,
) -> None:
    """Take field checks back: accuracy, area with its interval, survival, training plots."""
    from afterrains.jobs.returns import take_returns

    summary = take_returns(checks, programme, seedlings=seedlings)
    if as_json:
        print_json(summary.as_dict())
    else:
        _print_summary(summary)


def _print_summary(summary: ReturnsSummary) -> None:
    """What came back, what it says of area and map, and where it disagrees with verdicts."""
    print_findings(summary.warnings)
    outcomes = summary.checks["outcome"].value_counts()
    told = ", ".join(f"{count} {name}" for name, count in outcomes.items())
    again = f" ({summary.replaced} of them again, the newer row stands)" if summary.replaced else ""
    out.print(
        Text(
            f"{summary.taken} visits taken{again}; of {summary.planned} sent out so far: {told}, "
            f"{summary.planned - len(summary.checks)} not back"
        ),
        soft_wrap=True,
    )
    _print_areas(summary.tables["area"])
    _print_accuracy(summary.tables["accuracy"])
    evidence = summary.tables["field_evidence"]
    apart = evidence[evidence["agreement"] == "disagree"]
    agree = int((evidence["agreement"] == "agree").sum())
    out.print(f"Sites on which field and satellite agree: {agree}; disagree: {len(apart)}.")
    for row in apart.head(_SHOWN).to_dict("records"):
        out.print(Text(f"  {row['site_id']}  {row['note']}"), soft_wrap=True)
    out.print(
        Text(
            f"{len(summary.tables['training_plots'])} plots for afterrains train in "
            "training_plots.csv. Verdicts stay as they are; what the field saw stands beside them "
            "in field_evidence.csv."
        ),
        soft_wrap=True,
    )
    out.print(Text(f"Results  {summary.output}"), soft_wrap=True)


def _print_areas(area: pd.DataFrame) -> None:
    """Whole grounds only; strata stand in area.csv."""
    if area.empty:
        out.print("Too few random visits came back for an area or an accuracy.")
        return
    table = Table(
        title="Woody change, hectares, from the random visits", title_justify="left",
        pad_edge=False, box=SIMPLE_HEAD,
    )  # fmt: skip
    # On 80 columns only a heading gives way: a class that is cut short is a riddle.
    for heading in ("draw", "ground", "change"):
        table.add_column(heading, no_wrap=True)
    for heading in ("area", "95 % interval", "on the map", "missing"):
        table.add_column(heading, justify="right", no_wrap=heading != "on the map")
    for row in area[area["stratum"] == ""].to_dict("records"):
        table.add_row(
            row["draw"], row["role"], row["class"], _number(row["area_ha"]),
            f"{_number(row['area_low'])} to {_number(row['area_high'])}",
            _number(row["map_area_ha"]), f"{row['missing_percent']:.0f} %",
        )  # fmt: skip
    out.print(table)
    out.print(
        "Missing: visits that tell nothing; areas hold for ground like that which was reached. "
        "Areas on the map are counted pixels, no estimate.",
        soft_wrap=True,
    )
    for note in sorted(set(area["note"]) - {""}):
        out.print(Text(f"note  {note}", style="yellow"), soft_wrap=True)


def _print_accuracy(accuracy: pd.DataFrame) -> None:
    for row in accuracy[accuracy["class"] == "all"].to_dict("records"):
        out.print(
            f"The map of draw {row['draw']} is right on {100 * row['users_accuracy']:.0f} % of "
            f"sown ground (95 % interval {100 * row['users_low']:.0f} to "
            f"{100 * row['users_high']:.0f} %, {row['checks']} checks).",
            soft_wrap=True,
        )


def _number(value: float) -> str:
    return "" if pd.isna(value) else f"{value:.1f}"
