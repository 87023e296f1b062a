"""Site means with their errors, and change of pixels with its classes."""

from __future__ import annotations

import dataclasses
from datetime import date

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from odc.geo.geobox import GeoBox
from rasterio.transform import Affine
from scipy.stats import t

from afterrains.errors import InputError
from afterrains.signals.coverage import polygon_coverage
from afterrains.woody import (
    cell_seasons,
    predict,
    require_bands,
    seasons_before,
    site_cover,
    sites_in_points,
    sowing_days,
    woody_change,
)
from afterrains.woody.change import LESS, MORE, UNCHANGED
from afterrains.woody.features import FeatureStack
from afterrains.woody.validation import ErrorShare

_BOX = GeoBox((30, 30), Affine(10, 0, 500_000, 0, -10, 1_550_000), "EPSG:32631")


def _stack(model, rng):
    """Pixels drawn from the plots."""
    rows = model.training[list(model.features)].to_numpy(np.float32)
    picked = rows[rng.integers(0, len(rows), 900)]
    return FeatureStack(model.features, picked.T.reshape(-1, 30, 30).copy())


def _coverage(*boxes):
    polygons = gpd.GeoSeries([shapely.box(*box) for box in boxes], crs="EPSG:32631")
    return polygon_coverage(_BOX, [f"s{at}" for at in range(len(boxes))], polygons)


def test_site_mean_and_its_error_by_hand(model, rng):
    """A site of 10 by 10 whole pixels; components given, no jackknife."""
    share = ErrorShare(place=0.1, season=0.2, plot=0.7, places=50, seasons=9, plots=150)
    flat = np.repeat(model.fold_lines[:1], 10, axis=0)
    known = dataclasses.replace(model, error_share=share, fold_lines=flat)
    stack = _stack(model, rng)
    coverage = _coverage((500_050, 1_549_850, 500_150, 1_549_950))
    row = site_cover(known, stack, coverage, 100.0).iloc[0]
    mean = predict(known, stack).unclipped[5:15, 5:15].astype(float).mean()
    assert row["woody_percent"] == pytest.approx(mean, rel=1e-6)
    place = 0.1 + np.sqrt(2 / 49) * (0.1 + 0.7 * 50 / 150)
    season = 0.2 + np.sqrt(2 / 8) * (0.2 + 0.7 * 9 / 150)
    scale2 = (model.scale.floor + model.scale.slope * mean) ** 2
    own = scale2 * (place + 0.7 * model.plot_area_m2 / 10_000)
    assert row["woody_se_own"] == pytest.approx(np.sqrt(own), rel=1e-6)
    assert row["woody_se_place"] == pytest.approx(np.sqrt(scale2 * place), rel=1e-6)
    assert known.grass_bias(mean) == pytest.approx(row["woody_se_place"], rel=1e-6)
    assert row["woody_se"] == pytest.approx(np.sqrt(own + scale2 * season), rel=1e-6)
    freedom = (own + scale2 * season) ** 2 / (own**2 / 49 + (scale2 * season) ** 2 / 8)
    reach = t.ppf(0.975, freedom) * row["woody_se"]
    assert row["woody_high"] - row["woody_percent"] == pytest.approx(reach, rel=1e-6)
    assert row["basis"] == "woody cover"


def test_jackknife_of_folds_by_hand(model, rng):
    """Folds whose lines differ by a constant d: variance (k-1)/k * sum (d - mean)²."""
    lines = np.repeat(model.fold_lines[:1], 4, axis=0)
    lines[:, 0] += np.array([0.0, 1.0, 2.0, 3.0])
    none = ErrorShare(0.0, 0.0, 0.0, 2, 2, 150)
    known = dataclasses.replace(model, error_share=none, fold_lines=lines)
    coverage = _coverage((500_050, 1_549_850, 500_150, 1_549_950))
    row = site_cover(known, _stack(model, rng), coverage, 100.0).iloc[0]
    assert row["woody_se"] == pytest.approx(np.sqrt(3 / 4 * 5.0))


