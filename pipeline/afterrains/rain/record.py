"""Daily rain as the rest of the job sees it, whatever it was read from.

One row a day from the first day of the record to its last, millimetres a day, NaN for a day
without a reading. A gap is never taken as dry: whoever sums rain counts the gaps beside the sum.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
import pandas as pd

from afterrains.errors import Finding, InputError

__all__ = ["PROGRAMME_WIDE", "RainRecord", "every_day", "one_series", "unfit_record"]

PROGRAMME_WIDE = ""
"""The one column of a record that holds a single series for the whole programme."""


_USUAL_YEARS = 30  # asked of an SPI (WMO-No. 1090, 2012)
_GAPS_WORTH_TELLING = 0.02


@dataclass(frozen=True)
class RainRecord:
    """Daily rain of a programme.

    `daily` has a tz-naive DatetimeIndex with every day from first to last, one column for each
    site (`site_id`), or the single column `PROGRAMME_WIDE` ('') when one series stands for all
    sites; values are mm a day, NaN = gap. `source` says in words where it was read from. `step`
    is "pentad" where five- or six-day totals were spread evenly over their days, so that totals
    are right but single wet days, dry spells and first effective rains are blurred.
    """

    daily: pd.DataFrame
    source: str
    step: Literal["daily", "pentad"] = "daily"

    def __post_init__(self) -> None:
        index = self.daily.index
        if not isinstance(index, pd.DatetimeIndex) or index.tz is not None or not len(index):
            raise ValueError("daily needs a tz-naive DatetimeIndex with at least one day")
        whole = pd.date_range(index[0], index[-1], freq="D")
        if len(index) != len(whole) or not (index == whole).all() or index[0] != whole[0]:
            raise ValueError("daily must hold every day once, in order; see every_day")
        if not self.daily.columns.is_unique or not len(self.daily.columns):
            raise ValueError("daily needs one column for each site")
        values = self.daily.to_numpy()
        if values.dtype.kind != "f" or (np.isfinite(values) & (values < 0)).any():
            raise ValueError("daily must hold rain as floats of 0 mm or more, NaN for a gap")

    @property
    def programme_wide(self) -> bool:
        """Whether one series stands for every site."""
        return list(self.daily.columns) == [PROGRAMME_WIDE]

    @property
    def first_day(self) -> pd.Timestamp:
        """First day of the record."""
        return pd.Timestamp(self.daily.index[0])

    @property
    def last_day(self) -> pd.Timestamp:
        """Last day of the record."""
        return pd.Timestamp(self.daily.index[-1])

    @cached_property
    def gaps(self) -> Mapping[str, int]:
        """Days without a reading between the record's first and last day, by column."""
        missing = self.daily.isna().sum()
        return {str(column): int(count) for column, count in missing.items()}

    @property
    def cautions(self) -> tuple[str, ...]:
        """What a reader of figures from this record must know, in sentences."""
        told = []
        first, after = self.first_day, self.last_day + pd.Timedelta(days=1)
        # Whole calendar years: 30 of them are 10957 days or 10958.
        years = after.year - first.year - ((after.month, after.day) < (first.month, first.day))
        if years < _USUAL_YEARS:
            told.append(
                f"The rain record holds {years} years; for seasons' dates and for the SPI "
                f"{_USUAL_YEARS} are usual, so both may shift as it grows."
            )
        if self.step == "pentad":
            told.append(
                "Rain came as five-day totals spread evenly over their days: totals are right, but "
                "rain days, dry spells and first effective rains are blurred."
            )
        share = float(self.daily.isna().to_numpy().mean())
        if share > _GAPS_WORTH_TELLING:
            told.append(
                f"{share:.0%} of the days are unread; they are never taken as dry, and seasons "
                "with too many of them have no total."
            )
        return tuple(told)

    def for_site(self, site_id: str) -> pd.Series:
        """The daily rain that `site_id` got, mm; the programme's series where it is the only one.

        A site that a per-site record does not know raises a KeyError: no neighbour stands in.
        """
        if self.programme_wide:
            return self.daily[PROGRAMME_WIDE].rename(site_id)
        return self.daily[site_id]

    def for_sites(self, site_ids: list[str]) -> pd.DataFrame:
        """One column for each of `site_ids`, in that order; all NaN for a site without rain."""
        if self.programme_wide:
            one = self.daily[PROGRAMME_WIDE].to_numpy()
            block = np.broadcast_to(one[:, None], (len(one), len(site_ids)))
            return pd.DataFrame(block, index=self.daily.index, columns=pd.Index(site_ids))
        return self.daily.reindex(columns=pd.Index(site_ids))

    def mean(self) -> pd.Series:
        """Mean rain of the sites that have a reading on the day, mm; NaN where none has."""
        return self.daily.mean(axis="columns", skipna=True).rename("rain_mm")


def every_day(readings: pd.DataFrame) -> pd.DataFrame:
    """The readings with a row for every day from first to last; days without one are NaN.

    Parameters
    ----------
    readings : DataFrame
        Index of days (any order, each once), one column for each series, mm.
    """
    index = pd.DatetimeIndex(readings.index).normalize()
    ordered = readings.set_axis(index, axis="index").sort_index().astype(float)
    whole = pd.date_range(ordered.index[0], ordered.index[-1], freq="D").as_unit("us")
    return ordered.reindex(whole)


def one_series(rain: pd.Series | pd.DataFrame) -> pd.Series:
    """One series, the mean over sites, with every day from the first to the last reading.

    A table has one column for each site, or is as `rain.csv`: `date, rain_mm`, optional `site_id`.
    """
    if isinstance(rain, pd.DataFrame) and {"date", "rain_mm"} <= set(rain.columns):
        by_site = ["date", *(["site_id"] if "site_id" in rain else [])]
        if rain.duplicated(by_site).any():
            raise ValueError("rain has two readings for one day")
        rain = rain.assign(date=pd.to_datetime(rain["date"])).groupby("date")["rain_mm"].mean()
    series = rain.mean(axis="columns") if isinstance(rain, pd.DataFrame) else rain
    if not isinstance(series.index, pd.DatetimeIndex) or series.index.tz is not None:
        raise TypeError("rain needs a tz-naive DatetimeIndex of days")
    read = series.dropna().astype(float)
    if read.empty:
        raise unfit_record("it holds no reading", "rain-no-rows")
    read.index = pd.DatetimeIndex(read.index).normalize()
    if not read.index.is_unique:
        raise ValueError("rain has two readings for one day")
    return read.reindex(pd.date_range(read.index.min(), read.index.max(), freq="D"))


def unfit_record(what: str, code: str) -> InputError:
    """Why no season can be found in a rain record, for the user to mend."""
    mend = "give a longer record (30 years are usual), or set seasons: {from: calendar, rains: […]}"
    return InputError([Finding("error", "rain", "", what, mend, code)])
