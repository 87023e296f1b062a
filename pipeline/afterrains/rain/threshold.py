"""Rainy seasons by thresholds, the other published way.

**Onset**: the first day, from a set day of the year on, that closes a few days with enough rain
and is followed by a month without a long dry spell. **End**: the first day, from another set day
on, that begins a long rainless spell; the day before is the last of the rains.

With its defaults this is the definition of Sivakumar (1988) for the Sahel: 20 mm in 3 days after
1 May, no dry spell over 7 days in the next 30; 20 rainless days after 1 September. Public copies
of the paper disagree on the spell ("7 or more", "more than 7", "10 or more"). The days of the
year must be set for other climates; a season across New Year is given by an end before the onset.

References
----------
Sivakumar, M. V. K. (1988). Predicting rainy season potential from the onset of rains in Southern
Sahelian and Sudanian climatic zones of West Africa. Agric. For. Meteorol. 42, 295-305.
doi:10.1016/0168-1923(88)90039-1
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from afterrains.rain.dryness import WET_DAY_MM, dry_runs
from afterrains.rain.record import one_series, unfit_record
from afterrains.rain.season_calendar import ONE_DAY, DatesFrom, YearRains, calendar_of

__all__ = ["ThresholdRule", "from_threshold", "threshold_end", "threshold_onset"]


_RAIN: DatesFrom = "rain"
_CLIMATOLOGY: DatesFrom = "climatology"


@dataclass(frozen=True)
class ThresholdRule:
    """The rule of one rainy season a year.

    `onset_from`, `onset_until`, `end_from`, `end_until` are month-days ("05-01"): the onset is
    looked for between the first two, the end between the last two. `wet_mm` must fall within
    `wet_days`; a run of more than `dry_spell_days` days under `wet_day_mm` in the `follow_days`
    after forbids the onset; `rainless_days` days under `rainless_mm` end the season. Satellite
    rain seldom says 0, hence a millimetre.
    """

    onset_from: str = "05-01"
    onset_until: str = "08-31"
    end_from: str = "09-01"
    end_until: str = "12-31"
    wet_mm: float = 20.0
    wet_days: int = 3
    follow_days: int = 30
    dry_spell_days: int = 7
    wet_day_mm: float = WET_DAY_MM
    rainless_days: int = 20
    rainless_mm: float = WET_DAY_MM

    def window(self, year: int) -> tuple[pd.Timestamp, ...]:
        """The four days of the season that begins in `year`, in order of time."""
        days: list[pd.Timestamp] = []
        for text in (self.onset_from, self.onset_until, self.end_from, self.end_until):
            day = pd.Timestamp(f"{year}-{text}")
            while days and day < days[-1]:
                day = pd.Timestamp(f"{day.year + 1}-{text}")
            days.append(day)
        return tuple(days)


def threshold_onset(
    rain_mm: NDArray[np.floating],
    *,
    wet_mm: float = 20.0,
    wet_days: int = 3,
    follow_days: int = 30,
    dry_spell_days: int = 7,
    wet_day_mm: float = WET_DAY_MM,
) -> int | None:
    """Place of the onset: the day that closes the wet days.

    Parameters
    ----------
    rain_mm : array, shape (days,)
        Daily rain from the first day of the search on, mm. NaN adds no rain and ends a dry spell.
    wet_mm, wet_days, follow_days, dry_spell_days, wet_day_mm
        As in `ThresholdRule`.

    Returns
    -------
    int or None
        None where no day qualifies, or fewer than `follow_days` days follow the ones that might.
    """
    values = np.asarray(rain_mm, dtype=float)
    total = np.concatenate([[0.0], np.cumsum(np.nan_to_num(values))])
    closing = np.arange(wet_days, values.size - follow_days + 1)
    enough = closing[total[closing] - total[closing - wet_days] >= wet_mm - 1e-9] - 1
    runs = dry_runs(values, wet_day_mm)
    for day in enough:
        # A spell that runs already on the onset counts whole: a lone storm stays in the sum of the
        # wet days for some dry days, which must not hide the beginning of the spell after it.
        if runs[day + 1 : day + 1 + follow_days].max(initial=0) <= dry_spell_days:
            return int(day)
    return None


def threshold_end(
    rain_mm: NDArray[np.floating],
    *,
    rainless_days: int = 20,
    rainless_mm: float = WET_DAY_MM,
) -> int | None:
    """Place of the first day of the first rainless spell, or None.

    Parameters
    ----------
    rain_mm : array, shape (days,)
        Daily rain from the first day of the search on, mm; NaN is not rainless.
    rainless_days, rainless_mm
        As in `ThresholdRule`.
    """
    runs = dry_runs(np.asarray(rain_mm, dtype=float), rainless_mm)
    closing = np.flatnonzero(runs >= rainless_days)
    return int(closing[0]) - rainless_days + 1 if closing.size else None


def from_threshold(
    rain: pd.Series | pd.DataFrame,
    rule: ThresholdRule | None = None,
    *,
    dieback_days: int = 60,
    missing_share: float = 0.2,
    reference: tuple[int, int] | None = None,
) -> pd.DataFrame:
    """Season calendar from daily rain by thresholds, with one rainy season a year.

    Parameters
    ----------
    rain : Series or DataFrame
        As in `afterrains.rain.seasons.from_rain`.
    rule : ThresholdRule, optional
        The thresholds and the days of the year.
    dieback_days : int
        Days after the rains that are left out of the dry season's observations.
    missing_share : float
        Share of missing days of a window above which a season gets the mean dates.
    reference : tuple of int, optional
        First and last year of the period that gives the mean dates; the whole record if unset.

    Returns
    -------
    DataFrame
        The season calendar (`afterrains.rain.season_calendar`). A year without an onset has
        `failed` and the mean dates (medians of the other years); rains without an end in the
        window last until its end.

    Raises
    ------
    InputError
        When no year of the record has an onset.
    """
    rule = rule or ThresholdRule()
    series = one_series(rain)
    first, last = series.index[0], series.index[-1]
    years = range(first.year - 2, last.year + 2)
    found = {year: _search(series, rule, year, missing_share) for year in years}
    told = {year: dates for year, dates in found.items() if isinstance(dates, tuple)}
    if not told:
        what = f"no onset by the thresholds between {first:%Y-%m-%d} and {last:%Y-%m-%d}"
        raise unfit_record(what, "rain-no-season")
    low, high = reference or (first.year, last.year)
    usual = {year: dates for year, dates in told.items() if low <= year <= high} or told
    onset = _median_days([dates[0] - rule.window(year)[0] for year, dates in usual.items()])
    ended = [dates[1] - rule.window(year)[0] for year, dates in usual.items() if dates[2]]
    end = _median_days(ended) if ended else rule.window(2001)[3] - rule.window(2001)[0]
    rains = []
    for year in years:
        opens, _, _, closes = rule.window(year)
        mean_start, mean_end = opens + onset, opens + end
        state = found[year]
        if state is None or (state == "unread" and last < mean_start):
            break
        if isinstance(state, tuple):
            start, its_end, over = state
            failed, source = False, _RAIN
        else:
            start, its_end, over = mean_start, min(mean_end, last), last > mean_end
            failed, source = state == "failed", _CLIMATOLOGY
            if failed:
                its_end, over = mean_end, True
        rains.append(
            YearRains(
                1,
                "rains",
                mean_start,
                mean_end,
                start,
                its_end,
                closes <= last,
                over,
                failed,
                source,
            )
        )
        if not over:
            break
    return calendar_of(rains, first, last, dieback_days)


def _median_days(spans: list[pd.Timedelta]) -> pd.Timedelta:
    return pd.Timedelta(days=int(np.median([span.days for span in spans])))


_State = tuple[pd.Timestamp, pd.Timestamp, bool] | str | None


def _search(series: pd.Series, rule: ThresholdRule, year: int, missing_share: float) -> _State:
    """Start, end and whether over; "failed", "unread"; None while the rains have not begun."""
    opens, onset_until, end_from, closes = rule.window(year)
    last = series.index[-1]
    if opens > last:
        return None
    # The spell that ends a season may begin on the last day of the search.
    beyond = closes + pd.Timedelta(days=rule.rainless_days)
    window = series.reindex(pd.date_range(opens, min(beyond, last), freq="D"))
    if window[:closes].isna().mean() > missing_share:
        return "unread"
    room = onset_until + pd.Timedelta(days=rule.follow_days)
    place = threshold_onset(
        window[:room].to_numpy(dtype=float),
        wet_mm=rule.wet_mm,
        wet_days=rule.wet_days,
        follow_days=rule.follow_days,
        dry_spell_days=rule.dry_spell_days,
        wet_day_mm=rule.wet_day_mm,
    )
    if place is None:
        return "failed" if last >= room else None
    start = window.index[place]
    begin = max(end_from, start + ONE_DAY)
    spell = threshold_end(
        window[begin:].to_numpy(dtype=float),
        rainless_days=rule.rainless_days,
        rainless_mm=rule.rainless_mm,
    )
    if spell is not None:
        return start, begin + pd.Timedelta(days=spell) - ONE_DAY, True
    return start, min(closes, last), last > closes
