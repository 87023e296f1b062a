"""From season values to tables: a site and its controls always meet in one unit."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import box

from afterrains.programme import Evidence
from afterrains.results import build_tables


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
    )
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
