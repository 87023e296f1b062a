"""The season calendar as a table: rains of the years and the dry seasons between them.

A calendar is a DataFrame with one row a season, sorted by start, without overlaps:

| column | meaning |
| --- | --- |
| `season` | id: the year the season starts in and its name, `2021-rains`, `2021-dry`; with two rainy seasons a year `2021-rains-1`, `2021-dry-1`, …; `dry-2` is the dry season after `rains-2` |
| `year` | year in which the season starts in the mean year (so that rains due on 28 December stay one a year when they come on 3 January) |
| `kind` | `rains` or `dry` |
| `start`, `end` | first and last day, inclusive |
| `observe_from` | for a dry season the day from which grass has died back, else `start`; later than `end` where a dry season is too short to be observed |
| `complete` | False while the season is still running, and where the rain record does not reach back to its start |
| `failed` | the rains failed; their dates are the mean ones |
| `dates_from` | `rain`, `climatology` (the mean dates: failed rains, too long a gap, or outside the record) or `calendar` |

The dates of a season that has not closed yet are those known so far. A dry season is complete
only when the next rains have been seen to begin (or to fail): until then its last, and most
telling, weeks are not over, even where the mean onset is near.
"""  # noqa: E501

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from typing import Literal

import pandas as pd

from afterrains.programme import NamedRains

__all__ = ["ONE_DAY", "DatesFrom", "YearRains", "calendar_of", "from_calendar"]

DatesFrom = Literal["rain", "climatology", "calendar"]

ONE_DAY = pd.Timedelta(days=1)


@dataclass(frozen=True)
class YearRains:
    """One year's rainy season: its dates, and what is known of them.

    `number` is its place among the year's rainy seasons, from 1; `name` the id's second half;
    `nominal_start` and `nominal_end` its dates in the mean year, which give the ids their years.
    `closed` holds when the record reaches the end of the time in which it may fall, `over` when a
    dry season has begun after it.
    """

    number: int
    name: str
    nominal_start: pd.Timestamp
    nominal_end: pd.Timestamp
    start: pd.Timestamp
    end: pd.Timestamp
    closed: bool
    over: bool
    failed: bool
    dates_from: DatesFrom


def calendar_of(
    rains: Sequence[YearRains],
    first_day: pd.Timestamp,
    last_day: pd.Timestamp,
    dieback_days: int,
) -> pd.DataFrame:
    """The rains of the years, in order, and the dry seasons between them as a table."""
    if dieback_days < 0:
        raise ValueError(f"dieback_days is {dieback_days}; it cannot be negative")
    rows = []
    several = len({season.number for season in rains}) > 1
    for place, season in enumerate(rains):
        rows.append(
            {
                "season": f"{season.nominal_start.year}-{season.name}",
                "year": season.nominal_start.year,
                "kind": "rains",
                "start": season.start,
                "end": season.end,
                "observe_from": season.start,
                "complete": season.closed and season.start >= first_day,
                "failed": season.failed,
                "dates_from": season.dates_from,
            }
        )
        if not season.over:
            continue
        following = rains[place + 1] if place + 1 < len(rains) else None
        start = season.end + ONE_DAY
        end = last_day if following is None else following.start - ONE_DAY
        if end < start:
            continue
        year = (season.nominal_end + ONE_DAY).year
        rows.append(
            {
                "season": f"{year}-dry-{season.number}" if several else f"{year}-dry",
                "year": year,
                "kind": "dry",
                "start": start,
                "end": end,
                "observe_from": start + pd.Timedelta(days=dieback_days),
                "complete": following is not None and start >= first_day,
                "failed": False,
                "dates_from": _weaker(season, following),
            }
        )
    table = pd.DataFrame(rows)
    return table[table["end"] >= first_day].reset_index(drop=True)


def _weaker(before: YearRains, after: YearRains | None) -> DatesFrom:
    """Where the dates of the dry season between come from: the mean year if either end does."""
    if after is not None and after.dates_from == "climatology":
        return "climatology"
    return before.dates_from


def from_calendar(
    rains: Iterable[NamedRains],
    first_day: date | pd.Timestamp,
    last_day: date | pd.Timestamp,
    dieback_days: int = 60,
) -> pd.DataFrame:
    """Season calendar with the same dates every year.

    Parameters
    ----------
    rains : iterable of NamedRains
        Name, first and last day (month-day, inclusive; may run across New Year) of each rainy
        season.
    first_day, last_day : date
        Seasons that touch these days or the days between are listed; one that begins before or
        ends after them has its calendar dates and is not complete.
    dieback_days : int
        Days after the rains that are left out of the dry season's observations.

    Raises
    ------
    ValueError
        When two rains overlap, or `last_day` lies before `first_day`.
    """
    rains = sorted(rains, key=lambda season: season.start)
    first, last = pd.Timestamp(first_day), pd.Timestamp(last_day)
    if last < first:
        raise ValueError(f"last_day {last:%Y-%m-%d} lies before first_day {first:%Y-%m-%d}")
    found = []
    for year in range(first.year - 2, last.year + 3):
        for number, season in enumerate(rains, start=1):
            start = _month_day(year, season.start)
            end = _month_day(year + (season.end < season.start), season.end)
            found.append(
                YearRains(
                    number, season.name, start, end, start, end, True, True, False, "calendar"
                )
            )
    found.sort(key=lambda season: season.start)
    for before, after in pairwise(found):
        if after.start <= before.end:
            raise ValueError(f"{before.name!r} has not ended when {after.name!r} begins")
    # The last listed rains are out of reach, so that every dry season has its next rains.
    table = calendar_of(found, found[0].start, found[-1].end, dieback_days).iloc[:-1]
    touched = table[(table["end"] >= first) & (table["start"] <= last)].reset_index(drop=True)
    return touched.assign(complete=(touched["start"] >= first) & (touched["end"] <= last))


def _month_day(year: int, text: str) -> pd.Timestamp:
    return pd.Timestamp(year, int(text[:2]), int(text[3:]))
