"""From season values to the tables a programme is told by. Tables in, tables out; no files.

Here the stages meet: the season values of `signals`, the rain of `rain` and the judgement of
`evidence` become the rows of contract section 4, in its names and units.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from afterrains.evidence.judgement import Judgement, judge_programme
from afterrains.programme import Evidence
from afterrains.signals.season_values import judged_values, season_values
from afterrains.woody import sites_in_points

__all__ = ["Tables", "build_panel", "build_tables", "judged_table"]

OUTCOME_INDEX = "ndvi"
# Cellulose of dead grass absorbs at 2.1 µm, so shortwave infrared falls off where it stands
# (Guerschman et al. 2009, doi:10.1016/j.rse.2009.01.006); crowns raise this far less than NDVI.
DEAD_GRASS_INDEX = "nbr2"
DEAD_GRASS_VALUE = "judged_dead_grass"
# Fewer looks, and a season's median is one or two scenes' haze (common practice, no source).
# The rains are cloudy, and values are compared on common dates, so there one look fewer must do.
MIN_CLEAR_DATES = {"dry": 3, "rains": 2}


@dataclass(frozen=True)
class Tables:
    """The tables of one run, named as their files are."""

    verdicts: pd.DataFrame
    verdict_history: pd.DataFrame
    seasons: pd.DataFrame
    controls: pd.DataFrame
    specification: dict[str, Any]


def judged_table(
    series: pd.DataFrame,
    calendar: pd.DataFrame,
    site_ids: Sequence[str],
    indices: Sequence[str],
) -> pd.DataFrame:
    """Season values of every index beside the values that are judged; see `season_values`.

    `judged_dead_grass` is missing where the scenes have no shortwave infrared.
    """
    key = ["site_id", "season"]
    table = season_values(series, calendar, site_ids, indices)
    table = table.merge(judged_values(series, calendar, site_ids, OUTCOME_INDEX), on=key)
    if DEAD_GRASS_INDEX not in indices:
        return table.assign(**{DEAD_GRASS_VALUE: np.nan})
    dead = judged_values(series, calendar, site_ids, DEAD_GRASS_INDEX)
    dead = dead.rename(columns={"judged_value": DEAD_GRASS_VALUE}).drop(columns="judged_dates")
    return table.merge(dead, on=key)


def build_panel(
    values: pd.DataFrame, calendar: pd.DataFrame, sites: gpd.GeoDataFrame
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

    Returns
    -------
    DataFrame
        `site_id, role, stratum, area_ha, x, y` (m), `season, kind, time` (middle of the season),
        `clear_dates, value`. A dry season's value is its mean NDVI over common dates; a rainy
        season's is its green flush: the same of the rains minus that of the dry season that
        follows, so that crowns, green in both, cancel. NaN where a season had fewer than
        `MIN_CLEAR_DATES`.
    """
    table = values.merge(calendar, on="season").sort_values(["site_id", "start"])
    enough = table["judged_dates"] >= table["kind"].map(MIN_CLEAR_DATES)
    table["dry_value"] = table["judged_value"].where((table["kind"] == "dry") & enough)
    next_dry = table.groupby("site_id")["dry_value"].shift(-1)
    flush = table["judged_value"].where(enough) - next_dry
    table["value"] = np.where(table["kind"] == "dry", table["dry_value"], flush)
    table["dead_grass"] = table[DEAD_GRASS_VALUE].where((table["kind"] == "dry") & enough)
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
    return panel[[*columns, "clear_dates", "value", "dead_grass"]].reset_index(drop=True)


def build_tables(
    values: pd.DataFrame,
    calendar: pd.DataFrame,
    season_rain: pd.DataFrame,
    sites: gpd.GeoDataFrame,
    sowing: pd.DataFrame,
    indices: Sequence[str],
    evidence: Evidence,
    cover: pd.DataFrame | None = None,
) -> Tables:
    """Judge every site and lay out the tables.

    Parameters
    ----------
    values : DataFrame
        From `judged_table`, one row for each site and season.
    calendar : DataFrame
        The season calendar.
    season_rain : DataFrame
        `site_id, season, rain_mm, spi`.
    sites, sowing : DataFrame
        The register's.
    indices : sequence of str
        Indices present in `values`.
    evidence : Evidence
        The judging rule.
    cover : DataFrame, optional
        Woody cover of the sites in complete dry seasons (`woody.site_cover` with `season`). Sites
        that lie in the model's domain are judged in points of it, the others on greenness.

    Returns
    -------
    Tables
    """
    panel = build_panel(values, calendar, sites)
    in_points = frozenset() if cover is None else sites_in_points(cover)
    values = _with_cover(values, cover, in_points)
    judgement = _judged(panel, values, sowing, evidence, in_points)
    seasons = _seasons(values, calendar, season_rain, sites, judgement.weights, indices)
    unjudged = _not_judged_yet(judgement.history, calendar, sowing)
    judged = pd.concat([judgement.history, unjudged], ignore_index=True).astype(
        {"site_id": "str", "as_of": "str"}
    )
    history = _with_facts(judged, calendar, seasons, sites, sowing, in_points)
    newest = history.groupby("site_id", sort=True).tail(1).reset_index(drop=True)
    return Tables(
        verdicts=newest,
        verdict_history=history,
        seasons=seasons,
        controls=_controls(judgement, sites, seasons),
        specification=judgement.specification,
    )


