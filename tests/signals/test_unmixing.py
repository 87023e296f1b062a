"""Shares of ground: mixtures of known shares, scipy's solver, and what may not be unmixed."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import nnls

from afterrains.signals.unmixing import SURFACE_INDICES, SURFACES, ground_shares, unmix


def test_known_mixtures_are_found_again(rng):
    """Shares drawn, mixed linearly in five bands by four surfaces, and found to 1e-9."""
    surfaces = rng.uniform(0.02, 0.6, (4, 5))
    shares = rng.dirichlet(np.ones(4), (30, 7))
    np.testing.assert_allclose(unmix(shares @ surfaces, surfaces), shares, atol=1e-9)


@pytest.mark.parametrize(("count", "axes"), [(3, 2), (3, 6), (4, 6)])
def test_noisy_mixtures_agree_with_scipy(rng, count, axes):
    """scipy.optimize.nnls with the sum as one heavy row (Heinz & Chang 2001, section III).

    Values lie far outside the mixtures too, where one or two shares are nought.
    """
    surfaces = rng.uniform(0.0, 0.6, (count, axes))
    values = rng.uniform(-0.2, 0.9, (300, axes))
    ours = unmix(values, surfaces)
    heavy = 1e5
    design = np.vstack([surfaces.T, np.full(count, heavy)])
    theirs = np.array([nnls(design, np.append(row, heavy))[0] for row in values])
    np.testing.assert_allclose(ours, theirs, atol=2e-5)
    np.testing.assert_allclose(ours.sum(axis=-1), 1.0, atol=1e-12)
    assert ours.min() >= 0.0
    assert (ours == 0).any()
    assert ((ours > 0).sum(axis=1) == count).any()


def test_two_surfaces_by_hand():
    """Line from 0 to 1: .25 lies a quarter along, 1.4 beyond the end."""
    found = unmix(np.array([[0.25], [1.4], [-3.0]]), np.array([[0.0], [1.0]]))
    np.testing.assert_allclose(found, [[0.75, 0.25], [0, 1], [1, 0]], atol=1e-12)


def test_pure_ground_is_pure_and_greener_is_greener():
    """Each surface is itself; halfway between dead and green, half is green."""
    np.testing.assert_allclose(ground_shares(*SURFACE_INDICES.T), np.eye(3), atol=1e-9)
    middle = SURFACE_INDICES[1:].mean(axis=0)
    np.testing.assert_allclose(ground_shares(*middle[:, None])[0], [0, 0.5, 0.5], atol=1e-9)
    assert SURFACES == ("bare", "dead", "green")
    # NDVI .80 of a closed canopy and .11 of sand: (.40 - .04) / .44 and (.34 - .27) / .61.
    assert SURFACE_INDICES[:, 0] == pytest.approx([0.11475, 0.2, 0.81818], abs=1e-5)


def test_missing_stays_missing():
    """In either index; the others are not moved by it."""
    found = ground_shares(np.array([0.3, np.nan, 0.3]), np.array([0.2, 0.2, np.nan]))
    assert np.isnan(found[1:]).all()
    alone = ground_shares(np.array([0.3]), np.array([0.2]))
    # The order in which processors add differs with the number of rows, in the last digit.
    np.testing.assert_allclose(found[:1], alone, rtol=1e-14)


def test_what_has_no_single_answer_is_refused():
    """A surface midway between two others, and shapes that do not fit."""
    with pytest.raises(ValueError, match="mixture of others"):
        unmix(np.zeros((1, 2)), np.array([[0, 0], [1, 1], [0.5, 0.5]]))
    with pytest.raises(ValueError, match="surfaces of shape"):
        unmix(np.zeros((1, 3)), np.eye(2))
    with pytest.raises(ValueError, match="7 surfaces"):
        unmix(np.zeros((1, 9)), np.eye(7, 9))
