"""Conformal radii and the dissimilarity index against published or hand-worked figures."""

from __future__ import annotations

import math

import numpy as np
import pytest

from afterrains.woody.applicability import dissimilarity, find_domain
from afterrains.woody.conformal import conformal_radius, share_above

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
