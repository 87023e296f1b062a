"""From season values to tables: a site and its controls always meet in one unit."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import box

from afterrains.delivery.table_files import write_csv
from afterrains.delivery.tables import VERDICT_HISTORY, seasons_table
from afterrains.evidence.growth import RampGrowth
from afterrains.programme import Evidence
from afterrains.rain import RainRecord, season_rain
from afterrains.results import Tables, build_tables
from afterrains.results.panel import MIN_CLEAR_DATES
from afterrains.results.seasons import _of_controls, seasons_told
from afterrains.results.ways import shrunken, ways_of_sowing, what_works_told
from afterrains.stages.history import put_aside, read_former

_IDS = ["a", "b", "c1", "c2", "c3", "c4"]
_DAYS = pd.date_range("2010-01-01", "2020-12-31", name="date")
_RAIN = RainRecord(pd.DataFrame({"": 0.0}, index=_DAYS), "made")


def ground_of(years: range, seed: int = 7) -> dict[str, Any]:
    """What `build_tables` takes: two sown sites, four controls, dry seasons of the years."""
    rng = np.random.default_rng(seed)
    seasons = [f"{year}-dry" for year in years]
    calendar = pd.DataFrame(
        {
            "season": seasons,
            "year": years,
            "kind": "dry",
            "start": [pd.Timestamp(year, 10, 1) for year in years],
            "end": [pd.Timestamp(year + 1, 6, 1) for year in years],
            "observe_from": [pd.Timestamp(year, 12, 1) for year in years],
            "complete": True,
        }
    )
    pairs = pd.MultiIndex.from_product([seasons, _IDS], names=["season", "site_id"])
    values = pairs.to_frame(index=False)
    green = 0.15 + rng.normal(0, 0.005, len(values))
    values = values.assign(
        clear_dates=6, clear_fraction=1.0, judged_dates=6, judged_value=green,
        judged_dead_grass=np.nan, ndvi_median=green, ndvi_low=green, ndvi_high=green,
    )  # fmt: skip
    sites = gpd.GeoDataFrame(
        {
            "site_id": _IDS,
            "role": ["sown", "sown", "control", "control", "control", "control"],
            "name": "",
            "stratum": "",
            "area_ha": 4.0,
        },
        geometry=[box(1000 * at, 0, 1000 * at + 200, 200) for at in range(6)],
        crs="EPSG:32631",
    )
    sowing = pd.DataFrame(
        {"site_id": ["a", "b"], "sown_on": pd.Timestamp(2014, 6, 15), "cost": np.nan}
    ).assign(method="hand", species="", seed_lot="")
    return {
        "values": values,
        "calendar": calendar,
        "season_rain": season_rain(_RAIN, calendar, _IDS),
        "sites": sites,
        "sowing": sowing,
        "indices": ["ndvi"],
        "evidence": Evidence(),
    }


def test_a_site_on_greenness_is_not_compared_in_points() -> None:
    """By hand: a lies in the model's domain, b does not; all controls do.

    a is told in points (its cover less the controls' mean cover), b in NDVI (its greenness less
    the controls' mean greenness), in the same table and season.
    """
    rng = np.random.default_rng(8)
    ground = ground_of(range(2010, 2020))
    values = ground["values"]
    percent = 8 + rng.normal(0, 0.5, len(values))
    cover = values[["site_id", "season"]].assign(
        woody_percent=percent,
        woody_low=percent - 2,
        woody_high=percent + 2,
        woody_se_own=1.0,
        woody_se_place=0.8,
    )
    cover["basis"] = np.where(cover["site_id"] == "b", "dry-season greenness", "woody cover")
    tables = build_tables(**ground, cover=cover)
    units = tables.verdicts.set_index("site_id")["gain_unit"]
    assert units.to_dict() == {"a": "points", "b": "ndvi"}
    told = tables.seasons[tables.seasons["role"] == "sown"].set_index("site_id")
    for site, column in (("a", "control_woody_percent"), ("b", "control_ndvi_median")):
        rows = told.loc[site]
        np.testing.assert_allclose(rows["control_judged_value"], rows[column], rtol=1e-12)
    assert told.loc["b", "difference"].abs().max() < 0.05
    assert told.loc["a", "control_judged_value"].mean() == pytest.approx(8, abs=1)


def written(tables: Tables, folder: Path) -> pd.DataFrame:
    """The history as the next run reads it from the file."""
    write_csv(VERDICT_HISTORY, tables.verdict_history, folder)
    former = read_former(folder)
    assert former.problem == ""
    return former.history


def test_a_second_run_keeps_what_the_first_said(tmp_path: Path) -> None:
    """A season later, with a value of 2016 corrected meanwhile: the old rows stand, marked late."""
    said = written(build_tables(**ground_of(range(2010, 2019))), tmp_path)
    later = ground_of(range(2010, 2020))
    values = later["values"]
    assert (said["late_data"] == "").all()
    mended = (values["site_id"] == "a") & (values["season"] == "2016-dry")
    values.loc[mended, "judged_value"] += 0.2
    now = build_tables(**later, former=said)
    fresh = build_tables(**later)
    kept = written(now, tmp_path)
    key = ["site_id", "as_of"]
    old = kept.merge(said, on=key, suffixes=("", "_said"))
    assert len(old) == len(said) == 10
    for column in ("verdict", "reason", "gain", "gain_low", "gain_high", "p_value", "q_value"):
        pd.testing.assert_series_equal(old[column], old[f"{column}_said"], check_names=False)
    touched = (old["site_id"] == "a") & (old["as_of"] >= "2016-dry")
    assert (old.loc[touched, "late_data"] != "").all()
    assert (old.loc[old["as_of"] < "2016-dry", "late_data"] == "").all()
    new = now.verdict_history["as_of"] == "2019-dry"
    columns = ["site_id", "verdict", "gain"]
    pd.testing.assert_frame_equal(
        now.verdict_history.loc[new, columns], fresh.verdict_history.loc[new, columns]
    )
    again = written(build_tables(**later, former=kept), tmp_path)
    pd.testing.assert_frame_equal(again, kept)


def test_another_rule_starts_another_history(tmp_path: Path) -> None:
    """A stricter error rate, other controls: nothing is kept, the old words are put aside."""
    ground = ground_of(range(2010, 2019))
    said = written(build_tables(**ground), tmp_path)
    assert said["rule"].nunique() == 1
    stricter = ground | {"evidence": Evidence(error_rate=0.01)}
    now = build_tables(**stricter, former=said.assign(verdict="loss"))
    assert "loss" not in set(now.verdict_history["verdict"])
    moved = build_tables(**ground, former=said, measuring={"controls": "others"})
    rule = moved.specification["digest"]
    aside = put_aside(tmp_path, read_former(tmp_path), rule)
    assert aside is not None
    assert aside.read_bytes() == (tmp_path / "verdict_history.csv").read_bytes()
    assert put_aside(tmp_path, read_former(tmp_path), said["rule"].iloc[0] + "0" * 52) is None


def test_what_was_judged_while_reads_failed_or_of_other_ground_is_judged_anew(
    tmp_path: Path,
) -> None:
    """Rows of a run with failed reads, of an outline or a sowing date that changed since."""
    ground = ground_of(range(2010, 2019))
    hurt = written(build_tables(**ground, whole=False), tmp_path).assign(verdict="loss")
    assert hurt["provisional"].all()
    now = build_tables(**ground, former=hurt)
    assert "loss" not in set(now.verdict_history["verdict"])
    said = written(now, tmp_path).assign(verdict="loss")
    assert set(build_tables(**ground, former=said).verdict_history["verdict"]) == {"loss"}
    moved = ground["sites"].assign(area_ha=[5.0] + [4.0] * 5)
    resown = ground["sowing"].assign(sown_on=pd.Timestamp(2013, 6, 15))
    for change in ({"sites": moved}, {"sowing": resown}):
        history = build_tables(**(ground | change), former=said).verdict_history
        assert "loss" not in set(history.loc[history["site_id"] == "a", "verdict"])


def test_seasons_tell_whether_they_count_and_how_wet_they_were() -> None:
    """By hand: rains of 10, 30 and 20 days of 5 mm each, then a last one that is still running.

    Its dry season has the three dates that judging asks for, the rains of 2012 one of two.
    """
    years, wet = (2011, 2012, 2013, 2014), (10, 30, 20, 5)
    daily = pd.DataFrame({"": 0.0}, index=pd.date_range("2011-01-01", "2014-08-01"))
    for year, days in zip(years, wet, strict=True):
        daily.loc[f"{year}-07-03" : pd.Timestamp(year, 7, 2) + pd.Timedelta(days=days)] = 5.0
    calendar = pd.DataFrame(
        {
            "season": [f"{year}-rains" for year in years] + ["2011-dry"],
            "year": [*years, 2011],
            "kind": ["rains"] * 4 + ["dry"],
            "start": [pd.Timestamp(y, 7, 1) for y in years] + [pd.Timestamp(2011, 10, 1)],
            "end": [pd.Timestamp(y, 9, 30) for y in years] + [pd.Timestamp(2012, 6, 30)],
            "complete": [True, True, True, False, True],
        }
    )
    rain = season_rain(RainRecord(daily, "made"), calendar, ["a"])
    values = calendar[["season"]].assign(
        site_id="a", judged_value=0.2, judged_dates=[2, 1, 5, 2, 3], greenness=0.50909,
        judged_dead_grass=0.266667, woody_percent=np.nan, woody_se_own=np.nan,
        woody_se_place=np.nan, ndvi_median=0.2,
    )  # fmt: skip
    sites = gpd.GeoDataFrame({"site_id": ["a"], "role": ["sown"]})
    weights = pd.DataFrame({"site_id": [], "control_id": [], "weight": []}, dtype=object)
    told = seasons_told(values, calendar, rain, sites, weights.astype({"weight": float}), ["ndvi"])
    told = told.set_index("season")
    asked = seasons_table(["ndvi"]).column_names[-7:-1]
    assert told.loc["2011-rains", asked].tolist() == [True, True, "", 1, 10, 80]
    assert told.loc["2012-rains", asked].tolist() == [True, False, "", 3, 30, 60]
    assert told.loc["2013-rains", asked].tolist() == [True, True, "", 2, 20, 70]
    assert told.loc["2011-dry", ["complete", "enough_dates"]].all()
    # Halfway between dead grass (.2, .2) and green leaves (.81818, .33333); told of dry seasons.
    assert told.loc["2011-dry", "green_fraction"] == pytest.approx(0.5, abs=1e-4)
    assert told.loc[told["kind"] == "rains", "green_fraction"].isna().all()
    running = told.loc["2014-rains"]
    assert not running["complete"] and running["enough_dates"]
    assert running[["rain_rank", "rain_days"]].isna().all()


def test_controls_beside_a_site_are_their_weighted_mean_of_the_season() -> None:
    """Against numpy's weighted average over the controls that have a value in the season."""
    rng = np.random.default_rng(3)
    sites = [f"p{number}" for number in range(9)]
    seasons = ["2011-dry", "2011-rains", "2012-dry"]
    table = pd.DataFrame(
        [(site, season) for season in seasons for site in sites], columns=["site_id", "season"]
    )
    table["ndvi_median"] = np.where(rng.random(27) < 0.3, np.nan, rng.random(27))
    table.loc[table["season"] == "2012-dry", "ndvi_median"] = np.nan
    pairs = [(site, control) for site in ("p0", "p1") for control in sites[2:]]
    weights = pd.DataFrame(pairs, columns=["site_id", "control_id"]).assign(weight=rng.random(14))
    (means,) = _of_controls(table, ["ndvi_median"], weights)
    for (site, season), mean in zip(
        table[["site_id", "season"]].itertuples(index=False), means, strict=True
    ):
        of_site = weights[weights["site_id"] == site].set_index("control_id")["weight"]
        theirs = table[table["season"] == season].set_index("site_id")["ndvi_median"]
        seen = theirs.reindex(of_site.index).dropna()
        if seen.empty:
            assert np.isnan(mean)
        else:
            wanted = np.average(seen, weights=of_site[seen.index])
            assert mean == pytest.approx(wanted, rel=1e-12)
    assert np.isfinite(means).sum() == 4


def test_the_dictionary_tells_how_many_dates_judging_asks_for() -> None:
    (column,) = (c for c in seasons_table(["ndvi"]).columns if c.name == "enough_dates")
    for number, kind in (
        (MIN_CLEAR_DATES["dry"], "a dry season"),
        (MIN_CLEAR_DATES["rains"], "th"),
    ):
        assert f"{number} in {kind}" in column.description


_SOWING = pd.DataFrame(
    {
        "site_id": ["a", "a", "b", "b", "c"],
        "sown_on": pd.to_datetime(
            ["2015-06-01", "2015-06-01", "2015-06-01", "2017-06-01", "2015-06-01"]
        ),
        "method": ["hand", "hand", "hand", "aircraft", ""],
        "species": ["Acacia", "grass  mix", "Acacia", "Acacia", "Acacia"],
        "seed_lot": ["7", "8", "7", "", "7"],
    }
)
_STARTS = pd.DataFrame(
    {
        "site_id": ["a", "a", "b", "b", "c"],
        "sown_on": _SOWING["sown_on"],
        "start": ["good", "good", "broken", "good", "none yet"],
    }
)


def test_ways_of_sowing_by_hand() -> None:
    """Two mixes on one day, a second sowing by another method, words that are missing."""
    ways = ways_of_sowing(_SOWING, _STARTS).set_index("site_id")
    assert ways.loc["a"].to_dict() == {
        "method": "hand",
        "species": "Acacia + grass mix",
        "seed_lot": "7 + 8",
        "start": "good",
    }
    assert ways.loc["b"].to_dict() == {
        "method": "hand then aircraft",
        "species": "Acacia",
        "seed_lot": "",
        "start": "broken then good",
    }
    assert ways.loc["c", "method"] == ""
    assert set(ways_of_sowing(_SOWING, None)["start"]) == {""}


def test_what_works_looks_at_what_was_sown_by_then() -> None:
    """Judged in 2016: b's second sowing had not been; c is too young for a gain to have begun."""
    verdicts = pd.DataFrame(
        {
            "site_id": ["a", "b", "c"],
            "as_of": "2016-dry",
            "stratum": "sand",
            "seasons_since_sowing": [3, 3, 1],
            "gain": [0.02, 0.03, 0.04],
            "gain_low": [0.0, 0.01, 0.0],
            "gain_high": [0.04, 0.05, 0.08],
            "gain_unit": "ndvi",
            "controls": 8,
            "verdict": ["gain", "gain", "too-early"],
            "area_ha": 4.0,
            "cost": 100.0,
        }
    )
    calendar = pd.DataFrame({"season": ["2016-dry"], "start": [pd.Timestamp("2016-10-01")]})
    table = what_works_told(verdicts, calendar, _SOWING, _STARTS, RampGrowth(1, 4))
    told = {(row.factor, row.level): row.sites for row in table.itertuples()}
    assert told[("all", "all")] == 2
    assert told[("method", "hand")] == 2
    assert told[("stratum", "sand")] == 2
    assert told[("start", "broken")] == 1
    assert ("method", "hand then aircraft") not in told
    assert shrunken(verdicts).between(0.02, 0.04).all()
    young = verdicts.assign(seasons_since_sowing=1)
    assert what_works_told(young, calendar, _SOWING, _STARTS, RampGrowth(1, 4)).empty


def test_a_loss_that_another_index_does_not_show_is_no_verdict() -> None:
    """A fall of the judged index alone: with a second index that stayed, the reason says so."""
    ground = ground_of(range(2004, 2022))
    values = ground["values"]
    start = values["season"].map(ground["calendar"].set_index("season")["start"])
    flat = values["judged_value"].copy()
    fallen = values["site_id"].isin(["a", "b"]) & (start > "2014-06-15")
    values.loc[fallen, "judged_value"] -= 0.1
    alone = build_tables(**ground)
    assert (alone.verdicts["verdict"] == "loss").all()
    values["judged_second"] = values["judged_value"]
    shown = build_tables(**ground)
    assert (shown.verdicts["verdict"] == "loss").all()
    values["judged_second"] = flat
    told = build_tables(**ground)
    assert not (told.verdict_history["verdict"] == "loss").any()
    assert told.verdicts["reason"].str.contains("not borne out by MSAVI2").all()
    assert "judged_second" not in told.seasons
