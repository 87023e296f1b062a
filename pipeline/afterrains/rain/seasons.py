"""The season calendar: when the rains and the dry seasons between them began and ended.

A calendar is a DataFrame with one row a season, sorted by start, without overlaps:

| column | meaning |
| --- | --- |
| `season` | id: the year the season starts in and its name, `2021-rains`, `2021-dry`; with two rainy seasons a year `2021-rains-1`, `2021-dry-1`, …; `dry-2` is the dry season after `rains-2` |
| `year` | year in which the season starts in the long-term mean (so that rains due on 28 December stay one a year when they come on 3 January) |
| `kind` | `rains` or `dry` |
| `start`, `end` | first and last day, inclusive |
| `observe_from` | for a dry season the day from which grass has died back, else `start`; later than `end` where a dry season is too short to be observed |
| `complete` | False while the season is still running, and where the rain record does not reach back to its start |
| `failed` | the rains failed; their dates are the long-term mean ones |
| `dates_from` | `rain`, `climatology` (failed rains, too long a gap, or outside the record) or `calendar` |

The dates of a season that has not closed yet are those known so far. A dry season is complete
only when the next rains have been seen to begin (or to fail): until then its last, and most
telling, weeks are not over, even where the mean onset is near.
"""  # noqa: E501

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from typing import Literal

import numpy as np
import pandas as pd

from afterrains.errors import Finding, InputError
from afterrains.programme import NamedRains
from afterrains.rain.accumulation import (
    DAYS_IN_YEAR,
    ClimateSeason,
    climate_seasons,
    daily_climatology,
    harmonic_ratio,
    largest_rise,
)

__all__ = ["from_calendar", "from_rain", "mean_seasons", "slots_of_year"]

FAIL_SHARE = 0.25
"""Rains whose accumulated anomaly rises by less than this share of the long-term mean rise have
failed, or have not begun yet while their time is still on (rule of thumb, no source)."""

MISSING_SHARE = 0.2
"""Share of missing days, in the window where a season is looked for, above which its dates are the
long-term mean ones (rule of thumb, no source)."""

_SEARCH_DAYS = {1: 50, 2: 20}
"""How far before the mean onset and after the mean end a year's season is looked for
(Dunning 2016), cut to half of the dry season between so that two searches never meet."""

_RAINLESS_END_DAYS = 20
"""Days without a new maximum after which the rains of an open season count as over (the length of
the rainless spell that ends a season in Sivakumar 1988)."""

_ONE_DAY = pd.Timedelta(days=1)


@dataclass(frozen=True)
class _Rains:
    """One year's rainy season: dates, and what is known of them."""

    number: int  # place among the year's rainy seasons, from 1
    name: str  # the id's second half
    nominal_start: pd.Timestamp
    nominal_end: pd.Timestamp
    start: pd.Timestamp
    end: pd.Timestamp
    closed: bool  # the record reaches the end of its window
    over: bool  # a dry season has begun after it
    failed: bool
    dates_from: Literal["rain", "climatology", "calendar"]


def from_rain(
    rain: pd.Series | pd.DataFrame,
    *,
    rainy_seasons: Literal["auto", 1, 2] = "auto",
    dieback_days: int = 60,
) -> pd.DataFrame:
    """Season calendar from daily rain, by anomalous accumulation.

    The mean year of the whole record gives the mean seasons; each year's own season is then the
    largest rise of the accumulated anomaly (rain minus the record's daily mean) between 50 days
    before the mean onset and 50 days after the mean end (20 with two seasons a year). Its first
    day is the day after the minimum, its last the day of the maximum.

    Parameters
    ----------
    rain : Series or DataFrame
        Daily rain, mm, with a DatetimeIndex; NaN or absent days are gaps, which count as the mean
        of their day of the year, never as dry. Of a DataFrame (one column a site) the mean over
        sites is taken, so that sown and control ground are compared in the same windows.
    rainy_seasons : "auto", 1 or 2
        Rainy seasons a year; "auto" takes two where the second annual harmonic is the larger.
    dieback_days : int
        Days after the rains that are left out of the dry season's observations.

    Returns
    -------
    DataFrame
        The season calendar (see the module's header) of the whole record.

    Raises
    ------
    InputError
        When the record is too short or too patchy for a mean year, or has no rainy season.

    References
    ----------
    Dunning et al. (2016), doi:10.1002/2016JD025428; Liebmann et al. (2012),
    doi:10.1175/JCLI-D-11-00157.1
    """
    series = _one_series(rain)
    climatology, seasons = mean_seasons(series, rainy_seasons)
    return _calendar(
        list(_yearly_rains(series, climatology, seasons)),
        series.index[0],
        series.index[-1],
        dieback_days,
    )


