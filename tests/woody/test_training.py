"""From plots and composites to a model: pixels under a plot, its season, what is left out."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyproj
import pytest
from odc.geo.geobox import GeoBox
from rasterio.transform import Affine

from afterrains.errors import InputError
from afterrains.woody.features import FeatureStack
from afterrains.woody.plots import plot_means, plot_weights, season_of_plot
from afterrains.woody.training import bands_needed, gather, rains_before, train

_BOX = GeoBox((40, 50), Affine(10, 0, 500_000, 0, -10, 1_550_000), "EPSG:32631")


def _plots(xy, days, **columns):
    to = pyproj.Transformer.from_crs("EPSG:32631", "EPSG:4326", always_xy=True)
    lon, lat = to.transform(*np.array(xy, float).T)
    table = {
        "plot_id": [f"p{at}" for at in range(len(xy))],
        "lon": lon,
        "lat": lat,
        "surveyed_on": pd.to_datetime(days),
        "plot_radius_m": np.nan,
        "site_id": "",
    }
    return pd.DataFrame(table | columns)


@pytest.fixture
def calendar():
    rows = []
    for year in (2018, 2019, 2020):
        rows += [
            (f"{year}-rains", "rains", f"{year}-07-01", f"{year}-09-30"),
            (f"{year}-dry", "dry", f"{year}-10-01", f"{year + 1}-06-30"),
        ]
    table = pd.DataFrame(rows, columns=["season", "kind", "start", "end"])
    for column in ("start", "end"):
        table[column] = pd.to_datetime(table[column])
    return table.assign(complete=[True] * 5 + [False])


def test_a_circle_on_a_pixel_is_shared_out_by_area():
    """By hand: 100 m² of a circle of 15 m (706.9 m²) lie in the middle pixel; shares sum to 1."""
    plots = _plots([(500_105, 1_549_895)], ["2019-01-01"], plot_radius_m=15.0)
    found = plot_weights(plots, _BOX, position_error_m=0.0)[0]
    middle = (found.rows == 10) & (found.columns == 10)
    assert found.weight[middle] == pytest.approx([100 / (np.pi * 225)], rel=2e-3)  # 128 corners
    assert found.weight.sum() == pytest.approx(1.0)
    # Nine pixels: the circle reaches exactly to their outer edges, give or take the projection.
    assert found.weight[found.weight > 1e-4].size == 9


def test_position_error_spreads_a_plot_as_random_shifts_do(rng):
    """Monte Carlo: 3,000 circles shifted by a Gaussian whose 95 % circle is 8 m."""
    plots = _plots([(500_107, 1_549_891)], ["2019-01-01"], plot_radius_m=15.0)
    ours = np.zeros(_BOX.shape)
    found = plot_weights(plots, _BOX, position_error_m=8.0)[0]
    ours[found.rows, found.columns] = found.weight
    theirs = np.zeros(_BOX.shape)
    shifts = rng.normal(0, 8.0 / 2.4477, (3000, 2))
    points = rng.uniform(-15, 15, (3000, 400, 2))
    for shift, inside in zip(shifts, points, strict=True):
        kept = inside[np.hypot(*inside.T) <= 15] + shift
        columns, rows = (10.7 + kept[:, 0] / 10).astype(int), (10.9 - kept[:, 1] / 10).astype(int)
        np.add.at(theirs, (rows, columns), 1.0 / len(kept) / 3000)
    np.testing.assert_allclose(ours, theirs, atol=0.004)  # three standard errors of the draws


def test_plot_means_need_most_of_the_plot():
    """By hand on a ramp; NaN where a fifth or more of the plot is unknown."""
    ramp = np.broadcast_to(np.arange(50, dtype=np.float32), (1, *_BOX.shape)).copy()
    plots = _plots([(500_105, 1_549_895), (500_305, 1_549_695)], ["2019-01-01"] * 2)
    weights = plot_weights(plots, _BOX)
    ramp[0, 29:31, :] = np.nan
    found = plot_means(FeatureStack(("ramp",), ramp), weights)["ramp"]
    assert found[0] == pytest.approx(10.0, abs=0.02)
    assert np.isnan(found[1])


def test_season_of_a_survey(calendar):
    """By hand: inside, in the rains (nearer to one side), before, after, far away."""
    days = pd.Series(
        pd.to_datetime(["2019-02-01", "2019-07-10", "2019-09-20", "2018-08-15", "2012-01-01"])
    )
    found = season_of_plot(days, calendar)
    assert found.tolist()[:4] == ["2018-dry", "2018-dry", "2019-dry", "2018-dry"]
    assert pd.isna(found[4])
    assert rains_before(calendar, "2019-dry") == "2019-rains"
    assert rains_before(calendar[1:], "2018-dry") is None


def test_bands_follow_from_features():
    """Red edge only where a feature needs it."""
    assert bands_needed(["late_ndvi", "rains_swing"]) == {"red", "nir"}
    assert bands_needed(["late_nir_rededge", "late_nbr2"]) == {
        "nir",
        "rededge1",
        "swir16",
        "swir22",
    }


def test_training_takes_each_plot_in_its_season_and_tells_what_it_left(rng, calendar):
    """Cover drawn on the grid, another each season; four plots that cannot be used are told."""
    field = {season: np.clip(rng.gamma(2, 0.08, _BOX.shape), 0, 0.9) for season in
             ("2018-dry", "2019-dry")}  # fmt: skip
    asked = []

    def composites_of(cell_id, season):
        asked.append((cell_id, season))
        if season not in field:
            return None
        ndvi = (0.15 + 0.4 * field[season]).astype(np.float32)
        if season == "2018-dry":
            ndvi[:5, :5] = np.nan
        return {"late_ndvi_median": ndvi, "late_ndmi_median": ndvi - 0.3}

    rows, columns = rng.integers(6, 34, 60), rng.integers(6, 44, 60)
    xy = [(500_005 + 10 * c, 1_549_995 - 10 * r) for r, c in zip(rows, columns, strict=True)]
    seasons = ["2018-dry", "2019-dry"] * 30
    cover = [
        100 * field[s][r - 1 : r + 2, c - 1 : c + 2].mean()
        for s, r, c in zip(seasons, rows, columns, strict=True)
    ]
    days = ["2019-02-01", "2020-02-01"] * 30
    xy += [(500_010, 1_549_990), (600_000, 1_549_990), (500_200, 1_549_800), (500_200, 1_549_800)]
    days += ["2019-02-01", "2019-02-01", "2012-01-01", "2021-02-01"]
    plots = _plots(xy, days, woody_cover_percent=[*cover, 5, 5, 5, 5])
    names = ["late_ndvi", "late_ndmi"]
    gathered = gather(plots, {"cell": _BOX}, calendar, composites_of, names=names)
    assert set(asked) == {("cell", "2018-dry"), ("cell", "2019-dry")}
    assert gathered.features.notna().all(axis=1).sum() == 60
    told = {finding.code: finding.what for finding in gathered.findings}
    assert told["plots-no-season"].endswith(": p62, p63")
    assert told["plots-outside"] == "1 of the plots outside the ground that is read: p61"
    assert told["plots-not-clear"].startswith("1 of the plots never clear")
    with pytest.raises(InputError, match=r"the plots lie in \d places"):
        train(plots, {"cell": _BOX}, calendar, composites_of, names=names)
    # The plot's mean NDVI follows its cover in its own season, not in the other.
    used = gathered.features["late_ndvi"][:60]
    assert np.corrcoef(used, cover)[0, 1] > 0.95