_WORKING_COLUMNS = ("judged_dates", "woody_se_own", "greenness", "control_greenness")
_COVER_COLUMNS = ("woody_percent", "woody_low", "woody_high", "woody_se_own")


def _with_cover(
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


def _judged(
    panel: pd.DataFrame,
    values: pd.DataFrame,
    sowing: pd.DataFrame,
    evidence: Evidence,
    in_points: frozenset[str],
) -> Judgement:
    """Judge sites in points of cover where a model applies, the others on greenness."""
    settings: dict[str, Any] = {
        "error_rate": evidence.error_rate,
        "judged_seasons": evidence.judged_seasons,
        "growth": evidence.growth,
    }
    greener = evidence.meaningful_gain_points * evidence.ndvi_per_point
    is_sown = panel["role"] == "sown"
    woody = panel["site_id"].isin(in_points)
    if not (is_sown & woody).any():
        return judge_programme(panel, sowing, meaningful_gain=greener, **settings)
    points = panel[woody].assign(greenness=panel["value"])
    points = points.merge(
        values[["site_id", "season", "woody_percent", "woody_se_own"]], on=["site_id", "season"]
    )
    dry = points["kind"] == "dry"
    points["value"] = points["value"].where(~dry, points["woody_percent"])
    looks = points["clear_dates"] * np.sqrt(points["area_ha"])
    points["weight"] = looks.where(~dry, 1 / points["woody_se_own"] ** 2)
    told = judge_programme(
        points.drop(columns=["woody_percent", "woody_se_own", "clear_dates", "area_ha"]),
        sowing[sowing["site_id"].isin(in_points)],
        meaningful_gain=evidence.meaningful_gain_points,
        woody_model=True,
        **settings,
    )
    if not (is_sown & ~woody).any():
        return told
    rest = judge_programme(
        panel[~woody | ~is_sown],
        sowing[~sowing["site_id"].isin(in_points)],
        meaningful_gain=greener,
        **settings,
    )
    known = set(told.controls["site_id"])
    return Judgement(
        pd.concat([told.history, rest.history], ignore_index=True),
        pd.concat([told.weights, rest.weights], ignore_index=True),
        pd.concat(
            [told.controls, rest.controls[~rest.controls["site_id"].isin(known)]],
            ignore_index=True,
        ),
        {**told.specification, "greenness_fallback": rest.specification},
    )


def _not_judged_yet(
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


def _seasons(
    values: pd.DataFrame,
    calendar: pd.DataFrame,
    season_rain: pd.DataFrame,
    sites: gpd.GeoDataFrame,
    weights: pd.DataFrame,
    indices: Sequence[str],
) -> pd.DataFrame:
    """seasons.csv: each site and season, with its weighted controls beside it."""
    table = (
        values.merge(calendar[["season", "kind", "start", "end"]], on="season")
        .merge(season_rain[["site_id", "season", "rain_mm", "spi"]], on=["site_id", "season"])
        .merge(sites[["site_id", "role"]], on="site_id")
    )
    medians = [*(f"{name}_median" for name in indices), "woody_percent", "greenness"]
    control_values = weights.merge(
        table[["site_id", "season", *medians]].rename(columns={"site_id": "control_id"}),
        on="control_id",
    )
    for name in medians:
        seen = control_values[name].notna()
        control_values[name] = control_values[name] * control_values["weight"]
        control_values[f"{name}_weight"] = control_values["weight"].where(seen)
    sums = control_values.groupby(["site_id", "season"])[
        [*medians, *(f"{name}_weight" for name in medians)]
    ].sum(min_count=1)
    means = pd.DataFrame(
        {f"control_{name}": sums[name] / sums[f"{name}_weight"] for name in medians}
    ).reset_index()
    table = table.merge(means, on=["site_id", "season"], how="left")
    in_points = table["judged_value"].eq(table["woody_percent"])
    table["control_judged_value"] = table["control_greenness"].where(
        ~in_points, table["control_woody_percent"]
    )
    table["difference"] = table["judged_value"] - table["control_judged_value"]
    table = table.drop(columns=[*_WORKING_COLUMNS, DEAD_GRASS_VALUE])
    return table.sort_values(["site_id", "start"]).reset_index(drop=True)


def _with_facts(
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
    cost = known.groupby(["site_id", "as_of"])["cost"].sum(min_count=1).rename("cost")
    table = table.merge(cost, on=["site_id", "as_of"], how="left")
    gained = table["verdict"] == "gain"
    table["cost_per_gained_ha"] = (table["cost"] / table["area_ha"]).where(gained)
    return table.drop(columns="_start").reset_index(drop=True)


def _controls(judgement: Judgement, sites: gpd.GeoDataFrame, seasons: pd.DataFrame) -> pd.DataFrame:
    """controls.csv: the controls as the judgement saw them, with their names."""
    table: pd.DataFrame = judgement.controls.drop(columns=["name", "stratum"], errors="ignore")
    table = table.merge(sites[["site_id", "name", "stratum"]], on="site_id", how="left")
    newest = seasons.dropna(subset="woody_percent").groupby("site_id")["woody_percent"].last()
    table["woody_percent"] = table["site_id"].map(newest)
    return table.sort_values("site_id").reset_index(drop=True)
