"""From season values to tables: a site and its controls always meet in one unit."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import box

from afterrains.evidence.growth import RampGrowth
from afterrains.programme import Evidence
from afterrains.results import build_tables
from afterrains.results.ways import shrunken, ways_of_sowing, what_works_told


def test_a_site_on_greenness_is_not_compared_in_points() -> None:
    """By hand: a lies in the model's domain, b does not; all controls do.

    a is told in points (its cover less the controls' mean cover), b in NDVI (its greenness less
    the controls' mean greenness), in the same table and season.
    """
    rng = np.random.default_rng(7)
    ids, years = ["a", "b", "c1", "c2", "c3", "c4"], range(2010, 2020)
    seasons = [f"{year}-dry" for year in years]
    calendar = pd.DataFrame(
        {
            "season": seasons,
            "kind": "dry",
            "start": [pd.Timestamp(year, 10, 1) for year in years],
            "end": [pd.Timestamp(year + 1, 6, 1) for year in years],
            "observe_from": [pd.Timestamp(year, 12, 1) for year in years],
            "complete": True,
        }
    )
    values = pd.MultiIndex.from_product([ids, seasons], names=["site_id", "season"]).to_frame(
        index=False
    )
    green = 0.15 + rng.normal(0, 0.005, len(values))
    values = values.assign(
        clear_dates=6, clear_fraction=1.0, judged_dates=6, judged_value=green,
        judged_dead_grass=np.nan, ndvi_median=green, ndvi_low=green, ndvi_high=green,
    )  # fmt: skip
    percent = 8 + rng.normal(0, 0.5, len(values))
    cover = values[["site_id", "season"]].assign(
        woody_percent=percent, woody_low=percent - 2, woody_high=percent + 2, woody_se_own=1.0
    )
    cover["basis"] = np.where(cover["site_id"] == "b", "dry-season greenness", "woody cover")
    sites = gpd.GeoDataFrame(
        {
            "site_id": ids,
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
    rain = values[["site_id", "season"]].assign(rain_mm=np.nan, spi=np.nan)
    tables = build_tables(values, calendar, rain, sites, sowing, ["ndvi"], Evidence(), cover)
    units = tables.verdicts.set_index("site_id")["gain_unit"]
    assert units.to_dict() == {"a": "points", "b": "ndvi"}
    told = tables.seasons[tables.seasons["role"] == "sown"].set_index("site_id")
    for site, column in (("a", "control_woody_percent"), ("b", "control_ndvi_median")):
        rows = told.loc[site]
        np.testing.assert_allclose(rows["control_judged_value"], rows[column], rtol=1e-12)
    assert told.loc["b", "difference"].abs().max() < 0.05
    assert told.loc["a", "control_judged_value"].mean() == pytest.approx(8, abs=1)


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
