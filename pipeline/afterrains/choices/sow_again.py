"""Rows of sow_again.csv: what to do with each site, and where one more sowing brings most."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from afterrains.choices.costs import counted_sites
from afterrains.choices.expectation import (
    OF_SOWING,
    WayGain,
    best_other,
    cost_per_ha_of_ways,
    gains_of_ways,
)
from afterrains.choices.groups import with_ways
from afterrains.choices.recovery import recovery
from afterrains.choices.rules import Choice, Known, choose

__all__ = ["Record", "sow_again"]

_PER = 1000.0
"""Gain is told for this much of the currency."""


@dataclass(frozen=True)
class Record:
    """The tables that a choice is made from; each as its file holds it."""

    verdicts: pd.DataFrame
    history: pd.DataFrame
    """Rows of verdict_history.csv."""
    seasons: pd.DataFrame
    sowing: pd.DataFrame
    """The register's: `site_id, sown_on, method, species, cost`."""
    sowing_rain: pd.DataFrame | None
    """None without a rain record."""
    ways: pd.DataFrame
    """A row a site: `site_id, method, species`."""
    begun: pd.Series
    """For each row of the verdicts, whether a gain has had time to begin."""
    chances: pd.DataFrame | None
    """`site_id, month, years, share_good` of past years (`rain.start_chances`)."""
    meaningful_points: float
    """The smallest gain that matters, in points of woody cover."""
    ndvi_per_point: float


def sow_again(record: Record) -> pd.DataFrame:
    """What to do with each sown site next; those to sow again are ranked.

    Returns
    -------
    DataFrame
        The columns of sow_again.csv. Ranked by expected gain times hectares over expected cost,
        with NDVI turned into points by the programme's own setting; sites whose cost or gain
        cannot be expected come last among them.
    """
    frame = with_ways(record.verdicts, record.ways)
    starts = _starts(record)
    gains = _gains(frame, record, starts)
    areas = dict(zip(frame["site_id"], frame["area_ha"].astype(float), strict=True))
    costs = cost_per_ha_of_ways(record.sowing, areas)
    last_gain = record.history[record.history["verdict"] == "gain"].groupby("site_id")["as_of"]
    earlier = last_gain.last().to_dict()
    rows_of = record.seasons.groupby("site_id").indices
    none = np.empty(0, dtype=np.intp)
    rows = []
    for record_row in frame.to_dict(orient="records"):
        site = {str(name): value for name, value in record_row.items()}
        site_id = str(site["site_id"])
        points = site["gain_unit"] == "points"
        meaningful = record.meaningful_points * (1.0 if points else record.ndvi_per_point)
        known = Known(
            verdict=site["verdict"],
            reason=site["reason"],
            answer_by=site["answer_by"],
            seasons_since_sowing=int(site["seasons_since_sowing"]),
            earlier_gain=earlier.get(site_id, ""),
            starts=starts[site_id],
            recovery=recovery(
                record.seasons.iloc[rows_of.get(site_id, none)], site["first_sown_on"], meaningful
            ),
        )
        choice, way = _settled(choose(known), site, gains.get(site["gain_unit"], {}))
        row = {
            **{name: site[name] for name in ("site_id", "name", "stratum", "as_of", "verdict")},
            "choice": choice.choice,
            "reason": choice.reason,
            "until": choice.until,
            "sowings": len(starts[site_id]),
            "good_starts": _good(starts[site_id]) if record.sowing_rain is not None else np.nan,
            "gain_unit": site["gain_unit"],
        }
        if choice.choice == "sow again":
            row |= _expected(site, way, costs, record)
        rows.append(row)
    return _ranked(pd.DataFrame(rows), record.ndvi_per_point, areas)


def _starts(record: Record) -> dict[str, list[str]]:
    """Rain after each sowing of a site, oldest first; "" where it is not known."""
    table = record.sowing if record.sowing_rain is None else record.sowing_rain
    ordered = table.sort_values(["site_id", "sown_on"], kind="stable")
    if record.sowing_rain is None:
        ordered = ordered.assign(start="")
    found = {
        str(site_id): [str(start) for start in column.fillna("")]
        for site_id, column in ordered.groupby("site_id")["start"]
    }
    return {site_id: found.get(site_id, []) for site_id in record.verdicts["site_id"]}


def _good(starts: list[str]) -> int:
    return sum(start == "good" for start in starts)


def _gains(
    frame: pd.DataFrame, record: Record, starts: Mapping[str, list[str]]
) -> dict[str, dict[tuple[str, str], WayGain]]:
    """Expected gains of the ways, by unit; from sites whose rain held, where rain is known."""
    counts = counted_sites(frame, record.begun.reset_index(drop=True))
    # The greenness of grass is none of what seed of trees brings.
    counts &= frame["verdict"] != "grass-only"
    if record.sowing_rain is not None:
        counts &= frame["site_id"].map(lambda site_id: _good(starts[site_id]) > 0)
    return {str(unit): gains_of_ways(part) for unit, part in frame[counts].groupby("gain_unit")}


