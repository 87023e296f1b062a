"""Anomalous accumulation against worked examples and by brute force."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from afterrains.rain.accumulation import (
    climate_seasons,
    daily_climatology,
    harmonic_ratio,
    largest_rise,
    two_largest_rises,
)


def _steps(*wet: tuple[int, int], wet_mm: float = 4.0, dry_mm: float = 0.1) -> np.ndarray:
    """A year of `dry_mm` a day with `wet_mm` on days first to last (1 = 1 January, inclusive)."""
    year = np.full(365, dry_mm)
    for first, last in wet:
        year[first - 1 : last] = wet_mm
    return year


def test_step_climatology_has_the_printed_extremes():
    """Computed apart with a few lines of numpy from the definition in Liebmann (2001)."""
    year = _steps((151, 270))
    accumulated = np.cumsum(year - year.mean())
    assert year.mean() == pytest.approx(1.38219, abs=5e-6)
    assert accumulated.min() == pytest.approx(-192.329, abs=5e-4)
    assert accumulated.max() == pytest.approx(121.808, abs=5e-4)
    assert (accumulated.argmin() + 1, accumulated.argmax() + 1) == (150, 270)

    (season,) = climate_seasons(year, 1)
    # The day after the minimum, and the day of the maximum: the "+1 convention".
    assert (season.first + 1, season.last + 1) == (151, 270)
    assert season.rise_mm == pytest.approx(192.329 + 121.808, abs=1e-3)


def test_harmonic_ratio_of_one_and_of_two_seasons():
    """Printed values computed apart with numpy's FFT."""
    assert harmonic_ratio(_steps((151, 270))) == pytest.approx(0.512, abs=5e-4)
    assert harmonic_ratio(_steps((76, 150), (291, 350))) == pytest.approx(3.225, abs=5e-4)


def test_harmonic_ratio_of_pure_waves():
    """By hand: amplitudes 1 and 3 give 3; a constant year has no harmonics at all."""
    turn = 2 * np.pi * np.arange(365) / 365
    assert harmonic_ratio(5 + np.cos(turn) + 3 * np.sin(2 * turn)) == pytest.approx(3)
    assert harmonic_ratio(np.full(365, 2.0)) == 0
    assert harmonic_ratio(5 + np.sin(2 * turn)) == np.inf


def test_two_seasons_of_the_step_climatology():
    """By construction: wet on days 76-150 and 291-350, and nowhere else above the mean."""
    first, second = climate_seasons(_steps((76, 150), (291, 350)), 2)
    assert (first.first + 1, first.last + 1) == (76, 150)
    assert (second.first + 1, second.last + 1) == (291, 350)


@pytest.mark.parametrize("shift", [0, 60, 120, 200, 300, 364])
def test_seasons_move_with_the_calendar(shift):
    """Turning the year round turns the seasons with it, across New Year too."""
    (one,) = climate_seasons(np.roll(_steps((151, 270)), shift), 1)
    assert one.first == (150 + shift) % 365
    assert one.last - one.first + 1 == 120
    two = climate_seasons(np.roll(_steps((76, 150), (291, 350)), shift), 2)
    assert sorted(season.first for season in two) == sorted(
        [(75 + shift) % 365, (290 + shift) % 365]
    )
    assert sorted(season.last - season.first + 1 for season in two) == [60, 75]


def test_two_seasons_with_noise_are_not_one_long_season_and_a_shower():
    """By construction, with a dry break inside the long rains: the 30-day mean looks over it."""
    year = _steps((60, 150), (280, 340))
    year[100:108] = 0.0
    first, second = climate_seasons(year, 2)
    assert (first.first + 1, first.last + 1) == (60, 150)
    assert (second.first + 1, second.last + 1) == (280, 340)


def test_only_one_or_two_seasons_are_known():
    with pytest.raises(ValueError, match="one or two rainy seasons"):
        climate_seasons(_steps((151, 270)), 3)


def _all_rises(anomaly: np.ndarray) -> dict[tuple[int, int], float]:
    return {
        (first, last): float(anomaly[first : last + 1].sum())
        for first in range(len(anomaly))
        for last in range(first, len(anomaly))
    }


_anomalies = st.lists(st.integers(-5, 5), min_size=2, max_size=12).map(
    lambda numbers: np.array(numbers, dtype=float)
)


@given(_anomalies)
def test_largest_rise_equals_trying_every_stretch(anomaly):
    """Brute force over all stretches."""
    first, last, rise = largest_rise(anomaly)
    every = _all_rises(anomaly)
    assert rise == max(every.values())
    assert every[first, last] == rise


@given(_anomalies)
def test_two_largest_rises_equal_trying_every_pair(anomaly):
    """Brute force over all pairs of stretches, one after the other."""
    early, late = two_largest_rises(anomaly)
    every = _all_rises(anomaly)
    best = max(
        one + two
        for (_, end), one in every.items()
        for (start, _), two in every.items()
        if start > end
    )
    assert early[1] < late[0]
    assert early[2] + late[2] == best
    assert every[early[:2]] == early[2]
    assert every[late[:2]] == late[2]


def test_climatology_leaves_gaps_out():
    """By hand: a slot read twice, one read once, the rest never."""
    rain = np.array([2.0, 4.0, np.nan, 7.0])
    mean = daily_climatology(rain, np.array([0, 0, 1, 1]))
    assert mean[:2].tolist() == [3.0, 7.0]
    assert np.isnan(mean[2:]).all()
