"""When the grass has died back after the rains, measured from the greenness curve.

A dry season is observed from the day on which grass is dead, so that what is still green is woody.
The programme file gives a number of days; this measures it where a curve of greenness is there:
the first day after the rains on which greenness has come down to a set share of the year's
amplitude above its dry-season floor (the seasonal-amplitude threshold of Jönsson & Eklundh).

References
----------
Jönsson, P. & Eklundh, L. (2004). TIMESAT - a program for analyzing time-series of satellite
sensor data. Comput. Geosci. 30, 833-845. doi:10.1016/j.cageo.2004.05.006
"""

from __future__ import annotations

import numpy as np
import pandas as pd

__all__ = ["measured_dieback"]

_FEWEST_DATES = 4
_PEAK, _FLOOR = 0.9, 0.1  # quantiles: one cloudy or hazy date must not set the amplitude


def measured_dieback(
    greenness: pd.Series, calendar: pd.DataFrame, *, share: float = 0.2
) -> pd.DataFrame:
    """Days from the end of the rains until grass has died back, for each dry season.

    Parameters
    ----------
    greenness : Series
        Vegetation index of one patch of ground on its clear dates (DatetimeIndex); NaN dates are
        left out. Grassy ground with few trees tells best.
    calendar : DataFrame
        Season calendar.
    share : float
        Share of the amplitude at which grass counts as dead; 0.1 to 0.2 are usual.

    Returns
    -------
    DataFrame
        One row a dry season that follows rains of the calendar: `season`, `died_back_on`, `days`
        (from the season's first day; NaN where it cannot be told), `clear_dates` (of the dry
        season). The day is found on the straight line between the clear dates on either side;
        where the last date of the rains is that low already, it is the season's first day. It
        cannot be told with fewer than 4 clear dates in the rains or in the dry season, or while
        greenness has not come down.
    """
    if not 0 < share < 1:
        raise ValueError(f"share is {share}; it must lie between 0 and 1")
    seen = greenness.dropna().sort_index()
    rows = []
    rains: pd.Series | None = None
    for kind, season, start, end in zip(
        calendar["kind"], calendar["season"], calendar["start"], calendar["end"], strict=True
    ):
        here = seen[(seen.index >= start) & (seen.index <= end)]
        if kind == "rains":
            rains = here
        elif rains is not None:
            day = _crossing(rains, here, share, start)
            rows.append(
                {
                    "season": season,
                    "died_back_on": day,
                    "days": np.nan if day is None else float((day - start).days),
                    "clear_dates": len(here),
                }
            )
    table = pd.DataFrame(rows, columns=["season", "died_back_on", "days", "clear_dates"])
    return table.assign(died_back_on=pd.to_datetime(table["died_back_on"]))


def _crossing(
    rains: pd.Series, dry: pd.Series, share: float, start: pd.Timestamp
) -> pd.Timestamp | None:
    """First day of the dry season at which greenness is down to the threshold."""
    if len(rains) < _FEWEST_DATES or len(dry) < _FEWEST_DATES:
        return None
    peak, floor = float(rains.quantile(_PEAK)), float(dry.quantile(_FLOOR))
    if peak <= floor:
        return None
    threshold = floor + share * (peak - floor)
    curve = pd.concat([rains.iloc[[-1]], dry])
    below = np.flatnonzero(curve.to_numpy() <= threshold)
    if not below.size:
        return None
    place = int(below[0])
    if place == 0:
        return start
    before, after = float(curve.iloc[place - 1]), float(curve.iloc[place])
    part = (before - threshold) / (before - after)
    span = curve.index[place] - curve.index[place - 1]
    return max(start, pd.Timestamp(curve.index[place - 1] + part * span).ceil("D"))