def mean_seasons(
    series: pd.Series, rainy_seasons: Literal["auto", 1, 2]
) -> tuple[np.ndarray, tuple[ClimateSeason, ...]]:
    """Mean rain of each day of the year (365, mm) and the rainy seasons in it."""
    climatology = daily_climatology(
        series.to_numpy(), slots_of_year(pd.DatetimeIndex(series.index))
    )
    if unread := int(np.isnan(climatology).sum()):
        what = f"{unread} days of the year were never read between {series.index[0]:%Y-%m-%d} and "
        what += f"{series.index[-1]:%Y-%m-%d}"
        raise _unfit(what, "rain-record-too-short")
    count = (
        (2 if harmonic_ratio(climatology) > 1 else 1)
        if rainy_seasons == "auto"
        else (rainy_seasons)
    )
    seasons = climate_seasons(climatology, count)
    if any(season.rise_mm <= 0.01 * climatology.sum() for season in seasons):
        what = f"{count} rainy season{'s' if count > 1 else ''} a year cannot be told apart in it"
        raise _unfit(what, "rain-no-season")
    return climatology, seasons


def _unfit(what: str, code: str) -> InputError:
    mend = "give a longer record (30 years are usual), or set seasons: {from: calendar, rains: […]}"
    return InputError([Finding("error", "rain", "", what, mend, code)])


def slots_of_year(days: pd.DatetimeIndex) -> np.ndarray:
    """Slot of the 365-day year, from 0; 29 February shares the slot of 28 February."""
    after_february = days.is_leap_year & (days.day_of_year > 59)
    return np.asarray(days.day_of_year - 1 - after_february.astype(int), dtype=np.int64)


def _one_series(rain: pd.Series | pd.DataFrame) -> pd.Series:
    """One series with every day from the first to the last reading."""
    series = rain.mean(axis="columns") if isinstance(rain, pd.DataFrame) else rain
    if not isinstance(series.index, pd.DatetimeIndex) or series.index.tz is not None:
        raise TypeError("rain needs a tz-naive DatetimeIndex of days")
    read = series.dropna().astype(float)
    if read.empty:
        raise _unfit("it holds no reading", "rain-no-rows")
    read.index = pd.DatetimeIndex(read.index).normalize()
    if not read.index.is_unique:
        raise ValueError("rain has two readings for one day")
    return read.reindex(pd.date_range(read.index.min(), read.index.max(), freq="D"))


def _day(year: int, slot: int) -> pd.Timestamp:
    """The day of `year` (or of the next) in a slot of the 365-day year."""
    extra, slot = divmod(slot, DAYS_IN_YEAR)
    # 2001 has no 29 February: its month and day name the slot in every year.
    in_plain_year = pd.Timestamp(2001, 1, 1) + pd.Timedelta(days=slot)
    return in_plain_year.replace(year=year + extra)


