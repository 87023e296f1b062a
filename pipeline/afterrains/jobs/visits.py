"""Visits out of a finished run: the draw, its files, and what else tells of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from afterrains.delivery.columns import Table
from afterrains.delivery.datapackage import write_datapackage
from afterrains.delivery.manifest import refresh_manifest
from afterrains.delivery.page import build
from afterrains.delivery.table_files import read_csv, table_of_file, write_csv
from afterrains.delivery.tables import CONTROLS, VERDICTS, VISITS, all_tables
from afterrains.delivery.tables.field import (
    VISIT_DESIGN,
    VISIT_GROUND,
)
from afterrains.errors import Finding, InputError, OutputError
from afterrains.field import (
    FEWEST_PLACES,
    Draw,
    Frame,
    Journey,
    draw_visits,
    journey,
    read_frame,
    write_form,
    write_geojson,
    write_gpx,
)
from afterrains.programme import Programme, load_programme
from afterrains.register.tables import read_csv_strict
from afterrains.stages.deliver import LEFT_OUT
from afterrains.stages.ledger import only_run

__all__ = [
    "PLACES",
    "VisitsSummary",
    "plan_visits",
    "records",
    "sown_species",
    "tell_of_tables",
]

PLACES = 60
"""Visits where neither days nor points are given."""


@dataclass(frozen=True)
class VisitsSummary:
    """What drawing visits ends with."""

    output: Path
    draw: str
    kept: bool
    """True where the season's sample was drawn before and stands."""
    visits: pd.DataFrame
    design: pd.DataFrame
    ground: pd.DataFrame
    days: float
    """That the visits take, by the reckoning in `notes`."""
    notes: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Plain values, for `--json`."""
        return {
            "output": str(self.output),
            "draw": self.draw,
            "drawn_before": self.kept,
            "seed": int(self.ground["seed"].iloc[0]),
            "days": self.days,
            "visits": records(self.visits),
            "ground": records(self.ground),
            "files": [VISITS.file, "visits.geojson", "visits.gpx", "visits_form.xlsx"],
            "notes": list(self.notes),
        }


def plan_visits(
    path: Path,
    *,
    days: float | None = None,
    points: int | None = None,
    seed: int = 1,
    again: bool = False,
) -> VisitsSummary:
    """Draw the visits of the judged season and write them for the field team.

    Parameters
    ----------
    path : Path
        The programme file; its run must be finished.
    days, points : float, int, optional
        The budget, one of them; `PLACES` points where neither is given.
    seed : int
        The same seed, number of the draw and results give the same draw.
    again : bool
        Draw anew where this season's visits are drawn already; the earlier draw stays known.

    Raises
    ------
    InputError, OutputError
    """
    programme = load_programme(path)
    output = programme.output_folder
    if not (output / VERDICTS.file).is_file():
        raise OutputError(f"{output}: holds no finished run; run the programme first")
    with only_run(output):
        frame = read_frame(output)
        settings = programme.visits
        asked = frame.sites[(frame.sites["role"] == "sown") | (frame.sites["used_by"] > 0)]
        way = journey(
            frame.sites["x"], frame.sites["y"],
            points_per_day=settings.points_per_day, travel_km_per_day=settings.travel_km_per_day,
        )  # fmt: skip
        earlier = _earlier(output)
        if earlier is not None and not again:
            design, ground = earlier
            newest = _newest(design, frame.season)
            if newest is not None:
                return _standing(output, newest, design, ground, way)
        number = 1 if earlier is None else _drawn_so_far(earlier[0], frame.season) + 1
        places = _places(days, points, way, path)
        draw = draw_visits(
            frame,
            read_csv(VERDICTS, output),
            read_csv(CONTROLS, output) if (output / CONTROLS.file).is_file() else None,
            way,
            places=places,
            chosen_percent=settings.chosen_percent,
            control_percent=settings.control_percent,
            number=number,
            seed=seed,
        )
        _write(programme, output, frame, draw, earlier)
    return VisitsSummary(
        output=output,
        draw=draw.name,
        kept=False,
        visits=draw.visits,
        design=draw.design,
        ground=draw.ground,
        days=way.days(len(draw.visits)),
        notes=_notes(frame, draw, way, len(asked)),
    )


def _places(days: float | None, points: int | None, way: Journey, path: Path) -> int:
    """The budget in places."""
    if days is None:
        return PLACES if points is None else points
    places = way.places(days)
    if places >= FEWEST_PLACES:
        return places
    what = (
        f"{days:g} days leave time for {max(places, 0)} places, and fewer than {FEWEST_PLACES} "
        f"tell nothing ({way.told()})"
    )
    mend = "give more days, or tell points_per_day and travel_km_per_day under visits"
    raise InputError([Finding("error", path.name, "--days", what, mend, "visits-few-days")])


def _earlier(output: Path) -> tuple[pd.DataFrame, pd.DataFrame] | None:
    """Design and ground of all draws so far."""
    if not (output / VISIT_DESIGN.file).is_file():
        return None
    return read_csv(VISIT_DESIGN, output), read_csv(VISIT_GROUND, output)


def _drawn_so_far(design: pd.DataFrame, season: str) -> int:
    """Number of the season's newest draw; 0 where there is none."""
    split = design["draw"].str.rsplit("-", n=1)
    numbers = [int(number) for of, number in split if of == season]
    return max(numbers, default=0)


