"""The tables of one run, judged and laid out as their files are."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import pandas as pd

from afterrains.evidence.late import keep_what_was_said
from afterrains.evidence.specification import frozen
from afterrains.programme import Evidence
from afterrains.results.former import RULE_DIGITS, still_standing
from afterrains.results.panel import build_panel, with_cover
from afterrains.results.rain import clocked, with_clock_told, with_rain_told
from afterrains.results.seasons import seasons_told
from afterrains.results.spill_over import beside_sown_ground
from afterrains.results.told import controls_told, not_judged_yet, with_facts
from afterrains.results.units import judge_in_units
from afterrains.results.ways import shrunken, what_works_told
from afterrains.woody import sites_in_points

__all__ = ["Tables", "build_tables"]


@dataclass(frozen=True)
class Tables:
    """The tables of one run, named as their files are."""

    verdicts: pd.DataFrame
    verdict_history: pd.DataFrame
    seasons: pd.DataFrame
    controls: pd.DataFrame
    balance: pd.DataFrame
    what_works: pd.DataFrame
    specification: dict[str, Any]


def build_tables(
    values: pd.DataFrame,
    calendar: pd.DataFrame,
    season_rain: pd.DataFrame,
    sites: gpd.GeoDataFrame,
    sowing: pd.DataFrame,
    indices: Sequence[str],
    evidence: Evidence,
    cover: pd.DataFrame | None = None,
    sowing_rain: pd.DataFrame | None = None,
    *,
    spill_over_m: float = 0.0,
    unlike: pd.Series | None = None,
    drawn: Collection[str] = (),
    measuring: Mapping[str, Any] | None = None,
    former: pd.DataFrame | None = None,
    whole: bool = True,
) -> Tables:
    """Judge every site and lay out the tables.

    Parameters
    ----------
    values : DataFrame
        From `judged_table`, one row for each site and season.
    calendar : DataFrame
        The season calendar.
    season_rain : DataFrame
        From `rain.season_rain`; all empty where there is no rain record.
    sites, sowing : DataFrame
        The register's.
    indices : sequence of str
        Indices present in `values`.
    evidence : Evidence
        The judging rule.
    cover : DataFrame, optional
        Woody cover of the sites in complete dry seasons (`woody.site_cover` with `season`). Sites
        that lie in the model's domain are judged in points of it, the others on greenness.
    sowing_rain : DataFrame, optional
        Rain after each sowing (`rain.sowing_rain`).
    spill_over_m : float
        Controls nearer to sown ground are compared with nothing, and told in the table of controls.
    unlike : Series, optional
        Drawn controls that are compared with nothing, with their notes (`comparable_table`).
    drawn : collection of str
        Ids of the drawn controls.
    measuring : mapping, optional
        What is frozen beside the judging rule (`results.rule.measuring_rule`).
    former : DataFrame, optional
        verdict_history.csv of the run before: what it said stays said, unless the rule changed.
    whole : bool
        False where reads failed: what is judged now does not stand for later runs.

    Returns
    -------
    Tables
    """
    panel = build_panel(values, calendar, sites, season_rain)
    beside = beside_sown_ground(sites, spill_over_m)
    unlike = pd.Series(dtype=str) if unlike is None else unlike
    panel = panel[~panel["site_id"].isin([*beside.index, *unlike.index])]
    in_points = frozenset() if cover is None else sites_in_points(cover)
    values = with_cover(values, cover, in_points)
    judgement = judge_in_units(panel, values, clocked(sowing, sowing_rain), evidence, in_points)
    seasons = seasons_told(values, calendar, season_rain, sites, judgement.weights, indices)
    unjudged = not_judged_yet(judgement.history, calendar, sowing)
    judged = pd.concat([judgement.history, unjudged], ignore_index=True).astype(
        {"site_id": "str", "as_of": "str"}
    )
    history = with_facts(judged, calendar, seasons, sites, sowing, in_points)
    rule = frozen({**judgement.specification, **(measuring or {})})
    history["gain_shrunken"] = shrunken(history)
    history = with_clock_told(with_rain_told(history), sowing_rain)
    history["provisional"] = not whole
    history["rule"] = rule["digest"][:RULE_DIGITS]
    stands = history.iloc[:0] if former is None else still_standing(former, history, rule["digest"])
    history = keep_what_was_said(stands, history)
    newest = history.groupby("site_id", sort=True).tail(1).reset_index(drop=True)
    return Tables(
        verdicts=newest,
        verdict_history=history,
        seasons=seasons,
        controls=controls_told(judgement, beside, sites, seasons, unlike, drawn),
        balance=judgement.balance,
        what_works=what_works_told(newest, calendar, sowing, sowing_rain, evidence.growth),
        specification=rule,
    )
