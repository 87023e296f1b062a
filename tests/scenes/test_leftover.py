"""Outliers against a pixel's own season."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats
from numpy.typing import NDArray

from afterrains.scenes.leftover import leftovers, season_residuals


def season(rng: np.random.Generator) -> tuple[NDArray, NDArray]:
    """Red reflectance of a rainy season, every five days: falls as grass grows, rises again."""
    days = np.arange(0, 180, 5)
    curve = 0.22 - 0.12 * np.exp(-(((days - 90) / 35) ** 2))
    return curve[:, None, None] + rng.normal(0, 0.01, (days.size, 20, 20)), days


def test_residual_of_a_look_by_scipys_line(rng: np.random.Generator):
    """Against scipy.stats.theilslopes on the neighbours alone, which shares no code with ours."""
    values, days = season(rng)
    values = values[:, :2, :2]
    values[rng.random(values.shape) < 0.3] = np.nan
    found = season_residuals(values, values, days, window_days=40, neighbours=5)
    checked = 0
    for date, row, column in np.argwhere(np.isfinite(values)):
        series = values[:, row, column]
        near = [
            other
            for step in (-1, 1)
            for other in [
                o
                for o in range(date + step, -1 if step < 0 else days.size, step)
                if np.isfinite(series[o]) and abs(days[o] - days[date]) <= 40
            ][:5]
        ]
        if len(near) < 4:
            assert np.isnan(found[date, row, column])
            continue
        slope = scipy.stats.theilslopes(series[near], days[near]).slope
        level = np.median(series[near] + slope * (days[date] - days[near]))
        assert found[date, row, column] == pytest.approx(series[date] - level, abs=1e-12)
        checked += 1
    assert checked > 50


def test_haze_and_shadow_are_found_and_the_season_passes(rng: np.random.Generator):
    """Known truth: 5 % of looks brightened or darkened by 0.1 on a season with noise 0.01."""
    values, days = season(rng)
    bad = rng.random(values.shape) < 0.05
    sign = np.where(rng.random(values.shape) < 0.5, -1, 1)
    found = leftovers(values + 0.1 * sign * bad, days)
    seen = found.tested & bad
    assert found.outlier[seen].mean() > 0.97
    assert found.outlier[~bad].mean() < 0.002
    assert found.counts.sum() == found.outlier.sum()


def test_a_clean_season_keeps_its_looks(rng: np.random.Generator):
    """Four spreads: with normal noise about 6 looks in 100 000 by chance, were the spread known."""
    values, days = season(rng)
    assert leftovers(values, days).outlier.mean() < 1e-3


def test_two_hazy_looks_side_by_side(rng: np.random.Generator):
    """The second pass leaves the first one's outliers out of the line."""
    values, days = season(rng)
    values[15:17] += 0.15
    found = leftovers(values, days)
    assert found.outlier[15:17].mean() > 0.95
    assert found.outlier[[13, 14, 17, 18]].mean() < 0.02


def test_a_steady_season_does_not_flag_its_own_noise(rng: np.random.Generator):
    """Noise of 0.001 and a look 0.03 away: under four times the smallest spread of 0.015."""
    days = np.arange(0, 180, 5)
    values = rng.normal(0.2, 0.001, (days.size, 20, 20))
    values[12] += 0.03
    assert not leftovers(values, days).outlier.any()
    assert leftovers(values, days, smallest_spread=0.002).outlier[12].all()


def test_lasting_change_passes(rng: np.random.Generator):
    """A fire scar darkens the ground for good: its looks agree with each other."""
    values, days = season(rng)
    values[18:] -= 0.06
    assert leftovers(values, days).outlier[20:].mean() < 0.01


def test_few_neighbours_pass_untested(rng: np.random.Generator):
    values, days = season(rng)
    values[4:] = np.nan
    values[2] += 1
    found = leftovers(values, days)
    assert not found.tested.any()
    assert not found.outlier.any()
    everything_masked = leftovers(np.full((5, 2, 2), np.nan), np.arange(5))
    assert not everything_masked.outlier.any()


def test_two_sensors_on_one_day():
    """Looks of the same day give no slope between them, and no division by zero."""
    days = np.array([0, 0, 5, 5, 10, 10])
    values = np.full((6, 1, 1), 0.2)
    values[2] = 0.9
    found = leftovers(values, days)
    assert found.outlier[:, 0, 0].tolist() == [False, False, True, False, False, False]


def test_wrong_arguments_are_named():
    values = np.zeros((3, 2, 2))
    with pytest.raises(ValueError, match="must not decrease"):
        leftovers(values, np.array([3, 2, 1]))
    with pytest.raises(ValueError, match=r"\(time, y, x\)"):
        leftovers(values, np.arange(4))
    with pytest.raises(ValueError, match="above zero"):
        leftovers(values, np.arange(3), threshold=0)


def test_rows_in_parts_are_the_rows_at_once(
    rng: np.random.Generator, monkeypatch: pytest.MonkeyPatch
):
    """What is found of a pixel hangs on no other pixel."""
    values = rng.normal(0.2, 0.02, (14, 9, 5)).astype(np.float32)
    values[rng.random(values.shape) < 0.2] = np.nan
    values[rng.random(values.shape) < 0.1] += 0.2
    days = np.arange(14) * 5
    whole = leftovers(values, days)
    assert 10 < whole.outlier.sum() < whole.tested.sum()
    for some in (1, 14 * 5 * 2, 14 * 5 * 4):
        monkeypatch.setattr("afterrains.scenes.leftover._LOOKS_AT_ONCE", some)
        parts = leftovers(values, days)
        assert np.array_equal(parts.outlier, whole.outlier)
        assert np.array_equal(parts.tested, whole.tested)