def test_ground_the_model_does_not_know_falls_back_and_says_so(model, rng):
    """One site far greener than any plot, one unseen, one half seen and ordinary."""
    stack = _stack(model, rng)
    stack.values[model.features.index("late_ndvi"), :10] += 0.9
    stack.values[:, 10:20] = np.nan
    stack.values[:, 20:24] = np.nan
    coverage = _coverage(
        (500_000, 1_549_900, 500_300, 1_550_000),
        (500_000, 1_549_800, 500_300, 1_549_900),
        (500_000, 1_549_700, 500_300, 1_549_800),
    )
    table = site_cover(model, stack, coverage, 100.0).set_index("site_id")
    assert table["basis"].tolist() == ["dry-season greenness"] * 2 + ["woody cover"]
    assert np.isnan(table.at["s1", "woody_percent"])
    assert table.at["s2", "seen_share"] == pytest.approx(0.6)
    assert table.at["s0", "inside_share"] == 0.0


def test_a_season_never_clear_has_no_cover(model, rng):
    """NaN in every number, and no unit but greenness; without a warning."""
    stack = _stack(model, rng)
    stack.values[:] = np.nan
    row = site_cover(model, stack, _coverage((500_050, 1_549_850, 500_150, 1_549_950)), 100.0)
    assert row[["woody_percent", "woody_low", "woody_high", "woody_se"]].isna().all(axis=None)
    assert row["basis"].tolist() == ["dry-season greenness"]
    cover = np.full((3, 30, 30), np.nan)
    assert np.isnan(woody_change(model, cover, np.array([True, True, False])).stack()).all()


def test_a_site_is_judged_in_one_unit():
    """By hand: four of five seasons and the newest; three of five; the newest outside."""
    woody, green = "woody cover", "dry-season greenness"
    table = pd.DataFrame(
        {
            "site_id": ["a"] * 5 + ["b"] * 5 + ["c"] * 5,
            "basis": [green, woody, woody, woody, woody, green, green, woody, woody, woody,
                      woody, woody, woody, woody, green],
        }
    )  # fmt: skip
    assert sites_in_points(table) == {"a"}


def _covers(model, rng, gain=0.0):
    """Six seasons of a true 8 %, with errors as the model's own, and a gain in a square."""
    share = model.error_share
    spread = model.scale.at(np.array([8.0]))[0] * np.sqrt(share.cautious()[1] + share.plot)
    cover = 8 + rng.normal(0, spread, (6, 60, 60))
    cover[-2:, 10:20, 10:20] += gain
    return cover


def test_change_and_its_error_by_hand(model):
    """Flat covers of 8 before and 20 now: 12; errors of both ends, by their number of seasons."""
    cover = np.concatenate([np.full((3, 8, 8), 8.0), np.full((2, 8, 8), 20.0)])
    cover[0, 0, 0] = np.nan
    cover[:3, 1, 1] = np.nan
    found = woody_change(model, cover, np.array([True] * 3 + [False] * 2), after=2)
    loose = model.error_share.cautious()[1] + model.error_share.plot
    then, now = model.scale.at(np.array([8.0, 20.0])) ** 2
    assert found.change[2, 2] == pytest.approx(12.0)
    assert found.standard_error[2, 2] == pytest.approx(np.sqrt(loose * (then / 3 + now / 2)))
    assert found.standard_error[0, 0] == pytest.approx(np.sqrt(loose * (then / 2 + now / 2)))
    assert np.isnan(found.stack()[:, 1, 1]).all()


def test_nothing_happens_where_nothing_happened(model):
    """20 draws of 3,600 unchanged pixels: hardly ever a patch (false discovery rate 5 %)."""
    before = np.array([True] * 4 + [False] * 2)
    called = [
        np.isin(woody_change(model, _covers(model, np.random.default_rng(seed)), before,
                             after=2, least_patch=1).kind, (MORE, LESS)).any()
        for seed in range(20)
    ]  # fmt: skip
    assert sum(called) <= 4  # of 20 at 5 %: more than 4 has a chance of 0.3 %


def test_a_grown_patch_is_found_and_few_others(model, rng):
    """15 points in 100 of 3,600 pixels: most found, false ones near 5 % of what is called."""
    before = np.array([True] * 4 + [False] * 2)
    found = woody_change(model, _covers(model, rng, 15.0), before, after=2)
    inside = found.kind[10:20, 10:20]
    assert (inside == MORE).mean() > 0.8
    called = np.isin(found.kind, (MORE, LESS)).sum()
    assert called - (inside == MORE).sum() <= 0.1 * called


