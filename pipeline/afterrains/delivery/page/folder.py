"""What the page reads: the output folder, whole, as plain typed rows."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
import shapely
from shapely.geometry import shape

from afterrains.delivery.page.choice_tables import (
    read_answers,
    read_break_even,
    read_changes,
    read_choices,
    read_costs,
    read_ways,
)
from afterrains.delivery.page.records import MEND
from afterrains.delivery.page.rows import (
    Answer,
    BreakEven,
    Change,
    Choice,
    Control,
    Cost,
    FieldSeen,
    Ground,
    Judged,
    Looks,
    Matched,
    SeasonLooks,
    SiteSeason,
    Sowing,
    Way,
)
from afterrains.delivery.page.seasons import Season
from afterrains.delivery.page.seen_tables import read_field, read_season_looks
from afterrains.delivery.page.site_tables import (
    read_balance,
    read_controls,
    read_history,
    read_seasons,
    read_sowings,
    read_verdicts,
)
from afterrains.delivery.page.texts import plain
from afterrains.delivery.table_files import read_pieces, table_of_file
from afterrains.errors import OutputError

__all__ = ["Folder", "read_folder"]


@dataclass(frozen=True)
class Folder:
    """An output folder, read."""

    path: Path
    manifest: Mapping[str, Any]
    verdicts: tuple[Judged, ...]
    history: Mapping[str, tuple[Judged, ...]]
    """Each site's judgements, oldest first."""
    calendar: Mapping[str, Season]
    seasons: Mapping[str, tuple[SiteSeason, ...]]
    """Each site's seasons, oldest first."""
    controls: tuple[Control, ...] | None
    balance: Mapping[str, tuple[Matched, ...]] | None
    """Each site and its controls before sowing, a row for each quantity."""
    sowings: Mapping[str, tuple[Sowing, ...]] | None
    """Each site's sowings, oldest first; None where the table is not there."""
    ways: tuple[Way, ...] | None
    costs: tuple[Cost, ...] | None
    break_even: tuple[BreakEven, ...] | None
    choices: Mapping[str, Choice] | None
    changes: Mapping[str, Change] | None
    answers: Mapping[str, Answer] | None
    season_looks: Mapping[str, tuple[SeasonLooks, ...]] | None
    field: Mapping[str, FieldSeen] | None
    looks: Looks | None
    grounds: Mapping[str, Ground]

    @property
    def stands_beside(self) -> frozenset[str]:
        """Names of the files that stand beside the report folder."""
        return frozenset(path.name for path in self.path.iterdir() if path.is_file())


def read_folder(path: Path) -> Folder:
    """Read what the page needs.

    Parameters
    ----------
    path : Path
        The output folder (`<output>/<programme id>`).

    Raises
    ------
    OutputError
        When a file is missing, unreadable, or holds what its column cannot be.
    """
    manifest = _manifest(path / "manifest.json")
    seasons, calendar = read_seasons(path)
    verdicts = read_verdicts(path)
    return Folder(
        path=path,
        manifest=manifest,
        verdicts=verdicts,
        history=read_history(path, calendar, verdicts),
        calendar=calendar,
        seasons=seasons,
        controls=read_controls(path),
        balance=read_balance(path),
        sowings=read_sowings(path),
        ways=read_ways(path),
        costs=read_costs(path),
        break_even=read_break_even(path),
        choices=read_choices(path),
        changes=read_changes(path),
        answers=read_answers(path),
        season_looks=read_season_looks(path, calendar),
        field=read_field(path),
        looks=_looks(path),
        grounds=_grounds(path / "sites.geojson"),
    )


def _looks(path: Path) -> Looks | None:
    file = path / "series.csv"
    if not file.is_file():
        return None
    rows, sensors = 0, Counter[str]()
    days: set[pd.Timestamp] = set()
    for piece in read_pieces(table_of_file("series", file), file, ("date", "sensor")):
        rows += len(piece)
        days.update(piece["date"].dropna().unique())
        sensors.update(piece["sensor"].map(plain))
    dates = sorted(day.date() for day in days)
    return Looks(
        rows=rows,
        dates=len(dates),
        first=dates[0] if dates else None,
        last=dates[-1] if dates else None,
        by_sensor=dict(sorted(sensors.items())),
    )


def _manifest(file: Path) -> dict[str, Any]:
    """The manifest without what grows with the programme and is not told on the page."""
    content = _json(file)
    looks = content.get("looks")
    if isinstance(looks, dict):
        content["looks"] = {key: value for key, value in looks.items() if key != "sites"}
    # Of the scenes used their number is told, of those refused why.
    for key, told in (("scenes_used", ()), ("scenes_refused", ("reason",))):
        if isinstance(entries := content.get(key), list):
            content[key] = [
                {name: entry[name] for name in told if name in entry}
                for entry in entries
                if isinstance(entry, dict)
            ]
    return {key: value for key, value in content.items() if key not in ("files", "inputs")}


def _json(file: Path, each: Callable[[dict[str, Any]], Any] | None = None) -> dict[str, Any]:
    """A file's JSON object; `each` makes something of every object in it as soon as it is read."""
    try:
        content = json.loads(file.read_text(encoding="utf-8"), object_hook=each)
    except FileNotFoundError as error:
        raise OutputError(f"{file}: there is no such file; {MEND}") from error
    except (OSError, ValueError) as error:
        raise OutputError(f"{file}: cannot be read ({error}); {MEND}") from error
    if not isinstance(content, dict):
        raise OutputError(f"{file}: holds no object; {MEND}")
    return content


def _grounds(file: Path) -> dict[str, Ground]:
    """The sites' polygons by id, each made as soon as its feature is read.

    The numbers of all of them as Python's own would take ten times the file's room.
    """
    grounds: dict[str, Ground] = {}
    at = 0

    def take(found: dict[str, Any]) -> Any:
        nonlocal at
        if found.get("type") != "Feature":
            return found
        at += 1
        try:
            ground = _ground(found)
        except (shapely.errors.ShapelyError, ValueError, LookupError, TypeError) as error:
            raise OutputError(
                f"{file}: feature {at} is not a site with a polygon ({error}); {MEND}"
            ) from error
        if not ground.geometry.is_empty:
            grounds[ground.site_id] = ground
        return True

    for number, taken in enumerate(_json(file, take).get("features", []), start=1):
        if taken is not True:
            raise OutputError(f"{file}: feature {number} is not a site with a polygon; {MEND}")
    return dict(sorted(grounds.items()))


def _ground(feature: Mapping[str, Any]) -> Ground:
    properties = feature["properties"]
    site_id, role = plain(str(properties["site_id"])), str(properties["role"])
    outline = feature["geometry"]
    return Ground(
        site_id, role, shapely.make_valid(shape(outline)) if outline else shapely.Polygon()
    )
