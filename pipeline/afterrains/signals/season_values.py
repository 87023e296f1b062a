"""From the dates a polygon was seen on to one row for each polygon and season.

Tables only. A date counts towards a season when it lies between the season's `observe_from` and
`end` and when enough of the polygon was clear; a date seen by two sensors counts twice as looks and
once as a date.
"""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from afterrains.signals.common_dates import means_over_common_dates

__all__ = [
    "HIGH_QUANTILE",
    "LOW_QUANTILE",
    "judged_from",
    "judged_values",
    "season_of",
    "season_values",
]

LOW_QUANTILE = 0.1
HIGH_QUANTILE = 0.9
LATE_DAYS = 90
"""The end of a dry season that is judged on."""


def season_of(dates: pd.Series, calendar: pd.DataFrame) -> pd.Series:
    """Season id of each date; missing where a date lies in no season.

    Parameters
    ----------
    dates : Series of datetime64
    calendar : DataFrame
        `season, start, end` (inclusive), sorted by start, without overlaps.
    """
    starts = calendar["start"].to_numpy()
    at = pd.Series(starts).searchsorted(dates.to_numpy(), side="right") - 1
    inside = (at >= 0) & (dates.to_numpy() <= calendar["end"].to_numpy()[at.clip(0)])
    ids = pd.Series(calendar["season"].to_numpy()[at.clip(0)], index=dates.index, dtype="object")
    return ids.where(inside)


def season_values(
    series: pd.DataFrame,
    calendar: pd.DataFrame,
    site_ids: Sequence[str],
    indices: Sequence[str],
    *,
    min_clear_fraction: float = 0.5,
) -> pd.DataFrame:
    """Median, low and high of each index for each site and season.

    Parameters
    ----------
    series : DataFrame
        One row per site and look: `site_id, date, clear_fraction` and a column for each index.
    calendar : DataFrame
        `season, kind, start, end, observe_from`.
    site_ids : sequence of str
        Sites that get a row in every season, seen or not.
    indices : sequence of str
        Index columns to sum up; NaN values are left out.
    min_clear_fraction : float
        Smallest clear share of the polygon for a look to count.

    Returns
    -------
    DataFrame
        `site_id, season, clear_dates` (count), `clear_fraction` (mean over the counted looks, NaN
        where none) and `<index>_median, _low, _high` (NaN where none; quantiles 0.1 and 0.9 over
        the looks, linear interpolation), one row for each site and season in the calendar's order.
    """
    every = pd.MultiIndex.from_product(
        [sorted(site_ids), calendar["season"]], names=["site_id", "season"]
    )
    looks = _counted(series, calendar, min_clear_fraction)
    groups = looks.groupby(["site_id", "season"])
    out = pd.DataFrame(index=every)
    out["clear_dates"] = groups["date"].nunique()
    out["clear_dates"] = out["clear_dates"].fillna(0).astype("int64")
    out["clear_fraction"] = groups["clear_fraction"].mean()
    for name in indices:
        out[f"{name}_median"] = groups[name].median()
        out[f"{name}_low"] = groups[name].quantile(LOW_QUANTILE)
        out[f"{name}_high"] = groups[name].quantile(HIGH_QUANTILE)
    return out.reset_index()


def judged_values(
    series: pd.DataFrame,
    calendar: pd.DataFrame,
    site_ids: Sequence[str],
    index: str,
    *,
    min_clear_fraction: float = 0.5,
    late_days: int = LATE_DAYS,
) -> pd.DataFrame:
    """Season mean of an index at each site, allowing for which dates each was clear on.

    Parameters
    ----------
    series, calendar, site_ids, min_clear_fraction
        As for `season_values`.
    index : str
        Column of `series`.
    late_days : int
        Of a dry season only its last days count: then grass is deadest, and what is green are
        mostly crowns.

    Returns
    -------
    DataFrame
        `site_id, season, judged_value`: the mean the site would have had over all the dates (see
        `means_over_common_dates`), NaN where it had no counted look; `judged_dates`, how many.
    """
    window = calendar.assign(observe_from=judged_from(calendar, late_days))
    looks = _counted(series, window, min_clear_fraction)
    parts = []
    for season in calendar["season"]:
        here = looks[looks["season"] == season]
        table = here.pivot_table(index="site_id", columns="date", values=index, aggfunc="mean")
        table = table.reindex(sorted(site_ids))
        means = means_over_common_dates(table.to_numpy(dtype=float))
        parts.append(
            pd.DataFrame(
                {
                    "site_id": table.index,
                    "season": season,
                    "judged_value": means,
                    "judged_dates": table.notna().sum(axis=1).to_numpy(),
                }
            )
        )
    return pd.concat(parts, ignore_index=True)


def judged_from(calendar: pd.DataFrame, late_days: int = LATE_DAYS) -> pd.Series:
    """First day of each season that is judged: of a dry season its last `late_days` days."""
    late = calendar["observe_from"].clip(lower=calendar["end"] - pd.Timedelta(days=late_days - 1))
    return calendar["observe_from"].where(calendar["kind"] != "dry", late)


def _counted(
    series: pd.DataFrame, calendar: pd.DataFrame, min_clear_fraction: float
) -> pd.DataFrame:
    """The looks that count, with their season."""
    season = season_of(series["date"], calendar)
    observe_from = pd.to_datetime(season.map(calendar.set_index("season")["observe_from"]))
    clear = series["clear_fraction"] >= min_clear_fraction
    counts = season.notna() & clear & (series["date"] >= observe_from)
    return series[counts].assign(season=season[counts])
