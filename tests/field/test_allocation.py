"""How places are shared out over strata."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from afterrains.field.allocation import LEAST_IN_STRATUM, allocate, floor_of, join_small


def test_allocation_of_olofsson_2014():
    """Table 5 and 8 of doi:10.1016/j.rse.2014.02.015: 75 for each class of change, rest by area.

    The paper rounds to fives (2.5), we to ones (.5): 75, 75, 165, 325.
    """
    pixels = [200_000, 150_000, 3_200_000, 6_450_000]
    given_out = allocate(pixels, 640, 75)
    assert given_out[:2].tolist() == [75, 75]
    assert given_out == pytest.approx([75, 75, 165, 325], abs=3)


@given(st.lists(st.integers(1, 5000), min_size=1, max_size=12), st.integers(0, 400))
def test_all_places_are_given_within_floor_and_size(sizes, more):
    """Whatever the strata: the sum is met, no stratum gets more than it has or less than the floor.

    Above the floor, shares go by size.
    """
    floor = 4
    places = int(np.minimum(sizes, floor).sum()) + more
    given_out = allocate(sizes, places, floor)
    assert given_out.sum() == min(places, sum(sizes))
    assert np.all(given_out <= sizes) and np.all(given_out >= np.minimum(sizes, floor))
    above = given_out > np.minimum(sizes, floor)
    units = np.array(sizes)[above]
    if units.size:
        # Rounding moves a share by less than 1, and so does each stratum that it left at the floor.
        exact = given_out[above].sum() * units / units.sum()
        assert np.abs(given_out[above] - exact).max() < 1 + (~above).sum()


def test_too_few_places_are_refused():
    with pytest.raises(ValueError, match="do not give each"):
        allocate([10, 10], 5, 3)
    with pytest.raises(ValueError, match="without units"):
        allocate([10, 0], 5, 1)


def test_floor_grows_with_the_sample():
    """Half the sample shared evenly, never under 3 nor over 50."""
    assert [floor_of(n, 4) for n in (12, 40, 400, 4000)] == [LEAST_IN_STRATUM, 5, 50, 50]


def test_small_strata_join_their_like():
    """By hand: five strata and places for three; the smallest go to the same class first."""
    groups = [
        ("sown", "more"), ("sown", "unchanged"), ("sown", "unchanged"), ("sown", "less"),
        ("control", "unchanged"),
    ]  # fmt: skip
    joined = join_small(groups, [50, 10, 100, 5, 3], 3 * LEAST_IN_STRATUM)
    assert len(set(joined)) == 3
    assert joined[4] not in joined[:4]  # a control is never joined with sown ground
    assert len(set(join_small(groups, [50, 10, 100, 5, 3], 100))) == 5
    assert len(set(join_small(groups, [50, 10, 100, 5, 3], 1))) == 2
