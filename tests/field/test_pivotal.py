"""The local pivotal method against what its paper promises, and sampling theory."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree

from afterrains.field import balanced_draw, local_pivotal, pivotal


def _imbalance(chosen: np.ndarray, x: np.ndarray, y: np.ndarray) -> float:
    """Stevens & Olsen 2004 (doi:10.1198/016214504000000250): spread of the Voronoi sums.

    Each unit belongs to the nearest one drawn; with equal chances the probabilities of those that
    belong to one drawn unit should sum to 1.
    """
    places = np.column_stack([x, y])
    nearest = cKDTree(places[chosen]).query(places)[1]
    sums = np.bincount(nearest, minlength=chosen.size) * (chosen.size / x.size)
    return float(((sums - 1) ** 2).mean())


def test_each_unit_keeps_its_inclusion_probability(rng):
    """Grafström et al. 2012, section 2: given probabilities are met exactly, the size is fixed.

    5,000 draws; a frequency may stray by 4.5 of its standard errors in any of 30 units.
    """
    p = np.array([0.1, 0.2, 0.3, 0.4, 0.5, 0.7, 0.8, 0.5, 0.25, 0.25] * 3)
    x, y = rng.uniform(size=(2, p.size))
    taken = np.zeros(p.size)
    for _ in range(5000):
        drawn = local_pivotal(p, x, y, rng)
        assert drawn.size == 12  # the sum of p
        taken[drawn] += 1
    error = np.sqrt(p * (1 - p) / 5000)
    assert np.abs(taken / 5000 - p).max() < 4.5 * error.max()
    assert np.all(np.abs(taken / 5000 - p) < 4.5 * error)


def test_of_two_units_one_is_taken(rng):
    """By hand: probabilities .3 and .7 give one unit, the first three times in ten."""
    drawn = [local_pivotal([0.3, 0.7], [0, 1], [0, 0], rng).tolist() for _ in range(4000)]
    assert all(len(each) == 1 for each in drawn)
    first = np.mean([each == [0] for each in drawn])
    assert first == pytest.approx(0.3, abs=4 * np.sqrt(0.21 / 4000))


def test_two_pairs_far_apart_give_one_each(rng):
    """By hand: mutual neighbours compete, so each pair gives exactly one."""
    for _ in range(200):
        drawn = local_pivotal([0.5] * 4, [0, 1, 100, 101], [0] * 4, rng)
        assert (drawn < 2).sum() == 1


def test_spread_is_far_better_than_simple_random(rng):
    """The paper's point: on a grid the imbalance is a fraction of that of simple random draws."""
    x, y = (each.ravel().astype(float) for each in np.meshgrid(np.arange(20), np.arange(20)))
    balanced = [_imbalance(balanced_draw(40, x, y, rng), x, y) for _ in range(60)]
    simple = [_imbalance(rng.choice(400, 40, replace=False), x, y) for _ in range(60)]
    assert np.mean(balanced) < 0.4 * np.mean(simple)


def test_units_in_one_place_and_certain_ones(rng):
    """Edges: probability 1 is always taken, 0 never, equal places do not stall."""
    drawn = local_pivotal([1, 0, 0.5, 0.5, 0.5, 0.5], [0] * 6, [0] * 6, rng)
    assert 0 in drawn and 1 not in drawn and drawn.size == 3
    assert balanced_draw(0, [1.0], [1.0], rng).size == 0
    assert balanced_draw(1, [1.0], [1.0], rng).tolist() == [0]
    assert local_pivotal([], [], [], rng).size == 0


def test_many_units_are_thinned_first_and_keep_their_chance(rng, monkeypatch):
    """Both steps together: 2,500 draws of 5 out of 50 by way of 20 candidates."""
    monkeypatch.setattr(pivotal, "_LEAST_CANDIDATES", 20)
    monkeypatch.setattr(pivotal, "_CANDIDATES_A_PLACE", 2)
    x, y = rng.uniform(size=(2, 50))
    taken = np.zeros(50)
    for _ in range(2500):
        drawn = balanced_draw(5, x, y, rng)
        assert drawn.size == 5
        taken[drawn] += 1
    assert np.abs(taken / 2500 - 0.1).max() < 4.5 * np.sqrt(0.09 / 2500)


def test_same_seed_same_draw():
    """Chance comes from the generator alone."""
    x, y = np.random.default_rng(1).uniform(size=(2, 300))
    first, second = (balanced_draw(30, x, y, np.random.default_rng(7)) for _ in range(2))
    np.testing.assert_array_equal(first, second)


@pytest.mark.parametrize(
    ("p", "x", "told"),
    [
        ([1.2], [0.0], "between 0 and 1"),
        ([0.5], [np.nan], "needs a place"),
        ([0.5, 0.5], [0.0], "one value for each"),
    ],
)
def test_wrong_arguments_are_refused(p, x, told, rng):
    with pytest.raises(ValueError, match=told):
        local_pivotal(p, x, np.zeros(len(x)), rng)
    with pytest.raises(ValueError, match="cannot be drawn"):
        balanced_draw(3, [0.0], [0.0], rng)
