"""Rain in the contrast: sown and control ground in different rain."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from afterrains.contrast import judge
from afterrains.evidence.contrast_gls import estimate_gains
from afterrains.evidence.gap_noise import rain_part, without_gain
from afterrains.evidence.gap_series import GapModel, GapSeries
from afterrains.evidence.learning import Noise
from afterrains.evidence.rain_gap import BEYOND_NOISE, RainGap, SiteRain

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks" / "rain"))
from in_contrast import Zones, draw, shares

RAIN = np.array([210, 340, 280, 150, 390, 300, 250, 420, 180, 330], dtype=float)


def _one_site(gap, rain, before):
    """A site's gap as the contrast takes it, with white noise of known structure."""
    seasons = gap.size
    since = np.maximum(np.arange(seasons) - before + 1, 0)
    step = (since > 0).astype(float)[None]
    grown = since / max(since.max(), 1)
    column = None if rain is None else RainGap((rain - rain.mean())[None] / 100, 100.0)
    series = GapSeries(
        gap[None], np.zeros(seasons), step, grown[None], step == 0, np.zeros(1), column
    )
    model = GapModel.of(np.ones((1, seasons)), np.ones((1, seasons), dtype=bool))
    one = np.ones(1)
    noise = Noise(np.zeros(1, dtype=int), one, 1e-4 * one, 50 * one, 1e-4 * one, 50 * one)
    return model, series, noise


@pytest.mark.parametrize("drift", [0.0, 15.0])
def test_joint_fit_keeps_the_trend_that_two_steps_lose(drift):
    """References: Evans & Geerken 2004 data as worked there in two steps and jointly.

    VI = .10 + .0006 rain + .008 t. Two steps: slope .007740, and .005348 where rain drifts by
    15 mm a year; the joint regression returns .008 exactly.
    """
    t = np.arange(10.0)
    rain = RAIN + drift * t
    vi = 0.10 + 0.0006 * rain + 0.008 * t
    residual = vi - np.polyval(np.polyfit(rain, vi, 1), rain)
    two_steps = np.polyfit(t, residual, 1)[0]
    assert two_steps == pytest.approx({0.0: 0.007740, 15.0: 0.005348}[drift], abs=5e-7)

    # The contrast's own ramp rises by 1/9 a year from the second season on: t in units of 9.
    model, series, _ = _one_site(vi, rain, before=1)
    part = rain_part(model, replace(series, step=np.zeros((1, 10))))
    np.testing.assert_allclose(part[0], 0.0006 * (rain - rain.mean()), atol=1e-12)
    left = without_gain(model, replace(series, step=np.zeros((1, 10))))
    np.testing.assert_allclose(left, 0, atol=1e-12)


def test_gain_is_found_exactly_where_the_gap_follows_rain():
    """By hand: without noise the gain is 0.05 whatever rain did, and wrong with rain left out."""
    rain = RAIN + 40 * (np.arange(10) >= 5)
    grown = np.clip(np.arange(10) - 4, 0, 5) / 5
    model, series, noise = _one_site(0.05 * grown + 0.0006 * rain, rain, before=5)
    # The estimate follows a blend of ramp and step, so the truth here is a ramp of that blend.
    joint = estimate_gains(model, series, noise).gain[0]
    dry = estimate_gains(*_one_site(0.05 * grown, rain, before=5)).gain[0]
    assert joint == pytest.approx(dry, abs=1e-9)
    plain = estimate_gains(*_one_site(0.05 * grown + 0.0006 * rain, None, before=5)).gain[0]
    assert plain > joint + 0.01


def test_only_rain_that_differs_beyond_noise_costs_a_degree_of_freedom(rng):
    """By hand: a gauge that differs by a tenth of the yearly spread is left alone."""
    common = rng.normal(400, 100, size=12)
    near = common + BEYOND_NOISE / 2 * common.std() * np.tile([1.0, -1.0], 6)
    far = common + 2 * BEYOND_NOISE * common.std() * np.tile([1.0, -1.0], 6)
    controls = np.vstack([common, common, common])
    site_rain = SiteRain(np.vstack([common, near, far]), controls)

    class Equal:
        controls = np.tile(np.arange(3), (3, 1))
        weights = np.full((3, 3), 1 / 3)

    gap = site_rain.of_sown(np.arange(3), np.zeros((3, 12)), Equal, np.arange(3), np.ones((3, 12)))
    assert gap.used.tolist() == [False, False, True]
    expected = (far - common) - (far - common).mean()
    np.testing.assert_allclose(gap.column[2] * gap.size_mm, expected, atol=1e-9)
    assert site_rain.of_controls(np.zeros((3, 12)), np.ones((3, 12))) is None


def test_one_station_for_all_changes_nothing(invented):
    """The same bytes as without rain: one rain for all ground cannot part sown from control."""
    panel, sowing = invented([4.0, 0.0], controls=6)
    rain = panel["season"].astype("category").cat.codes * 10.0 + 200
    with_rain = judge(panel.assign(rain_mm=rain), sowing, woody_model=True)
    pd.testing.assert_frame_equal(
        with_rain, judge(panel, sowing, woody_model=True), check_exact=True
    )
    assert with_rain["rain_moved"].isna().all()


def test_history_says_how_far_rain_differed_and_what_it_did(rng):
    """Simulated with known truth: sown zones got a deviation (100 mm) a season more since."""
    zones = Zones("", shared=0.9, shift=1.0, unequal=0.0)
    panel, sowing = draw(zones, rng, gain=0.0)
    newest = judge(panel, sowing, woody_model=True).groupby("site_id").tail(1)
    assert newest["rain_apart_mm"].between(0, 200).all()
    assert newest["rain_apart_mm"].median() == pytest.approx(100, abs=50)
    # Judged again without its rain, the ground reads as the sentence says it would; the noise is
    # then learned anew, hence the tolerance of half a noise deviation.
    plain = judge(panel.drop(columns="rain_mm"), sowing, woody_model=True)
    plain = plain.groupby("site_id").tail(1)["gain"].to_numpy()
    said = (newest["gain"] - newest["rain_moved"]).to_numpy()
    assert np.median(plain) > 1.5
    np.testing.assert_allclose(np.median(said - plain), 0, atol=0.5)


def test_false_gains_with_rain_known_and_unknown():
    """Simulation with known truth: none gained, rain rose where it was sown, 12 sites a panel.

    Error rate allowed: 2.5 % for a gain over all seasons, plus two standard errors over the
    panels. `benchmarks/rain/in_contrast.py` prints the same with more panels.
    """
    zones = Zones("rain rises where it was sown", shift=1.0)
    known = shares(zones, 3, 1, with_rain=True)
    unknown = shares(zones, 3, 1, with_rain=False)
    assert known.gains <= 0.025 + 2 * max(known.error, (0.025 * 0.975 / 36) ** 0.5)
    assert unknown.gains > 0.1
    assert known.covered > unknown.covered


def test_gain_is_still_seen_in_different_rain():
    """Simulation with known truth: six noise deviations gained, in five seasons of seven sites."""
    zones = Zones("", shift=1.0, sown=6)
    assert shares(zones, 2, 2, with_rain=True, gain=6.0).gains > 0.8
