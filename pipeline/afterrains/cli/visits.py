"""`afterrains visits`: the places for the field team and the form for its phones."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer
from rich.box import SIMPLE_HEAD
from rich.table import Table
from rich.text import Text

from afterrains.cli.terminal import Json, ProgrammeFile, decimal, out, print_json, text

if TYPE_CHECKING:
    from afterrains.jobs.visits import VisitsSummary

__all__ = ["visits"]

_SHOWN = 10


def visits(
    programme: ProgrammeFile,
    days: Annotated[
        float | None,
        typer.Option(
            parser=decimal(0.5),
            metavar="DAYS",
            help="Days that one team has, travel between grounds in; 0.5 or more.",
        ),
    ] = None,
    points: Annotated[
        int | None, typer.Option(min=4, max=10_000, help="Places to visit; 60 if left out.")
    ] = None,
    seed: Annotated[int, typer.Option(min=0, help="The same seed gives the same draw.")] = 1,
    again: Annotated[
        bool, typer.Option("--again", help="Draw anew where this season is drawn already.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Draw the field-check sample and its form."""
    from afterrains.jobs.visits import plan_visits

    if days is not None and points is not None:
        raise typer.BadParameter("give --days or --points, not both")
    summary = plan_visits(programme, days=days, points=points, seed=seed, again=again)
    if as_json:
        print_json(summary.as_dict())
    else:
        _print_summary(summary)


def _print_summary(summary: VisitsSummary) -> None:
    """How the random places are shared out, the chosen ones by rank, and where the files are."""
    chosen = summary.design[summary.design["part"] == "chosen"]
    out.print(
        Text(
            f"Draw {summary.draw}: {len(summary.visits)} visits, "
            f"{len(summary.visits) - len(chosen)} random and {len(chosen)} chosen; "
            f"about {summary.days:g} days"
        ),
        soft_wrap=True,
    )
    table = Table(title="Random places", title_justify="left", pad_edge=False, box=SIMPLE_HEAD)
    table.add_column("stratum")
    for heading in ("hectares", "visits"):
        table.add_column(heading, justify="right", no_wrap=True)
    area = summary.ground.groupby("sampling_stratum", sort=True)["area_ha"].sum()
    count = summary.ground.groupby("sampling_stratum", sort=True)["visits"].first()
    for name in area.index:
        table.add_row(Text(str(name)), f"{area[name]:.1f}", text(count[name]))
    out.print(table)
    why = summary.visits.set_index("visit_id")["why"]
    for row in chosen.sort_values("rank").head(_SHOWN).to_dict("records"):
        line = f"{row['visit_id']}  {row['site_id']}  {why.get(row['visit_id'], '')}"
        out.print(Text(line), soft_wrap=True)
    if len(chosen) > _SHOWN:
        out.print(f"and {len(chosen) - _SHOWN} more chosen visits in visits.csv")
    for note in summary.notes:
        out.print(Text(f"note  {note}", style="yellow"), soft_wrap=True)
    out.print(
        Text(
            "Give the team visits.gpx and visits_form.xlsx: they do not tell what is expected. "
            "visits.csv and visits.geojson do for the chosen places. The places may expose those "
            "who use the land: share them only with consent."
        ),
        soft_wrap=True,
    )
    out.print(Text(f"Visits  {summary.output}"), soft_wrap=True)
