"""Classes of change over a map: false discoveries, specks, missing pixels."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm
from statsmodels.stats.multitest import fdrcorrection

from afterrains.signals.patches import classes


def test_pixels_are_those_that_statsmodels_rejects(rng: np.random.Generator) -> None:
    """With patches of one pixel: Benjamini-Hochberg of statsmodels, which shares no code."""
    change = np.where(np.arange(400).reshape(20, 20) < 60, 4.0, 0.0) + rng.normal(size=(20, 20))
    p_value = 2 * norm.sf(np.abs(change))
    found = classes(p_value, change, least_patch=1)
    rejected = fdrcorrection(p_value.ravel(), 0.05)[0].reshape(20, 20)
    np.testing.assert_array_equal(found > 0, rejected)
    np.testing.assert_array_equal(found == 2, rejected & (change < 0))


def test_specks_and_corners_are_no_patch() -> None:
    """By hand: four pixels in a row, five touching at a corner only, five in a row, one missing."""
    p_value = np.ones((6, 12))
    p_value[0, :4] = p_value[2, :3] = p_value[3, 3:5] = p_value[5, 2:7] = 1e-9
    p_value[5, 11] = np.nan
    found = classes(p_value, np.full((6, 12), -1.0))
    assert np.isnan(found[5, 11])
    assert np.flatnonzero(found.ravel() == 2).tolist() == [62, 63, 64, 65, 66]
    assert np.nansum(found) == 10


@pytest.mark.parametrize("values", [np.full((3, 3), np.nan), np.ones((3, 3))], ids=["none", "dull"])
def test_nothing_known_or_nothing_found(values: np.ndarray) -> None:
    """Missing stays missing; p-values of 1 are unchanged."""
    found = classes(values, values)
    np.testing.assert_array_equal(found, np.where(np.isnan(values), np.nan, 0))
