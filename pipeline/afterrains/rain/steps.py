"""From the time steps of a rain grid to days.

Steps are days or pentads: the six stretches of a month that begin on days 1, 6, 11, 16, 21 and 26
(the last runs to the month's end), or plain stretches of five days. A pentad's amount is spread
evenly over its days.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

__all__ = ["Steps", "days_of_steps", "read_steps"]

_PENTAD_STARTS = (1, 6, 11, 16, 21, 26)
_MOST_YEARS = 300  # longer than any record: a stamp is wrong


@dataclass(frozen=True)
class Steps:
    """First day of each time step and the days it lasts, in the order of the file."""

    first: pd.DatetimeIndex
    days: NDArray[np.int64]

    @property
    def kind(self) -> Literal["daily", "pentad"]:
        """Whether every step is a day."""
        return "daily" if (self.days == 1).all() else "pentad"


def read_steps(first: pd.DatetimeIndex, last: pd.DatetimeIndex | None = None) -> Steps | str:
    """The steps that begin at these times, or what is wrong with them in words.

    Parameters
    ----------
    first : DatetimeIndex
        Time stamp of each step: its first day, at any hour. Any order.
    last : DatetimeIndex, optional
        Ends of the steps (CF bounds), exclusive; without them lengths follow from the stamps.
    """
    if first.hasnans or not len(first):
        return "has no readable time steps"
    if last is not None:
        seconds = np.asarray((last - first).total_seconds(), dtype=float)
        days = np.rint(seconds / 86_400).astype(np.int64)
        if (np.abs(seconds / 86_400 - days) > 0.01).any() or (days < 1).any() or (days > 6).any():
            return "has time steps (by its time bounds) that are not days or pentads"
        return _checked(Steps(first.normalize(), days))
    stamps = first.normalize()
    order = np.argsort(stamps.to_numpy(), kind="stable")
    ordered = stamps[order]
    between = np.diff(ordered.to_numpy()).astype("timedelta64[D]").astype(np.int64)
    if not between.size or between.min() <= 1:
        return _checked(Steps(stamps, np.ones(len(stamps), dtype=np.int64)))
    if np.isin(ordered.day, _PENTAD_STARTS).all() and 3 <= between.min() <= 6:
        lengths = np.where(ordered.day == 26, ordered.days_in_month - 25, 5)
    elif between.min() == 5:
        # Where a year has 73 pentads, the one that holds 29 February has six days.
        lengths = np.append(np.where(between == 6, 6, 5), 5)
    else:
        return f"has time steps {between.min()} days apart, neither days nor pentads"
    days = np.empty(len(stamps), dtype=np.int64)
    days[order] = lengths
    return _checked(Steps(stamps, days))


def _checked(steps: Steps) -> Steps | str:
    """Refuse steps that overlap or lie ages apart."""
    order = np.argsort(steps.first.to_numpy(), kind="stable")
    begins = steps.first[order]
    ends = begins + pd.to_timedelta(steps.days[order], unit="D")
    if (years := (ends[-1] - begins[0]).days / 365.25) > _MOST_YEARS:
        return f"has time steps from {begins[0]:%Y} to {ends[-1]:%Y}, {years:.0f} years apart"
    overlapping = np.flatnonzero(begins[1:] < ends[:-1])
    if not overlapping.size:
        return steps
    day = begins[overlapping[0] + 1]
    if begins[overlapping[0]] == day:
        return f"has two time steps on {day:%Y-%m-%d}; sum hours to days, and keep each day once"
    return f"has overlapping time steps on {day:%Y-%m-%d}"


def days_of_steps(
    amounts: NDArray[np.floating], steps: Steps, *, rate: bool
) -> tuple[NDArray[np.float64], pd.DatetimeIndex]:
    """Rain of each day of the record.

    Parameters
    ----------
    amounts : array, shape (steps, sites)
        mm a day where `rate` holds, else mm in the step; NaN where missing.
    steps : Steps
        The steps of the rows.
    rate : bool
        Whether amounts are rates.

    Returns
    -------
    array, shape (days, sites)
        mm a day, NaN on days of no step; and the days.
    """
    last = (steps.first + pd.to_timedelta(steps.days - 1, unit="D")).max()
    index = pd.date_range(steps.first.min(), last, freq="D").as_unit("us")
    begin = np.asarray((steps.first - index[0]).days, dtype=np.int64)
    daily = np.full((len(index), amounts.shape[1]), np.nan)
    for day in range(int(steps.days.max())):
        lasts = steps.days > day
        shared = amounts[lasts] if rate else amounts[lasts] / steps.days[lasts, None]
        daily[begin[lasts] + day] = shared
    return daily, index
