"""What was looked at, from above and on foot, as the rows of `rows`; None without the table."""

from __future__ import annotations

from bisect import bisect_right
from pathlib import Path

import pandas as pd

from afterrains.delivery.columns import Table
from afterrains.delivery.page.records import each_if_there
from afterrains.delivery.page.rows import FieldSeen, SeasonLooks
from afterrains.delivery.page.seasons import Season
from afterrains.delivery.page.texts import plain
from afterrains.delivery.table_files import read_pieces
from afterrains.delivery.tables import all_tables

__all__ = ["read_field", "read_season_looks"]

_EPOCH = 719_163  # ordinal of 1970-01-01
_LOOKS, _FIELD = "looks", "field_evidence"


def read_season_looks(
    path: Path, calendar: dict[str, Season]
) -> dict[str, tuple[SeasonLooks, ...]] | None:
    """What became of the looks at each site, summed up by season, oldest first."""
    table = _definition(_LOOKS)
    if table is None or not (path / table.file).is_file():
        return None
    starts = sorted((season.start, name) for name, season in calendar.items())
    if not starts:
        return {}
    first = [start.toordinal() - _EPOCH for start, _ in starts]
    shares = ["clear", "masked", "unreadable", "not_covered"]
    parts = []
    for frame in read_pieces(table, path, ("site_id", "date", "leftover", *shares)):
        days = frame["date"].to_numpy().astype("datetime64[D]").astype("int64")
        frame["place"] = [_place(day, first) for day in days]
        frame["masked"] = frame["masked"] + frame["leftover"]
        parts.append(frame[frame["place"] >= 0].groupby(["site_id", "place"])[shares].sum())
    sums = pd.concat(parts).groupby(level=["site_id", "place"]).sum().reset_index()
    found: dict[str, list[SeasonLooks]] = {}
    for row in sums.to_dict(orient="records"):
        season = calendar[starts[int(row["place"])][1]]
        looks = SeasonLooks(season, *(float(row[share]) for share in shares))
        found.setdefault(plain(str(row["site_id"])), []).append(looks)
    return {site: tuple(looks) for site, looks in found.items()}


def _place(day: int, first: list[int]) -> int:
    """Place of the season that a day falls in; -1 before the first."""
    return bisect_right(first, day) - 1


def read_field(path: Path) -> dict[str, FieldSeen] | None:
    """What field checks saw, by site."""
    table = _definition(_FIELD)
    rows = each_if_there(table, path, FieldSeen) if table else None
    return None if rows is None else {row.site_id: row for row in rows}


def _definition(name: str) -> Table | None:
    """The definition of a table that not every version of the results has."""
    return next((table for table in all_tables(("ndvi",)) if table.name == name), None)
