"""Radar among the features: in power, by direction, kept only where it earns its place."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pandas as pd
import pytest

from afterrains.errors import InputError
from afterrains.woody import CardFacts, fit, load, predict, save, site_cover, sites_in_points
from afterrains.woody.features import FEATURES, feature_stack, radar_features, radar_inputs
from afterrains.woody.radar import try_radar
from afterrains.woody.training import bands_needed, season_features

_TRACK = "descending-154"
_NAMES = ("vh_descending", "vh_vv_descending")


def _power(rng, shape=(12, 14)):
    return {
        "late_vv_descending_median": rng.gamma(20, 0.002, shape).astype(np.float32),
        "late_vh_descending_median": rng.gamma(20, 0.0004, shape).astype(np.float32),
    }


def test_features_are_decibels_of_mean_power():
    """By hand: the middle of 3 by 3 pixels, of which two are unknown; the others are VH of .01 and
    one of .05: a mean of .11/7, -18.037 dB; VV of .1 everywhere makes the ratio -8.037 dB.
    """
    vh = np.full((3, 3), 0.01, np.float32)
    vh[0, 0], vh[2, 2], vh[0, 1] = np.nan, np.nan, 0.05
    composites = {
        "late_vh_descending_median": vh,
        "late_vv_descending_median": np.full((3, 3), 0.1, np.float32),
    }
    made = feature_stack(composites, None, _NAMES).values
    assert made[:, 1, 1] == pytest.approx([-18.037, -8.037], abs=1e-3)
    assert np.isnan(made[:, 0, 0]).all(), "a pixel without radar is not filled from others"
    assert [FEATURES[name].unit for name in _NAMES] == ["dB", "dB"]


def test_features_have_no_seams(rng):
    """A block read with its halo gives what the whole gives."""
    whole = _power(rng)
    halo = max(FEATURES[name].reach_pixels for name in _NAMES)
    made = feature_stack(whole, None, _NAMES).values
    part = {name: values[: 6 + halo] for name, values in whole.items()}
    np.testing.assert_allclose(
        feature_stack(part, None, _NAMES).values[:, :6], made[:, :6], rtol=1e-6
    )


def test_radar_is_no_band_of_optical_scenes():
    assert bands_needed(("late_ndvi", *_NAMES)) == {"red", "nir"}
    assert radar_features([_TRACK]) == _NAMES
    assert radar_features([_TRACK, "ascending-161"]) == (
        "vh_ascending", "vh_vv_ascending", *_NAMES,
    )  # fmt: skip
    assert radar_inputs(("late_ndvi",)) == frozenset()


def test_a_season_without_radar_has_no_cover_and_is_no_break(rng, plots_and_features):
    """A model that needs radar: its sites are judged on greenness where too few seasons have it."""
    plots, features = plots_and_features
    share = features["late_ndvi"].to_numpy()
    radar = pd.DataFrame({name: 40 * share + rng.normal(0, 0.5, len(share)) for name in _NAMES})
    names = ("late_ndvi", *_NAMES)
    model = fit(plots, pd.concat([features, radar], axis=1), names=names)
    calendar = pd.DataFrame({"season": ["2020-dry"], "kind": ["dry"]})
    optical = {"late_ndvi_median": np.full((3, 4), 0.2, np.float32)}

    def stack_of(season):
        return season_features("c", season, calendar, lambda *_: season_layers[season], names)

    season_layers = {"2020-dry": optical, "2021-dry": optical | _power(rng, (3, 4))}
    dark, seen = stack_of("2020-dry"), stack_of("2021-dry")
    assert np.isnan(predict(model, dark).estimate).all()
    assert np.isfinite(predict(model, seen).estimate).all()
    coverage = _whole_window()
    row = site_cover(model, dark, coverage, 100.0).iloc[0]
    assert np.isnan(row["woody_percent"])
    assert row["basis"] == "dry-season greenness"
    assert row["seen_share"] == 0
    # One season of eight without radar leaves a gap; two of eight put all of them on greenness.
    bases = np.array(["woody cover"] * 8, object)
    bases[3] = row["basis"]
    table = pd.DataFrame({"site_id": "s", "basis": bases})
    assert sites_in_points(table) == {"s"}
    bases[4] = row["basis"]
    assert sites_in_points(pd.DataFrame({"site_id": "s", "basis": bases})) == frozenset()


def _whole_window():
    from afterrains.signals.coverage import Coverage

    pixels = np.arange(12)
    return Coverage(("s",), (3, 4), pixels, np.ones(12), np.zeros(12, int), np.array([12.0]))


def _with_radar(plots, features, rng, error):
    """Radar that sees cover with an error, in points; NDVI sees it with about 4."""
    cover = plots["woody_cover_percent"].to_numpy()
    mine = pd.DataFrame(
        {"vh_descending": -26 + 0.3 * (cover + rng.normal(0, error, len(cover)))}
    ).assign(vh_vv_descending=rng.normal(-8, 1, len(cover)))
    return pd.concat([features[["late_ndvi"]], mine], axis=1)


def test_radar_that_sees_cover_is_kept_and_noise_is_not(plots_and_features, tmp_path):
    """Made up: an error of 1 point against that of NDVI, and one of 60. Files and card tell it."""
    plots, features = plots_and_features
    base = fit(plots, features, names=("late_ndvi",))
    rng = np.random.default_rng(8)
    good = _with_radar(plots, features, rng, 1.0)
    kept = try_radar(base, plots, good, [_TRACK])
    assert kept.features == ("late_ndvi", "vh_descending"), "the ratio is noise here"
    assert kept.tracks == (_TRACK,)
    assert kept.radar.rmse_with < 0.8 * kept.radar.rmse_without
    poor = try_radar(base, plots, _with_radar(plots, features, rng, 60.0), [_TRACK])
    assert poor.features == ("late_ndvi",)
    assert (poor.tracks, poor.radar.kept) == ((), False)
    facts = CardFacts("radar", "none")
    for model, name, word in ((kept, "kept", "**Kept**"), (poor, "poor", "**Left out**")):
        save(model, tmp_path / name, facts)
        again = load(tmp_path / name)
        assert again.radar == model.radar
        card = (tmp_path / name / "card.md").read_text(encoding="utf-8")
        told = card.split("## Radar")[1].split("##")[0]
        assert word in told
        assert f"{model.radar.rmse_without:.2f} points without" in told
        assert f"{model.radar.rmse_with:.2f} with" in told
    units = json.loads((tmp_path / "kept" / "recipe.json").read_text())["features"]
    assert [each.get("unit") for each in units] == [None, "dB"]


def test_radar_that_most_plots_lack_is_not_tried(plots_and_features, tmp_path):
    """A fifth and more of the plots without it: the model without radar stands, and says why."""
    plots, features = plots_and_features
    base = fit(plots, features, names=("late_ndvi",))
    mine = _with_radar(plots, features, np.random.default_rng(8), 1.0)
    mine.loc[: len(mine) // 3, "vh_descending"] = np.nan
    model = try_radar(base, plots, mine, [_TRACK])
    assert model.features == ("late_ndvi",)
    assert not model.radar.kept
    assert f"{len(mine) - len(mine) // 3 - 1} of {len(mine)} plots have radar" in model.radar.why
    save(model, tmp_path / "m", CardFacts("radar", "none"))
    assert np.isnan(load(tmp_path / "m").radar.rmse_with)
    assert "Not tried with descending-154" in (tmp_path / "m" / "card.md").read_text()


def test_a_model_with_a_track_that_is_none_is_refused(plots_and_features, tmp_path):
    """Text of a model's file never gets further than this."""
    plots, features = plots_and_features
    mine = _with_radar(plots, features, np.random.default_rng(8), 1.0)
    base = fit(plots, features, names=("late_ndvi",))
    model = try_radar(base, plots, mine, [_TRACK])
    broken = dataclasses.replace(model.radar, tracks=("../../up",))
    save(dataclasses.replace(model, radar=broken), tmp_path, CardFacts("radar", "none"))
    with pytest.raises(InputError, match="a track of radar that is none"):
        load(tmp_path)
