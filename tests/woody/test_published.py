"""Conformal radii and the dissimilarity index against published or hand-worked figures."""

from __future__ import annotations

import math

import numpy as np
import pytest

from afterrains.woody.applicability import dissimilarity, find_domain
from afterrains.woody.conformal import conformal_radius, share_above
from afterrains.woody.fitting import find_stretch
from afterrains.woody.line import ErrorScale

# fmt: off
_RESIDUALS = np.array([
    0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.75, 0.8, 0.9, 1.0, 1.1, 1.2, 1.3, 1.5, 1.7, 1.9, 2.0, 2.4,
])
# fmt: on


def test_conformal_radius_is_the_kth_smallest():
    """By hand from Lei et al. 2018: k = ceil(20 * level), 18 and 19 of 19; not plain quantiles."""
    shuffled = np.random.default_rng(0).permutation(_RESIDUALS)
    assert conformal_radius(shuffled, 0.90) == 2.0
    assert conformal_radius(shuffled, 0.95) == 2.4
    assert np.quantile(_RESIDUALS, [0.90, 0.95]) == pytest.approx([1.92, 2.04])


@pytest.mark.parametrize(("level", "least"), [(0.90, 9), (0.95, 19), (0.99, 99)])
def test_fewest_residuals_for_a_level(level, least):
    """By hand: below them, k exceeds n."""
    assert math.isinf(conformal_radius(np.ones(least - 1), level))
    assert conformal_radius(np.ones(least), level) == 1.0


def test_dissimilarity_of_a_square():
    """By hand: corners' mean distance (4 + 2 sqrt 2) / 6 = 1.138071; .621320 and 1.242641."""
    corners = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0], [1.0, 1.0]])
    domain = find_domain(corners, np.ones(2), np.arange(4))
    # Standardising the corners (spread 0.5) doubles every distance; the index does not change.
    assert domain.mean_distance / 2 == pytest.approx(1.138071, abs=5e-7)
    found = dissimilarity(domain, np.array([[0.5, 0.5], [2.0, 2.0], [np.nan, 0.0]]))
    assert found[:2] == pytest.approx([0.621320, 1.242641], abs=5e-7)
    assert math.isnan(found[2])


def test_threshold_leaves_out_a_lone_outlier():
    """Meyer & Pebesma 2021: the largest index that is no outlier; by hand on a line."""
    points = np.append(np.arange(10.0), 100.0)[:, None]
    domain = find_domain(points, np.ones(1), np.arange(11))
    step = 1.0 * domain.factor[0] / domain.mean_distance
    assert domain.threshold == pytest.approx(step, rel=1e-6)


def test_an_unimportant_feature_does_not_make_ground_strange(rng):
    """Its weight is nought, whatever its values."""
    points = rng.normal(size=(50, 2))
    domain = find_domain(points, np.array([1.0, 0.0]), np.arange(50) % 5)
    strange = points[:3].copy()
    strange[:, 1] = 1e6
    np.testing.assert_allclose(dissimilarity(domain, strange), 0.0, atol=1e-6)


def test_share_above_follows_a_known_distribution():
    """Normal scores: the chance that N(8, 2) reaches 10 is .1587."""
    scores = np.random.default_rng(1).normal(size=20_000)
    found = share_above(np.array([8.0, np.nan]), np.array([2.0, 2.0]), scores, 10.0)
    assert found[0] == pytest.approx(0.1587, abs=0.01)  # 20,000 draws
    assert math.isnan(found[1])


def test_places_count_alike_in_a_conformal_radius():
    """By hand: nine places, so every one is needed for 90 %; of 19 places the 18th for 90 %, though
    one place holds a hundred plots with the smallest errors.
    """
    assert conformal_radius(np.arange(1.0, 10.0), 0.90, np.arange(9)) == 9.0
    assert math.isinf(conformal_radius(np.arange(1.0, 9.0), 0.90, np.arange(8)))
    scores = np.concatenate([np.full(100, 0.5), np.arange(1.0, 19.0)])
    place = np.concatenate([np.zeros(100, int), np.arange(1, 19)])
    assert conformal_radius(scores, 0.90, place) == 17.0
    assert conformal_radius(scores, 0.90) == 8.0  # the 108th of 118: each plot a place


def test_a_plot_in_a_new_place_lies_inside_as_often_as_promised(rng):
    """Simulation: plots of a place share half of their variance; 12 places, and one that is new."""
    place = np.repeat(np.arange(12), 8)
    inside, plain = [], []
    for _ in range(1500):
        shared = rng.normal(size=13)
        sizes = np.abs(shared[:12][place] + rng.normal(size=96))
        new = abs(shared[12] + rng.normal())
        inside.append(new <= conformal_radius(sizes, 0.90, place))
        plain.append(new <= conformal_radius(sizes, 0.90))
    error = 3 * np.sqrt(0.9 * 0.1 / 1500)
    assert np.mean(inside) > 0.90 - error
    assert np.mean(inside) > np.mean(plain)


def test_stretch_is_the_reduced_major_axis():
    """By hand, equal weights: the slope is the ratio of spreads, and means meet (Smith 2009)."""
    observed = np.array([2.0, 4.0, 9.0, 17.0])
    found = find_stretch(5 + 0.8 * observed, observed, ErrorScale(1.0, 0.0))
    assert (found.slope, found.offset) == pytest.approx((0.8, 5.0))
    np.testing.assert_allclose(found.at(5 + 0.8 * observed), observed)
    noisy = np.array([3.0, 6.0, 7.0, 16.0])
    again = find_stretch(noisy, observed, ErrorScale(1.0, 0.0))
    assert again.slope == pytest.approx(noisy.std() / observed.std())
    assert again.at(noisy).mean() == pytest.approx(observed.mean())
    # Predictions that spread more than what was seen are left as they are.
    assert find_stretch(2 * observed, observed, ErrorScale(1.0, 0.0)).slope == 1.0
