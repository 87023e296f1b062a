"""How plausible each structure of the noise is before any record is seen."""

import numpy as np
import pytest

from afterrains.evidence.gap_series import GAP, RAMP, STEP, under_structures
from afterrains.evidence.structures import STRUCTURES, cross_products, whiteners


def plausible(noise, response, drift):
    """Prior of one structure."""
    place = STRUCTURES.noise_models.index(noise)
    chosen = (STRUCTURES.noise == place) & (STRUCTURES.response == response)
    (found,) = STRUCTURES.prior[chosen & (STRUCTURES.drift == drift)]
    return found


def test_priors_sum_to_one():
    """Of 7 kinds of noise, 4 sizes of response and 4 of drift."""
    assert STRUCTURES.count == 112
    assert STRUCTURES.prior.sum() == pytest.approx(1.0)
    assert (STRUCTURES.prior > 0).all()


def test_wandering_of_several_kinds_comes_together():
    """By hand from the lists: a drift's own odds are 0.21 : 0.42.

    They are taken 6 : 2 times beside two kinds, 1 : 2 beside none, 2 : 1 beside one.
    """
    slow, calm = (0.0, 0.55), (1.0, 0.0)
    for noise, response, times in ((slow, 0.5, 6 / 2), (calm, 0.0, 1 / 2), (slow, 0.1, 2 / 1)):
        odds = plausible(noise, response, 0.4) / plausible(noise, response, 0.0)
        assert odds == pytest.approx(0.21 / 0.42 * times)


def test_white_noise_without_drift_or_response_is_likelier_than_any_other_white_noise():
    """The plainest structure is the first guess where nothing is known."""
    white = STRUCTURES.noise == STRUCTURES.noise_models.index((1.0, 0.0))
    best = np.flatnonzero(white)[np.argmax(STRUCTURES.prior[white])]
    assert (STRUCTURES.response[best], STRUCTURES.drift[best]) == (0.0, 0.0)


def test_cross_products_under_a_structure_are_those_of_its_whole_covariance(rng):
    """The standard is dense algebra: the covariance written out and the level projected away.

    Structures are given out of order and one of them twice, as spreads of the variances share one.
    """
    seasons, given = 9, np.array([70, 3, 70, 111, 0])
    column = rng.normal(size=(2, seasons, 7))
    column[..., 0] = 1.0
    seen = np.ones((2, seasons), dtype=bool)
    inverse, _ = whiteners(STRUCTURES.noise_models, np.ones((2, seasons)), seen)
    found = under_structures(cross_products(inverse, column), given)
    lag = np.abs(np.subtract.outer(np.arange(seasons), np.arange(seasons)))
    for place, number in enumerate(given):
        white, correlation = STRUCTURES.noise_models[STRUCTURES.noise[number]]
        smooth = correlation**lag if correlation else np.eye(seasons)
        for site, (one, season, time) in enumerate(column[..., :3].transpose(0, 2, 1)):
            whole = white * np.eye(seasons) + (1 - white) * smooth
            whole = whole + STRUCTURES.response[number] * np.outer(season, season)
            whole = np.linalg.inv(whole + STRUCTURES.drift[number] * np.outer(time, time))
            free = whole - np.outer(whole @ one, whole @ one) / (one @ whole @ one)
            kept = [STEP, RAMP, GAP]
            expected = column[site][:, kept].T @ free @ column[site][:, kept]
            np.testing.assert_allclose(found[place, site][np.ix_(kept, kept)], expected, rtol=1e-9)