def _newest(design: pd.DataFrame, season: str) -> str | None:
    number = _drawn_so_far(design, season)
    return f"{season}-{number}" if number else None


def _standing(
    output: Path, draw: str, design: pd.DataFrame, ground: pd.DataFrame, way: Journey
) -> VisitsSummary:
    """The summary of a draw that was made before."""
    visits = read_csv(VISITS, output)
    return VisitsSummary(
        output=output,
        draw=draw,
        kept=True,
        visits=visits,
        design=design[design["draw"] == draw].reset_index(drop=True),
        ground=ground[ground["draw"] == draw].reset_index(drop=True),
        days=way.days(len(visits)),
        notes=(
            "the visits of this season are drawn already and stand as they are; --again draws "
            "new ones",
        ),
    )


def _write(
    programme: Programme,
    output: Path,
    frame: Frame,
    draw: Draw,
    earlier: tuple[pd.DataFrame, pd.DataFrame] | None,
) -> None:
    """Every file of a draw; the design last of all, so that a killed call leaves no half draw."""
    names = dict(zip(frame.sites["site_id"], frame.sites["name"], strict=True))
    title = programme.programme.name
    design, ground = draw.design, draw.ground
    if earlier is not None:
        design = pd.concat([earlier[0], design], ignore_index=True)
        ground = pd.concat([earlier[1], ground], ignore_index=True)
    write_csv(VISITS, draw.visits, output)
    write_geojson(draw.visits, output)
    write_gpx(draw.visits, names, title, output)
    write_form(
        draw.visits,
        names,
        sown_species(programme),
        title=title,
        form_id=f"visits_{programme.programme.id}_{draw.name}".replace("-", "_"),
        version=draw.name,
        plot_radius_m=programme.visits.plot_radius_m,
        folder=output,
    )
    write_csv(VISIT_GROUND, ground, output)
    write_csv(VISIT_DESIGN, design, output)
    tell_of_tables(programme, output)


def sown_species(programme: Programme) -> list[str]:
    """Species that the sowing table names; none where it cannot be read."""
    try:
        table, _ = read_csv_strict(programme.sowing, ("species",))
    except InputError:
        return []
    named = table["species"].str.split(r"[;,+]", regex=True).explode().str.strip()
    return sorted({name for name in named if name})


def tell_of_tables(programme: Programme, output: Path) -> None:
    """Bring the data package, the page and the manifest in step with the tables that stand."""
    series = output / "series.csv"
    indices = _indices(table_of_file("series", series)) if series.is_file() else []
    identity = {"programme_id": programme.programme.id, "title": programme.programme.name}
    write_datapackage(output, all_tables(indices), **identity)
    build(output)
    refresh_manifest(output, leave_out=LEFT_OUT)


def _indices(series: Table) -> list[str]:
    """Names of the indices of a run, from the columns of its series."""
    fixed = {"site_id", "date", "sensor", "scene_id", "clear_fraction", "pixels"}
    return [name for name in series.column_names if name not in fixed]


def _notes(frame: Frame, draw: Draw, way: Journey, asked: int) -> tuple[str, ...]:
    """How the draw was made, in sentences."""
    notes = [
        f"random places by area in {draw.ground['sampling_stratum'].nunique()} strata of verdict "
        f"and map class, each with at least {draw.floor} on sown ground where it has so many "
        "pixels, so that rare change is told",
        way.told(),
    ]
    if frame.map_from == "verdict":
        notes.append("without a woody-cover model the verdicts are taken as the map")
    if draw.left_out:
        notes.append(f"{draw.left_out} more sites are worth a visit; there was no room for them")
    if frame.unplaced:
        notes.append(f"no pixel, so no visit: {', '.join(frame.unplaced)}")
    if asked < len(frame.sites):
        notes.append(f"{len(frame.sites) - asked} controls on which no verdict rests are left out")
    return tuple(notes)


def records(frame: pd.DataFrame) -> list[Mapping[Any, Any]]:
    """Rows as plain values, None where missing."""
    plain = frame.astype(object).where(frame.notna(), None)
    return list(plain.to_dict("records"))