def _settled(
    choice: Choice, site: Mapping[str, Any], gains: Mapping[tuple[str, str], WayGain]
) -> tuple[Choice, WayGain | None]:
    """The choice with the way that the next sowing would take."""
    own = [(factor, str(site.get(factor, ""))) for factor in OF_SOWING]
    if not choice.another_way:
        way = next((gains[each] for each in own if each in gains), gains.get(("all", "all")))
        return choice, way
    other = best_other(gains, own)
    if other is None:
        why = "never took although the rain held, and no other seed or method is shown to do better"
        return replace(
            choice, choice="visit first", reason=f"{why}: look before more is spent"
        ), None
    told = f"{choice.reason}: {other.factor} {other.level} has the highest expected gain of those "
    return replace(choice, reason=told + "not tried here"), other


def _expected(
    site: Mapping[str, Any],
    way: WayGain | None,
    costs: Mapping[tuple[str, str], float],
    record: Record,
) -> dict[str, Any]:
    """What one more sowing of the whole site may bring and cost."""
    sowings = record.sowing[record.sowing["site_id"] == site["site_id"]]
    month = int(sowings["sown_on"].max().month)
    chance, years = _chance(record.chances, site["site_id"], month)
    told: dict[str, Any] = {
        "sowing_month": month,
        "chance_good_start_percent": 100 * chance,
        "chance_years": years,
    }
    takes = ["one sowing of the whole site"]
    last = sowings.sort_values("sown_on", kind="stable").iloc[-1]
    of_cost = [(way.factor, way.level)] if way is not None else []
    of_cost += [("method", " ".join(str(last.get("method", "")).split())), ("all", "all")]
    per_ha = next((costs[each] for each in of_cost if each in costs), np.nan)
    told["expected_cost"] = per_ha * site["area_ha"]
    if np.isnan(per_ha):
        takes.append("no cost of any sowing is known")
    if way is None:
        told["assumptions"] = "; ".join([*takes, "no gain of any way is known yet"])
        return told
    told |= {
        "way_factor": way.factor,
        "way": way.level,
        "expected_gain_if_good": way.gain,
        "expected_gain_low": way.low,
        "expected_gain_high": way.high,
        "expected_gain": way.gain * (chance if np.isfinite(chance) else 1.0),
    }
    if np.isfinite(chance):
        takes.append("rain that does not hold brings nothing")
        takes.append("next year's rain is one of the past years'")
    else:
        takes.append("rain holds, as its chance is not known")
    takes.append(f"the gain is that of the {way.sites} sites pooled, at their present age")
    if site["gain_unit"] == "ndvi":
        takes.append("greenness stands for trees")
    told["assumptions"] = "; ".join([*takes, "ways of sowing were not drawn by lot"])
    return told


def _chance(chances: pd.DataFrame | None, site_id: str, month: int) -> tuple[float, float]:
    """Share of past years with a good start, and how many years; NaN where it is not known."""
    if chances is None:
        return np.nan, np.nan
    row = chances[(chances["site_id"] == site_id) & (chances["month"] == month)]
    if row.empty:
        return np.nan, np.nan
    return float(row["share_good"].iloc[0]), float(row["years"].iloc[0])


_EXPECTED = (
    "way_factor", "way", "expected_gain_if_good", "expected_gain_low", "expected_gain_high",
    "sowing_month", "chance_good_start_percent", "chance_years", "expected_gain", "expected_cost",
    "assumptions",
)  # fmt: skip
_TEXT = ("way_factor", "way", "assumptions")


def _ranked(table: pd.DataFrame, ndvi_per_point: float, areas: Mapping[str, float]) -> pd.DataFrame:
    """The rows with `gain_per_cost` and `rank`."""
    for name in _EXPECTED:
        if name not in table:
            table[name] = "" if name in _TEXT else np.nan
    table[list(_TEXT)] = table[list(_TEXT)].fillna("")
    hectares = table["site_id"].map(dict(areas)).astype(float)
    cost = table["expected_cost"].astype(float)
    table["gain_per_cost"] = (table["expected_gain"] * hectares / cost * _PER).where(cost > 0)
    points = table["gain_unit"].map({"points": 1.0, "ndvi": 1 / ndvi_per_point})
    worth = table["gain_per_cost"] * points
    order = table.assign(worth=worth)[table["choice"] == "sow again"].sort_values(
        ["worth", "site_id"], ascending=[False, True], na_position="last", kind="stable"
    )
    table["rank"] = np.nan
    table.loc[order.index, "rank"] = np.arange(1, len(order) + 1, dtype=float)
    return table
