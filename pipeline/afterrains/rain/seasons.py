"""Season calendars: from rain by anomalous accumulation, from rain by thresholds, from fixed dates.

The table itself is described in `afterrains.rain.season_calendar`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from afterrains.errors import InputError
from afterrains.rain.accumulation import (
    DAYS_IN_YEAR,
    ClimateSeason,
    climate_seasons,
    daily_climatology,
    harmonic_ratio,
    largest_rise,
)
from afterrains.rain.record import one_series, unfit_record
from afterrains.rain.reference import in_years
from afterrains.rain.season_calendar import (
    ONE_DAY,
    DatesFrom,
    YearRains,
    calendar_of,
    from_calendar,
)
from afterrains.rain.threshold import ThresholdRule, from_threshold

__all__ = [
    "ThresholdRule",
    "from_calendar",
    "from_rain",
    "from_threshold",
    "mean_seasons",
    "site_onsets",
    "slots_of_year",
]

FAIL_SHARE = 0.25
"""Rains whose accumulated anomaly rises by less than this share of the long-term mean rise have
failed, or have not begun yet while their time is still on (rule of thumb, no source)."""

MISSING_SHARE = 0.2
"""Share of missing days, in the window where a season is looked for, above which its dates are the
long-term mean ones (rule of thumb, no source)."""

_SEARCH_DAYS = {1: 50, 2: 20}
"""How far before the mean onset and after the mean end a year's season is looked for (Dunning 2016,
from memory), cut to half of the dry season between so that two searches never meet."""

_PAD_DAYS = 4 * DAYS_IN_YEAR
"""Unread days put before the record, for the seasons of the years before it."""

_RAINLESS_END_DAYS = 20
"""Days without a new maximum after which the rains of an open season count as over (the length of
the rainless spell that ends a season in Sivakumar 1988)."""


def from_rain(
    rain: pd.Series | pd.DataFrame,
    *,
    rainy_seasons: Literal["auto", 1, 2] = "auto",
    dieback_days: int = 60,
    reference: tuple[int, int] | None = None,
) -> pd.DataFrame:
    """Season calendar from daily rain, by anomalous accumulation.

    The mean year of the record, or of its reference years, gives the mean seasons; each year's
    own season is then the largest rise of the accumulated anomaly (rain minus the mean year's daily
    mean) between 50 days before the mean onset and 50 days after the mean end (20 with two seasons
    a year). Its first day is the day after the minimum, its last the day of the maximum.

    Parameters
    ----------
    rain : Series or DataFrame
        Daily rain, mm, with a DatetimeIndex; NaN or absent days are gaps, which count as the mean
        of their day of the year, never as dry. Of a DataFrame (one column a site, or the columns
        of `rain.csv`: `date`, `rain_mm`, optional `site_id`) the mean over sites is taken, so that
        sown and control ground are compared in the same windows.
    rainy_seasons : "auto", 1 or 2
        Rainy seasons a year; "auto" takes two where the second annual harmonic is the larger.
    dieback_days : int
        Days after the rains that are left out of the dry season's observations.
    reference : tuple of int, optional
        First and last year of the period that gives the mean year (`rain.reference`); the whole
        record if unset, and then a longer one moves past seasons.

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
    series = one_series(rain)
    climatology, seasons = mean_seasons(series, rainy_seasons, reference)
    return calendar_of(
        list(_yearly_rains(series, climatology, seasons)),
        series.index[0],
        series.index[-1],
        dieback_days,
    )


def site_onsets(
    rain: pd.DataFrame, *, rainy_seasons: Literal["auto", 1, 2] = "auto"
) -> pd.DataFrame:
    """Onset and end of the rains at each site by its own rain, by anomalous accumulation.

    The programme's calendar (`from_rain`) stays the one that sown and control ground are compared
    in; this tells how far a site's own rains lie from it.

    Parameters
    ----------
    rain : DataFrame
        Daily rain, mm, one column a site (`RainRecord.daily`).
    rainy_seasons : "auto", 1 or 2
        Rainy seasons a year at every site; "auto" decides once, by the mean over sites.

    Returns
    -------
    DataFrame
        One row a site and rainy season: `site_id`, `season`, `onset`, `end`, `complete`, `failed`,
        `dates_from`. A site whose record is too short or has no such season has no rows.
    """
    _, seasons = mean_seasons(one_series(rain), rainy_seasons)
    count: Literal[1, 2] = 1 if len(seasons) == 1 else 2
    wanted = ["season", "start", "end", "complete", "failed", "dates_from"]
    parts = []
    # Sites in one cell of a grid have the same rain: each series is worked out once.
    known: dict[bytes, pd.DataFrame] = {}
    for site_id in rain.columns:
        key = rain[site_id].to_numpy(dtype=float).tobytes()
        if key not in known:
            try:
                calendar = from_rain(rain[site_id], rainy_seasons=count)
                known[key] = calendar.loc[calendar["kind"] == "rains", wanted]
            except InputError:
                known[key] = pd.DataFrame(columns=wanted)
        if len(known[key]):
            parts.append(known[key].assign(site_id=site_id))
    columns = ["site_id", *wanted]
    table = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)
    return table[columns].rename(columns={"start": "onset"})