def test_what_a_season_shares_is_no_change(model):
    """Known truth: 40 maps without any change, every season off as a whole by the model's share.

    Each map's false share is all or nothing, so it is maps that are counted: at most the rate's 5 %
    go beyond the shared error. Seasons are drawn from the share before it is raised for caution.
    Nine tenths are shared, so that without a bar beyond it two maps in five would be called.
    """
    before = np.array([True] * 4 + [False] * 2)
    share = dataclasses.replace(model.error_share, season=0.9, plot=0.1, seasons=9)
    known = dataclasses.replace(model, error_share=share)
    scale = model.scale.at(np.array([8.0]))[0]
    called = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        season = rng.normal(0, scale * np.sqrt(share.season), (6, 1, 1))
        cover = 8 + season + rng.normal(0, scale * np.sqrt(share.plot), (6, 40, 40))
        kind = woody_change(known, cover, before, after=2, least_patch=1).kind
        called += bool((kind != UNCHANGED).mean() > 0.01)
    assert called <= 5  # of 40 at 5 %: more than 5 has a chance of 1.4 %


def test_lone_pixels_are_taken_for_noise(model):
    """A patch of four is dropped, one of five stays; joined at sides, not at corners."""
    cover = np.full((2, 20, 20), 10.0)
    cover[1, 2:4, 2:4] = 60.0
    cover[1, 10, 5:10] = 60.0
    cover[1, 15, 15] = cover[1, 16, 16] = cover[1, 17, 17] = cover[1, 14, 14] = 0.0
    found = woody_change(model, cover, np.array([True, False])).kind
    assert (found[2:4, 2:4] == UNCHANGED).all()
    assert (found[10, 5:10] == MORE).all()
    assert not (found == LESS).any()


def test_each_pixel_has_its_own_first_sowing():
    """By hand: two overlapping sites; the earlier sowing holds where both lie."""
    boxes = [shapely.box(500_000, 1_549_900, 500_100, 1_550_000),
             shapely.box(500_050, 1_549_900, 500_150, 1_550_000)]  # fmt: skip
    days = sowing_days(_BOX, boxes, [date(2019, 7, 1), date(2018, 7, 1)], date(2018, 1, 1))
    assert days[0, :20:5].astype(str).tolist() == [
        "2019-07-01", "2018-07-01", "2018-07-01", "2018-01-01",
    ]  # fmt: skip
    assert np.isnat(sowing_days(_BOX, [], [], None)).all()


def test_cells_are_walked_season_by_season(model, rng):
    """Composites made so that the features come out as the plots'; a season without any is left."""
    stack = _stack(model, rng)
    layers = {
        f"{name}_median": layer for name, layer in zip(stack.names, stack.values, strict=True)
    }
    calendar = pd.DataFrame({"season": ["2019-dry", "2020-dry"], "kind": ["dry", "dry"]})
    coverage = _coverage((500_050, 1_549_850, 500_150, 1_549_950))
    asked = []

    def composites_of(cell_id, season):
        asked.append((cell_id, season))
        return layers if season == "2020-dry" else None

    (found,) = cell_seasons(
        model, "e1n1", _BOX, coverage, ["2019-dry", "2020-dry"], calendar, composites_of
    )
    assert asked == [("e1n1", "2019-dry"), ("e1n1", "2020-dry")]
    assert found.season == "2020-dry"
    alone = site_cover(model, stack, coverage, 100.0)
    pd.testing.assert_frame_equal(found.sites.drop(columns="season"), alone)
    np.testing.assert_array_equal(found.prediction.stack()[0], predict(model, stack).estimate)
    require_bands(model.features, ["red", "nir", "swir16", "swir22"], file="programme.yaml")
    with pytest.raises(InputError, match="needs the bands swir16, swir22, which the scenes do not"):
        require_bands(model.features, ["red", "nir"], file="programme.yaml")


def test_seasons_before_each_pixels_sowing():
    """By hand: seasons ending in June; sown on 10 July 2019, or never."""
    ends = np.array(["2018-06-30", "2019-06-30", "2020-06-30"], "datetime64[D]")
    sown = np.array([["2019-07-10", "NaT"]], "datetime64[D]")
    assert seasons_before(ends, sown)[:, 0].tolist() == [[True, False], [True, False], [False] * 2]
