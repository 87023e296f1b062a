"""The interval of cost over hectares: against the textbook, by hand, and by its own coverage."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from afterrains.choices.ratio import part_of_sum, ratio_of_sums


def test_by_hand() -> None:
    """Costs 10, 20, 30 and hectares 1, 0, 2: R = 60 / 3 = 20.

    Residuals 10 - 20, 20 - 0, 30 - 40 = -10, 20, -10: mean 0, variance 600 / 2 = 300.
    Standard error of the mean sqrt(300 / 3) = 10, over the mean cost 20: 0.5 on the logarithm.
    t for 2 degrees of freedom and 95 % is 4.303 (any table): 20 exp(-+ 2.1515).
    """
    told = ratio_of_sums(np.array([10.0, 20.0, 30.0]), np.array([1.0, 0.0, 2.0]))
    assert told.value == pytest.approx(20)
    assert told.low == pytest.approx(20 * np.exp(-2.1515), rel=1e-3)
    assert told.high == pytest.approx(20 * np.exp(2.1515), rel=1e-3)


def test_standard_error_is_that_of_the_jackknife_in_large_samples(rng: np.random.Generator) -> None:
    """Cochran (1977) gives both for a ratio; the jackknife, from scipy-free definition, agrees.

    The two differ by terms of order 1/n: 3 % is ample for 400 sites.
    """
    area = rng.lognormal(2.3, 0.4, 400)
    cost = area * rng.lognormal(9.8, 0.25, 400)
    hectares = area * (rng.random(400) < 0.4)
    told = ratio_of_sums(cost, hectares)
    without = (cost.sum() - cost) / (hectares.sum() - hectares)
    jackknife = np.sqrt(399 / 400 * ((without - without.mean()) ** 2).sum())
    ours = np.log(told.high / told.value) / stats.t.isf(0.025, 399) * told.value
    assert ours == pytest.approx(jackknife, rel=0.03)


@pytest.mark.parametrize(("sites", "share"), [(6, 0.3), (13, 0.3), (30, 0.6)])
def test_it_covers_the_truth(rng: np.random.Generator, sites: int, share: float) -> None:
    """Invented sites of known price: 95 % within, error of 500 draws about 1 %; 92 % is the floor.

    Draws in which nothing gained have no price and are left out, as in use.
    """
    inside = draws = 0
    truth = np.exp(9.8 + 0.25**2 / 2) / share
    for _ in range(500):
        area = rng.lognormal(2.3, 0.4, sites)
        cost = area * rng.lognormal(9.8, 0.25, sites)
        hectares = area * (rng.random(sites) < share)
        if hectares.any():
            told = ratio_of_sums(cost, hectares)
            draws += 1
            inside += told.low <= truth <= told.high
    assert 0.92 <= inside / draws <= 0.985


def test_what_cannot_be_said_is_missing() -> None:
    """Nothing gained: no price. Two sites: a price without an interval."""
    none = ratio_of_sums(np.array([1.0, 2.0, 3.0]), np.zeros(3))
    assert np.isnan([none.value, none.low, none.high]).all()
    two = ratio_of_sums(np.array([10.0, 20.0]), np.array([1.0, 2.0]))
    assert two.value == 10
    assert np.isnan([two.low, two.high]).all()


def test_a_price_that_is_the_same_everywhere_has_no_spread() -> None:
    """Each hectare cost 7 and gained: the interval is the price."""
    area = np.array([1.0, 2.0, 5.0])
    told = ratio_of_sums(7 * area, area)
    assert (told.low, told.value, told.high) == pytest.approx((7, 7, 7))


def test_a_part_stays_within_its_whole() -> None:
    """4 sites of 10 ha, 2 gained: a share of .5, standard error sqrt(100 / 3) / 2 / 10 = .2887.

    On the log-odds .2887 / .25 = 1.155, times t (3 degrees of freedom, 95 %) 3.182 = 3.675:
    the share lies between 1 / (1 + e^3.675) = .0247 and .9753.
    """
    area = np.full(4, 10.0)
    told = part_of_sum(np.array([10.0, 10.0, 0.0, 0.0]), area)
    assert told.value == 20
    assert (told.low, told.high) == pytest.approx((0.988, 39.012), abs=2e-3)
    assert np.isnan(part_of_sum(area, area).high)


def test_the_part_covers_the_truth(rng: np.random.Generator) -> None:
    """13 invented sites of which 40 % of the ground gains: 95 % within, floor 92 %."""
    inside = 0
    for _ in range(500):
        area = rng.lognormal(2.3, 0.4, 13)
        told = part_of_sum(area * (rng.random(13) < 0.4), area)
        inside += told.low <= 0.4 * area.sum() <= told.high
    assert 0.92 <= inside / 500 <= 0.985


def test_broken_pairs_are_refused() -> None:
    """A cost without its hectares is a mistake of ours."""
    with pytest.raises(ValueError, match="one finite pair a site"):
        ratio_of_sums(np.array([1.0, np.nan]), np.array([1.0, 1.0]))
