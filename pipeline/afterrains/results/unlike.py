"""Drawn ground in the results: season values without what is no comparable ground, and its rows."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import geopandas as gpd
import numpy as np
import pandas as pd

from afterrains.drawn import NOT_VISITED
from afterrains.evidence.likeness import Unlike, unlike_ground
from afterrains.evidence.panel import read_panel
from afterrains.results.panel import build_panel, judged_table
from afterrains.results.series_rows import SeriesRows

__all__ = ["comparable_table", "with_drawn_told"]


def comparable_table(
    series: SeriesRows,
    calendar: pd.DataFrame,
    sites: gpd.GeoDataFrame,
    sowing: pd.DataFrame,
    indices: Sequence[str],
    *,
    drawn: Collection[str],
    reach_m: float,
) -> tuple[pd.DataFrame, pd.Series]:
    """The season values of `judged_table`, and the drawn patches that are not to be compared with.

    Values are compared over dates that sites share. A field or a lake that was drawn would have its
    say in what a date did to all, so the values of the others are made without it.

    Parameters
    ----------
    series, calendar, indices
        As for `judged_table`.
    sites, sowing : DataFrame
        The register's.
    drawn : collection of str
        Ids of drawn patches; without any nothing more is done than `judged_table` does.
    reach_m : float
        As for `unlike_ground`.

    Returns
    -------
    (values, unlike)
        `unlike` holds a note by site_id.
    """
    site_ids = list(sites["site_id"])
    values = judged_table(series, calendar, site_ids, indices)
    if not drawn:
        return values, pd.Series(dtype=str)
    panel = build_panel(values, calendar, sites)
    unlike = pd.Series(dtype=str)
    if len(panel) and len(sowing):
        arrays = read_panel(panel, sowing[["site_id", "sown_on"]])
        rows = np.flatnonzero(np.isin(arrays.site_ids, sorted(drawn)))
        told = unlike_ground(arrays, rows, reach_m)
        unlike = pd.Series({str(arrays.site_ids[each.row]): _why(each) for each in told}, dtype=str)
    if unlike.empty:
        return values, unlike
    others = [site_id for site_id in site_ids if site_id not in unlike.index]
    again = judged_table(series, calendar, others, indices)
    rest = values[values["site_id"].isin(unlike.index)]
    table = pd.concat([again, rest], ignore_index=True)
    # In the order of the first table; a second look may be missing where it had no value.
    order = values[["site_id", "season"]].merge(table, on=["site_id", "season"], how="left")
    return order.reindex(columns=values.columns), unlike


def with_drawn_told(
    controls: pd.DataFrame, unlike: pd.Series, drawn: Collection[str]
) -> pd.DataFrame:
    """controls.csv with a row for each drawn patch that is not used, and where each came from."""
    unused = pd.DataFrame(
        {"site_id": unlike.index, "weight_total": 0.0, "used_by": 0, "note": unlike.to_numpy()}
    )
    table = pd.concat([controls, unused], ignore_index=True) if len(unused) else controls.copy()
    is_drawn = table["site_id"].isin(list(drawn))
    table["origin"] = np.where(is_drawn, "drawn", "listed")
    told = table["note"].where(table["note"] == "", table["note"] + "; ") + NOT_VISITED
    table["note"] = table["note"].where(~is_drawn, told)
    return table


def _why(each: Unlike) -> str:
    if not each.feature:
        return "not used: no clear value before sowing"
    return (
        f"not used: unlike the sown ground before sowing, {each.feature} {each.value:.3f} against "
        f"{each.low:.3f} to {each.high:.3f}"
    )
