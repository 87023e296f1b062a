"""Radar power: averages before decibels, medians of enough dates."""

from __future__ import annotations

import numpy as np
import pytest

from afterrains.signals.backscatter import LEAST_DATES, decibels, power_median


def test_averages_are_taken_in_power():
    """By hand: the mean of .05 and .01 is .03, -15.229 dB; that of their decibels is -16.505."""
    power = np.array([0.05, 0.01])
    assert decibels(power.mean()) == pytest.approx(-15.229, abs=5e-4)
    assert decibels(power).mean() == pytest.approx(-16.505, abs=5e-4)


def test_decibels_of_no_power_are_missing():
    np.testing.assert_array_equal(
        decibels(np.array([1.0, 0.1, 0.0, -0.2, np.nan, np.inf])),
        [0.0, -10.0, np.nan, np.nan, np.nan, np.nan],
    )


def test_median_by_hand():
    """Five dates of four pixels: fill, zero and negative numbers are no dates."""
    stack = np.array(
        [
            [[0.01, 0.01, 0.01, np.nan]],
            [[0.05, 0.05, 0.05, 0.02]],
            [[0.02, 0.02, 0.02, 0.02]],
            [[0.04, 0.04, -1.0, 0.02]],
            [[0.03, 0.00, 0.03, 0.02]],
        ],
        np.float32,
    )
    median, count = power_median(stack, least=4)
    np.testing.assert_array_equal(count, [[5, 4, 4, 4]])
    np.testing.assert_allclose(median, [[0.03, 0.03, 0.025, 0.02]], rtol=1e-6)
    median, _ = power_median(stack, least=5)
    np.testing.assert_array_equal(np.isfinite(median), [[True, False, False, False]])


def test_median_matches_numpy(rng):
    """Agrees with numpy.nanmedian, which shares no code with ours."""
    stack = rng.gamma(4, 0.005, (9, 6, 7)).astype(np.float32)
    stack[rng.random(stack.shape) < 0.3] = np.nan
    median, count = power_median(stack)
    enough = count >= LEAST_DATES
    assert 0 < enough.mean() < 1
    np.testing.assert_allclose(median[enough], np.nanmedian(stack, axis=0)[enough], rtol=1e-6)
    assert np.isnan(median[~enough]).all()
