"""Doubts that many looks together raise."""

from __future__ import annotations

import numpy as np
import pytest

from afterrains.scenes.doubts import always_clouded, shifted_dates

# blue, green, red, near infrared, short-wave infrared of dry ground
GROUND = np.array([0.08, 0.12, 0.18, 0.26, 0.34])


def year(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    days = np.arange(0, 365, 10)
    return GROUND + rng.normal(0, 0.006, (days.size, 5)), days


def test_forgotten_and_doubled_offsets_are_found(rng: np.random.Generator):
    """ESA baseline 04.00: the offset is 0.1 in reflectance, in every band."""
    levels, days = year(rng)
    levels[7] += 0.1
    levels[20] -= 0.1
    found = shifted_dates(levels, days)
    assert found[7] == 0.1
    assert found[20] == -0.1
    assert np.count_nonzero(found) == 2


def test_haze_fire_and_green_up_are_no_shift(rng: np.random.Generator):
    """Haze brightens blue most, fire darkens unevenly, leaves part red from near infrared."""
    levels, days = year(rng)
    levels[5] += [0.14, 0.12, 0.10, 0.06, 0.02]
    levels[15] += [-0.02, -0.04, -0.08, -0.13, -0.10]
    levels[25] += [-0.03, -0.02, -0.08, 0.14, -0.08]
    assert not shifted_dates(levels, days).any()


def test_dates_without_enough_ground_are_passed_over(rng: np.random.Generator):
    levels, days = year(rng)
    levels[::2] = np.nan
    levels[9] += 0.1
    assert np.flatnonzero(shifted_dates(levels, days)).tolist() == [9]
    assert not shifted_dates(levels[:1], days[:1]).any()
    with pytest.raises(ValueError, match="three bands"):
        shifted_dates(levels[:, :2], days)


def test_bright_soil_taken_for_cloud(rng: np.random.Generator):
    """Known truth: clouds on a third of 60 dates at random, one patch masked on nearly all."""
    covered = np.full((30, 30), 60)
    masked = rng.binomial(60, 0.33, (30, 30))
    masked[10:14, 10:14] = rng.binomial(60, 0.95, (4, 4))
    found = always_clouded(masked, covered)
    patch = np.zeros_like(found)
    patch[10:14, 10:14] = True
    assert np.array_equal(found, patch)


def test_cloudy_everywhere_is_no_doubt(rng: np.random.Generator):
    """Where all ground is masked on most dates, no pixel stands out."""
    masked = rng.binomial(60, 0.9, (30, 30))
    assert not always_clouded(masked, np.full((30, 30), 60)).any()


def test_few_dates_say_nothing():
    masked = np.array([[5, 0, 0]])
    assert not always_clouded(masked, np.array([[5, 5, 5]])).any()
    with pytest.raises(ValueError, match="more often than it was covered"):
        always_clouded(np.array([3]), np.array([2]))
