"""A season's looks checked against each other: simulated ground with known faults."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from afterrains.scenes import Observation
from afterrains.scenes.season_check import check_season

GROUND = {"blue": 0.09, "red": 0.2, "nir": 0.28, "swir16": 0.36}
SHAPE = (20, 20)


@pytest.fixture
def season(rng: np.random.Generator) -> list[Observation]:
    """Thirty clear looks, five days apart, at dry ground that slowly dries on; noise 0.006."""
    looks = []
    for number in range(30):
        day = date(2021, 11, 1) + timedelta(days=5 * number)
        bands = {
            band: (level + 0.0004 * number + rng.normal(0, 0.006, SHAPE)).astype(np.float32)
            for band, level in GROUND.items()
        }
        whole = np.ones(SHAPE, dtype=bool)
        looks.append(
            Observation(day, "sentinel-2a", (f"s{number}",), bands, whole, whole, (), ~whole)
        )
    return looks


def shifted(look: Observation, by: float) -> Observation:
    return replace(look, reflectance={b: v + np.float32(by) for b, v in look.reflectance.items()})


def test_a_clean_season_is_handed_on_untouched(season: list[Observation]) -> None:
    checked = check_season(season)
    assert all(after is before for after, before in zip(checked.looks, season, strict=True))
    assert checked.removed == {}
    assert not checked.always_masked.any()
    assert min(checked.tested[3:-3]) == 400


def test_a_missed_cloud_is_taken_out_of_every_band(season: list[Observation]) -> None:
    """Opacity 0.3 of a cloud of reflectance 0.6 over a quarter of one look."""
    clean = season[12]
    veil = np.zeros(SHAPE, dtype=bool)
    veil[:10, :10] = True
    season[12] = replace(
        clean,
        reflectance={
            band: np.where(veil, 0.7 * values + 0.18, values).astype(np.float32)
            for band, values in clean.reflectance.items()
        },
    )
    checked = check_season(season)
    assert np.array_equal(checked.leftover[12], veil)
    assert checked.removed == {"s12": 100}
    after = checked.looks[12]
    assert np.array_equal(after.clear, ~veil)
    for band, values in after.reflectance.items():
        assert np.isnan(values[veil]).all()
        np.testing.assert_array_equal(values[~veil], clean.reflectance[band][~veil])
    assert np.isfinite(season[12].reflectance["red"]).all(), "the look that was given has changed"


def test_fire_and_green_up_stay(season: list[Observation]) -> None:
    """What lasts is no outlier: infrared falls for good, red falls as grass comes up."""
    for number in range(15, 30):
        bands = dict(season[number].reflectance)
        bands["nir"] = bands["nir"] - np.float32(0.12)
        bands["red"] = bands["red"] - np.float32(0.06)
        bands["blue"] = bands["blue"] - np.float32(0.03)
        season[number] = replace(season[number], reflectance=bands)
    assert check_season(season).removed == {}


@pytest.mark.parametrize("by", [0.1, -0.1])
def test_a_shifted_product_is_lost_and_named(season: list[Observation], by: float) -> None:
    """The offset of baseline 04.00 forgotten, or applied twice: 0.1 in every band (ESA)."""
    season[8] = shifted(season[8], by)
    checked = check_season(season)
    after = checked.looks[8]
    assert not after.clear.any()
    assert not after.covered.any()
    assert after.lost.all()
    assert np.isnan(after.reflectance["nir"]).all()
    assert after.unreadable == ()
    [(scene, reason)] = after.doubted
    assert scene == "s8"
    assert f"{by:+.1f} off the dates around it" in reason
    assert all(checked.looks[n] is season[n] for n in range(30) if n != 8)


def test_ground_that_is_always_masked_is_pointed_at(season: list[Observation]) -> None:
    """One patch masked on every date, all else on none."""
    patch = np.zeros(SHAPE, dtype=bool)
    patch[3:6, 3:6] = True
    looks = [
        replace(
            look,
            clear=~patch,
            reflectance={b: np.where(patch, np.nan, v) for b, v in look.reflectance.items()},
        )
        for look in season
    ]
    assert np.array_equal(check_season(looks).always_masked, patch)


def test_few_bands_and_few_looks_pass_untested(season: list[Observation]) -> None:
    """Without blue or green nothing is tested; with two bands no shift can be told."""
    bare = [
        replace(look, reflectance={b: look.reflectance[b] for b in ("red", "nir")})
        for look in season
    ]
    bare[8] = shifted(bare[8], 0.1)
    checked = check_season(bare)
    assert checked.removed == {}
    assert sum(checked.tested) == 0
    assert all(after is before for after, before in zip(checked.looks, bare, strict=True))
    assert check_season(season[:1]).looks == (season[0],)
    assert check_season([]).looks == ()
    with pytest.raises(ValueError, match="order of time"):
        check_season(season[::-1])