def _yearly_rains(
    series: pd.Series, climatology: np.ndarray, seasons: Sequence[ClimateSeason]
) -> Iterator[_Rains]:
    """Each year's rains, in order, as far as the record knows of them."""
    first_day, last_day = series.index[0], series.index[-1]
    mean = float(climatology.mean())
    # Two years before the record, so that the dry season it opens in has its mean first day.
    for year in range(first_day.year - 2, last_day.year + 2):
        for number, season in enumerate(seasons, start=1):
            name = "rains" if len(seasons) == 1 else f"rains-{number}"
            before, after = _search_margins(seasons, number - 1)
            opens = _day(year, season.first) - pd.Timedelta(days=before)
            closes = _day(year, season.last) + pd.Timedelta(days=after)
            if opens > last_day:
                return
            window = series.reindex(pd.date_range(opens, min(closes, last_day), freq="D"))
            rains = _rains_of_year(window, climatology, mean, season, year, closes <= last_day)
            if rains is None:
                return
            start, end, over, failed, dates_from = rains
            yield _Rains(
                number,
                name,
                _day(year, season.first),
                _day(year, season.last),
                start,
                end,
                closes <= last_day,
                over,
                failed,
                dates_from,
            )
            if not over:
                return


def _search_margins(seasons: Sequence[ClimateSeason], place: int) -> tuple[int, int]:
    """Days searched before the mean onset and after the mean end."""
    this = seasons[place]
    limit = _SEARCH_DAYS[len(seasons)]
    gap_before = (this.first - seasons[place - 1].last - 1) % DAYS_IN_YEAR
    gap_after = (seasons[(place + 1) % len(seasons)].first - this.last - 1) % DAYS_IN_YEAR
    return min(limit, gap_before // 2), min(limit, gap_after // 2)


_Dates = tuple[pd.Timestamp, pd.Timestamp, bool, bool, Literal["rain", "climatology", "calendar"]]


def _rains_of_year(
    window: pd.Series,
    climatology: np.ndarray,
    mean: float,
    season: ClimateSeason,
    year: int,
    closed: bool,
) -> _Dates | None:
    """Start, end, whether over, whether failed and where from; None while they have not begun."""
    mean_start, mean_end = _day(year, season.first), _day(year, season.last)
    last_day = window.index[-1]
    values = window.to_numpy(dtype=float)
    if np.isnan(values).mean() > MISSING_SHARE:
        if last_day < mean_start:
            return None
        return mean_start, min(mean_end, last_day), last_day > mean_end, False, "climatology"
    filled = np.where(
        np.isnan(values), climatology[slots_of_year(pd.DatetimeIndex(window.index))], values
    )
    first, last, rise = largest_rise(filled - mean)
    if rise < FAIL_SHARE * season.rise_mm:
        if last_day <= mean_end and not closed:
            return None
        return mean_start, mean_end, True, True, "climatology"
    start, end = window.index[first], window.index[last]
    quiet = (last_day - end).days >= _RAINLESS_END_DAYS and last_day > mean_end
    if closed or quiet:
        return start, end, True, False, "rain"
    return start, last_day, False, False, "rain"


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
                _Rains(number, season.name, start, end, start, end, True, True, False, "calendar")
            )
    found.sort(key=lambda season: season.start)
    for before, after in pairwise(found):
        if after.start <= before.end:
            raise ValueError(f"{before.name!r} has not ended when {after.name!r} begins")
    # The last listed rains are out of reach, so that every dry season has its next rains.
    table = _calendar(found, found[0].start, found[-1].end, dieback_days).iloc[:-1]
    touched = table[(table["end"] >= first) & (table["start"] <= last)].reset_index(drop=True)
    return touched.assign(complete=(touched["start"] >= first) & (touched["end"] <= last))


def _month_day(year: int, text: str) -> pd.Timestamp:
    return pd.Timestamp(year, int(text[:2]), int(text[3:]))


def _weaker(before: _Rains, after: _Rains | None) -> Literal["rain", "climatology", "calendar"]:
    """Where the dates of the dry season between come from: the mean year if either end does."""
    if after is not None and after.dates_from == "climatology":
        return "climatology"
    return before.dates_from


def _calendar(
    rains: list[_Rains], first_day: pd.Timestamp, last_day: pd.Timestamp, dieback_days: int
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
        start = season.end + _ONE_DAY
        end = last_day if following is None else following.start - _ONE_DAY
        if end < start:
            continue
        year = (season.nominal_end + _ONE_DAY).year
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