def mean_seasons(
    series: pd.Series,
    rainy_seasons: Literal["auto", 1, 2],
    reference: tuple[int, int] | None = None,
) -> tuple[np.ndarray, tuple[ClimateSeason, ...]]:
    """Mean rain of each day of the year (365, mm) and the rainy seasons in it."""
    series = in_years(series, reference)
    if series.empty:
        raise unfit_record("it holds no day of the reference years", "rain-no-reference")
    climatology = daily_climatology(
        series.to_numpy(), slots_of_year(pd.DatetimeIndex(series.index))
    )
    if unread := int(np.isnan(climatology).sum()):
        what = f"{unread} days of the year were never read between {series.index[0]:%Y-%m-%d} and "
        what += f"{series.index[-1]:%Y-%m-%d}"
        raise unfit_record(what, "rain-record-too-short")
    count = (
        (2 if harmonic_ratio(climatology) > 1 else 1)
        if rainy_seasons == "auto"
        else (rainy_seasons)
    )
    seasons = climate_seasons(climatology, count)
    if any(season.rise_mm <= 0.01 * climatology.sum() for season in seasons):
        what = f"{count} rainy season{'s' if count > 1 else ''} a year cannot be told apart in it"
        raise unfit_record(what, "rain-no-season")
    return climatology, seasons


def slots_of_year(days: pd.DatetimeIndex) -> np.ndarray:
    """Slot of the 365-day year, from 0; 29 February shares the slot of 28 February."""
    after_february = days.is_leap_year & (days.day_of_year > 59)
    return np.asarray(days.day_of_year - 1 - after_february.astype(int), dtype=np.int64)


def _day(year: int, slot: int) -> pd.Timestamp:
    """The day of `year` (or of the next) in a slot of the 365-day year."""
    extra, slot = divmod(slot, DAYS_IN_YEAR)
    # 2001 has no 29 February: its month and day name the slot in every year.
    in_plain_year = pd.Timestamp(2001, 1, 1) + pd.Timedelta(days=slot)
    return in_plain_year.replace(year=year + extra)


def _yearly_rains(
    series: pd.Series, climatology: np.ndarray, seasons: Sequence[ClimateSeason]
) -> Iterator[YearRains]:
    """Each year's rains, in order, as far as the record knows of them."""
    first_day, last_day = series.index[0], series.index[-1]
    anomaly, unread = _filled_anomaly(series, climatology)
    # Two years before the record, so that the dry season it opens in has its mean first day.
    for year in range(first_day.year - 2, last_day.year + 2):
        for number, season in enumerate(seasons, start=1):
            name = "rains" if len(seasons) == 1 else f"rains-{number}"
            before, after = _search_margins(seasons, number - 1)
            opens = _day(year, season.first) - pd.Timedelta(days=before)
            closes = _day(year, season.last) + pd.Timedelta(days=after)
            if opens > last_day:
                return
            closed = closes <= last_day
            begin, stop = ((day - first_day).days + _PAD_DAYS for day in (opens, closes + ONE_DAY))
            window = _Window(
                opens, min(closes, last_day), closed, anomaly[begin:stop], unread[begin:stop]
            )
            rains = _rains_of_year(window, season, year)
            if rains is None:
                return
            start, end, over, failed, dates_from = rains
            yield YearRains(
                number,
                name,
                _day(year, season.first),
                _day(year, season.last),
                start,
                end,
                closed,
                over,
                failed,
                dates_from,
            )
            if not over:
                return


@dataclass(frozen=True)
class _Window:
    """The days in which one year's rains are looked for, as far as the record goes."""

    opens: pd.Timestamp
    last_day: pd.Timestamp
    closed: bool
    anomaly: np.ndarray  # mm; gaps as the mean of their day of the year
    unread: np.ndarray


def _filled_anomaly(series: pd.Series, climatology: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rain minus the daily mean and which days are unread, from `_PAD_DAYS` before the record."""
    first, last = series.index[0], series.index[-1]
    days = pd.date_range(first - pd.Timedelta(days=_PAD_DAYS), last, freq="D")
    values = np.concatenate([np.full(_PAD_DAYS, np.nan), series.to_numpy(dtype=float)])
    unread = np.isnan(values)
    filled = np.where(unread, climatology[slots_of_year(days)], values)
    return filled - climatology.mean(), unread


def _search_margins(seasons: Sequence[ClimateSeason], place: int) -> tuple[int, int]:
    """Days searched before the mean onset and after the mean end."""
    this = seasons[place]
    limit = _SEARCH_DAYS[len(seasons)]
    gap_before = (this.first - seasons[place - 1].last - 1) % DAYS_IN_YEAR
    gap_after = (seasons[(place + 1) % len(seasons)].first - this.last - 1) % DAYS_IN_YEAR
    return min(limit, gap_before // 2), min(limit, gap_after // 2)


_Dates = tuple[pd.Timestamp, pd.Timestamp, bool, bool, DatesFrom]


def _rains_of_year(window: _Window, season: ClimateSeason, year: int) -> _Dates | None:
    """Start, end, whether over, whether failed and where from; None while they have not begun."""
    mean_start, mean_end = _day(year, season.first), _day(year, season.last)
    past = window.closed or window.last_day > mean_end
    if window.unread.mean() > MISSING_SHARE:
        if window.last_day < mean_start:
            return None
        return mean_start, min(mean_end, window.last_day), past, False, "climatology"
    first, last, rise = largest_rise(window.anomaly)
    if rise < FAIL_SHARE * season.rise_mm:
        return (mean_start, mean_end, True, True, "climatology") if past else None
    start, end = (window.opens + pd.Timedelta(days=day) for day in (first, last))
    quiet = (window.last_day - end).days >= _RAINLESS_END_DAYS
    if window.closed or (quiet and past):
        return start, end, True, False, "rain"
    return start, window.last_day, False, False, "rain"
