"""Rows of verdict_history.csv and controls.csv: the judgement, with what its reader needs."""

from __future__ import annotations

from collections.abc import Collection

import geopandas as gpd
import numpy as np
import pandas as pd

from afterrains.evidence.judgement import Judgement
from afterrains.results.spill_over import with_those_beside
from afterrains.results.unlike import with_drawn_told

__all__ = ["controls_told", "not_judged_yet", "with_facts"]


def not_judged_yet(
    history: pd.DataFrame, calendar: pd.DataFrame, sowing: pd.DataFrame
) -> pd.DataFrame:
    """A row for each sown site that no whole dry season has been seen of since its sowing."""
    whole_dry = calendar[(calendar["kind"] == "dry") & calendar["complete"]]
    as_of = (whole_dry if len(whole_dry) else calendar)["season"].iloc[-1]
    absent = sorted(set(sowing["site_id"]) - set(history["site_id"]))
    reason = "no whole dry season has been seen since it was sown"
    rows = pd.DataFrame({"site_id": absent, "as_of": as_of, "verdict": "too-early"})
    return rows.assign(reason=reason, seasons_since_sowing=0, controls=0).reindex(
        columns=history.columns
    )


def with_facts(
    history: pd.DataFrame,
    calendar: pd.DataFrame,
    seasons: pd.DataFrame,
    sites: gpd.GeoDataFrame,
    sowing: pd.DataFrame,
    in_points: frozenset[str],
) -> pd.DataFrame:
    """verdict_history.csv: the judgement, with what the reader needs beside it."""
    first_sown = sowing.groupby("site_id")["sown_on"].min().rename("first_sown_on")
    start = calendar.set_index("season")["start"]
    table = history.merge(
        sites[["site_id", "name", "stratum", "area_ha"]], on="site_id", how="left"
    ).merge(first_sown, on="site_id", how="left")
    as_of_start = table["as_of"].map(start)
    dates = seasons[["site_id", "season", "clear_dates"]].rename(columns={"season": "as_of"})
    table = table.merge(dates, on=["site_id", "as_of"], how="left")
    rains = seasons.loc[seasons["kind"] == "rains", ["site_id", "end", "spi"]].sort_values("end")
    table["_start"] = as_of_start.to_numpy()
    table = pd.merge_asof(
        table.sort_values("_start", kind="stable"),
        rains.rename(columns={"end": "_start", "spi": "rains_anomaly"}),
        on="_start",
        by="site_id",
    ).sort_values(["site_id", "_start"])
    woody = table["site_id"].isin(in_points)
    table["outcome"] = np.where(woody, "woody cover", "dry-season greenness")
    table["gain_unit"] = np.where(woody, "points", "ndvi")
    known = sowing.merge(
        pd.DataFrame({"site_id": table["site_id"], "as_of": table["as_of"], "by": table["_start"]}),
        on="site_id",
    )
    known = known[known["sown_on"] <= known["by"]]
    # A sum with a cost that is not known is not known either: zero would make it cheap.
    cost = known.groupby(["site_id", "as_of"])["cost"].agg(lambda each: each.sum(skipna=False))
    table = table.merge(cost, on=["site_id", "as_of"], how="left")
    gained = table["verdict"] == "gain"
    table["cost_per_gained_ha"] = (table["cost"] / table["area_ha"]).where(gained)
    return table.drop(columns="_start").reset_index(drop=True)


def controls_told(
    judgement: Judgement,
    beside: pd.Series,
    sites: gpd.GeoDataFrame,
    seasons: pd.DataFrame,
    unlike: pd.Series,
    drawn: Collection[str],
) -> pd.DataFrame:
    """controls.csv: the controls as the judgement saw them, with names, and those left out."""
    table: pd.DataFrame = judgement.controls.drop(columns=["name", "stratum"], errors="ignore")
    table = with_those_beside(table, beside)
    table = with_drawn_told(table, unlike[~unlike.index.isin(beside.index)], drawn)
    table = table.merge(sites[["site_id", "name", "stratum"]], on="site_id", how="left")
    newest = seasons.dropna(subset="woody_percent").groupby("site_id")["woody_percent"].last()
    table["woody_percent"] = table["site_id"].map(newest)
    return table.sort_values("site_id").reset_index(drop=True)
