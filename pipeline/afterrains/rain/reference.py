"""The years that the mean year is taken from, so that a longer record moves no past season.

A season's dates follow from its own rain and from the mean year. Were the mean year that of the
whole record, each new year of rain would shift the dates of every season before by a day or two:
what was judged would be judged on other days, and all of it read again. So the mean year is that
of a stated period, which a record that goes on does not change.
"""

from __future__ import annotations

from datetime import date

import pandas as pd

from afterrains.rain.dryness import LEAST_REFERENCE_YEARS, USUAL_REFERENCE_YEARS

__all__ = ["in_years", "reference_years"]


def reference_years(first_day: date, last_day: date, watched_from: date) -> tuple[int, int] | None:
    """First and last year of the reference period of a rain record.

    Parameters
    ----------
    first_day, last_day : date
        Of the record.
    watched_from : date
        The day from which the ground is watched.

    Returns
    -------
    tuple of int or None
        The last 30 full calendar years before the ground was watched; where the record has fewer
        than 10 of those, its first 10 full years; None, the whole record, where it has not even
        these: then seasons' dates may still move as it grows.
    """
    first = first_day.year + (first_day > date(first_day.year, 1, 1))
    last = last_day.year - (last_day < date(last_day.year, 12, 31))
    until = min(last, watched_from.year - 1)
    if until - first + 1 >= LEAST_REFERENCE_YEARS:
        return max(first, until - USUAL_REFERENCE_YEARS + 1), until
    until = first + LEAST_REFERENCE_YEARS - 1
    return (first, until) if until <= last else None


def in_years(series: pd.Series, years: tuple[int, int] | None) -> pd.Series:
    """The part of a daily series that lies in the years, both included; all of it for None."""
    if years is None:
        return series
    when = pd.DatetimeIndex(series.index).year
    return series[(when >= years[0]) & (when <= years[1])]
