"""From season values to the panel that is judged, and the woody cover that joins them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

import geopandas as gpd
import numpy as np
import pandas as pd

from afterrains.results.rain import rain_before
from afterrains.results.series_rows import SeriesRows
from afterrains.scenes.bandpass import family_of
from afterrains.signals.season_values import judged_values, season_values

__all__ = [
    "DEAD_GRASS_VALUE",
    "SECOND_LOOKS",
    "build_panel",
    "enough_dates",
    "judged_table",
    "with_cover",
]

OUTCOME_INDEX = "ndvi"
# Cellulose of dead grass absorbs at 2.1 µm, so shortwave infrared falls off where it stands
# (Guerschman et al. 2009, doi:10.1016/j.rse.2009.01.006); crowns raise this far less than NDVI.
DEAD_GRASS_INDEX = "nbr2"
DEAD_GRASS_VALUE = "judged_dead_grass"
# Allows for bright soil between plants, which NDVI does not (Qi et al. 1994,
# doi:10.1016/0034-4257(94)90134-1).
SECOND_INDEX = "msavi2"
SECOND_LOOKS = {
    "judged_second": SECOND_INDEX.upper(),
    "judged_one_family": "one family of sensors alone",
    "judged_other_families": "the other families of sensors alone",
}
"""Columns with which a gain or loss of greenness is judged again, and their words."""
# Fewer looks, and a season's median is one or two scenes' haze (common practice, no source).
# The rains are cloudy, and values are compared on common dates, so there one look fewer must do.
MIN_CLEAR_DATES = {"dry": 3, "rains": 2}
_COVER_COLUMNS = ("woody_percent", "woody_low", "woody_high", "woody_se_own", "woody_se_place")


def judged_table(
    series: SeriesRows,
    calendar: pd.DataFrame,
    site_ids: Sequence[str],
    indices: Sequence[str],
) -> pd.DataFrame:
    """Season values of every index beside the values that are judged; see `season_values`.

    `judged_dead_grass` is missing where the scenes have no shortwave infrared; `judged_second` is
    there with `SECOND_INDEX`, and, where there were several families of sensors,
    `judged_one_family`, the outcome as the one with the most looks saw it, and
    `judged_other_families`, as all the others did: what one family alone shows is seen by one of
    the two. A second look needs as many dates as the first.
    """
    largest = _largest_family(series)
    columns = ["site_id", "date", "sensor", "clear_fraction", *indices]
    parts = []
    for at, season in enumerate(calendar["season"]):
        rows = series.of_season(season, columns)
        rows = rows[rows["site_id"].isin(list(site_ids))]
        parts.append(_of_season(rows, calendar.iloc[[at]], site_ids, indices, largest))
    table = pd.concat(parts, ignore_index=True)
    # Every part holds the same sites in the same order: now the seasons of each behind each other.
    by_site = np.arange(len(table)).reshape(len(parts), -1).T.ravel()
    return table.iloc[by_site].reset_index(drop=True)


def _of_season(
    series: pd.DataFrame,
    season: pd.DataFrame,
    site_ids: Sequence[str],
    indices: Sequence[str],
    largest: str,
) -> pd.DataFrame:
    """Rows of `judged_table` for one season, a row of the calendar."""
    key = ["site_id", "season"]
    table = season_values(series, season, site_ids, indices)
    table = table.merge(judged_values(series, season, site_ids, OUTCOME_INDEX), on=key)
    for column, looks, index in _second_looks(series, indices, largest):
        second = judged_values(looks, season, site_ids, index)
        seen = second["judged_dates"] >= MIN_CLEAR_DATES["dry"]
        second[column] = second["judged_value"].where(seen)
        table = table.merge(second[[*key, column]], on=key)
    if DEAD_GRASS_INDEX not in indices:
        return table.assign(**{DEAD_GRASS_VALUE: np.nan})
    dead = judged_values(series, season, site_ids, DEAD_GRASS_INDEX)
    dead = dead.rename(columns={"judged_value": DEAD_GRASS_VALUE}).drop(columns="judged_dates")
    return table.merge(dead, on=key)


def _largest_family(series: SeriesRows) -> str:
    """The family of sensors with the most rows; "" where there is but one."""
    counts: Counter[str] = Counter()
    for sensor, rows in series.sensors().items():
        counts[family_of(sensor)] += rows
    return min(counts, key=lambda family: (-counts[family], family)) if len(counts) > 1 else ""


def _second_looks(
    series: pd.DataFrame, indices: Sequence[str], largest: str
) -> Iterator[tuple[str, pd.DataFrame, str]]:
    """Column, dates looked at and index of each of `SECOND_LOOKS` that can be had."""
    if SECOND_INDEX in indices:
        yield "judged_second", series, SECOND_INDEX
    if largest:
        of_largest = series["sensor"].astype(str).map(family_of) == largest
        yield "judged_one_family", series[of_largest], OUTCOME_INDEX
        yield "judged_other_families", series[~of_largest], OUTCOME_INDEX


def build_panel(
    values: pd.DataFrame,
    calendar: pd.DataFrame,
    sites: gpd.GeoDataFrame,
    season_rain: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """The panel that `judge` takes: one row for each site and complete season.

    Parameters
    ----------
    values : DataFrame
        From `judged_table`.
    calendar : DataFrame
        The season calendar.
    sites : GeoDataFrame
        The register's sites.
    season_rain : DataFrame, optional
        `site_id, season, rain_mm`.

    Returns
    -------
    DataFrame
        `site_id, role, stratum, area_ha, x, y` (m), `season, kind, time` (middle of the season),
        `clear_dates, value, dead_grass`, and with rain `rain_mm` (see `rain_before`).
        A dry season's value is its mean NDVI over common dates; a rainy season's is its green
        flush: the same of the rains minus that of the dry season that follows, so that crowns,
        green in both, cancel. NaN where a season had fewer than
        `MIN_CLEAR_DATES`. With them the dry seasons' `SECOND_LOOKS`.
    """
    table = values.merge(calendar, on="season").sort_values(["site_id", "start"])
    enough = enough_dates(table)
    table["dry_value"] = table["judged_value"].where((table["kind"] == "dry") & enough)
    next_dry = table.groupby("site_id")["dry_value"].shift(-1)
    flush = table["judged_value"].where(enough) - next_dry
    table["value"] = np.where(table["kind"] == "dry", table["dry_value"], flush)
    table["dead_grass"] = table[DEAD_GRASS_VALUE].where((table["kind"] == "dry") & enough)
    looks = [name for name in SECOND_LOOKS if name in table]
    table[looks] = table[looks].where((table["kind"] == "dry") & enough)
    table["time"] = table["start"] + (table["end"] - table["start"]) / 2
    centre = sites.geometry.centroid
    ground = pd.DataFrame(
        {
            "site_id": sites["site_id"],
            "role": sites["role"],
            "stratum": sites["stratum"],
            "area_ha": sites["area_ha"],
            "x": centre.x,
            "y": centre.y,
        }
    )
    panel = table[table["complete"]].merge(ground, on="site_id")
    columns = ["site_id", "role", "stratum", "area_ha", "x", "y", "season", "kind", "time"]
    panel = panel.assign(clear_dates=panel["judged_dates"])
    columns += ["clear_dates", "value", "dead_grass", *looks]
    if season_rain is not None:
        rain = rain_before(season_rain, calendar)
        panel = panel.merge(rain, on=["site_id", "season"], how="left")
        columns.append("rain_mm")
    return panel[columns].reset_index(drop=True)


def enough_dates(values: pd.DataFrame) -> pd.Series:
    """Whether `judged_dates` reach `MIN_CLEAR_DATES` of the season's `kind`; below, no value."""
    enough: pd.Series = values["judged_dates"] >= values["kind"].map(MIN_CLEAR_DATES)
    return enough


def with_cover(
    values: pd.DataFrame, cover: pd.DataFrame | None, in_points: frozenset[str]
) -> pd.DataFrame:
    """The season values with woody cover, which is the judged value of sites in its domain.

    `greenness` keeps what is judged on elsewhere, so that each site meets its controls in one unit.
    """
    values = values.assign(greenness=values["judged_value"])
    if cover is None or cover.empty:
        return values.assign(**dict.fromkeys(_COVER_COLUMNS, np.nan))
    key = ["site_id", "season"]
    table = values.merge(cover[[*key, *_COVER_COLUMNS]], on=key, how="left")
    woody = table["site_id"].isin(in_points) & table["woody_percent"].notna()
    table["judged_value"] = table["judged_value"].where(~woody, table["woody_percent"])
    return table
