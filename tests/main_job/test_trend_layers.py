"""The trend raster of a block: its slope, and sudden loss with its season."""

from __future__ import annotations

import numpy as np
import pytest

from afterrains.stages.maps import trend_layers

_YEARS = np.arange(2016.0, 2026.0)


@pytest.fixture
def block(rng: np.random.Generator) -> np.ndarray:
    """Ten dry seasons of a steady block with noise of 0.01, in which two years were wet for all."""
    cube = rng.normal(0.20, 0.01, (10, 40, 40)).astype(np.float32)
    cube[6:8] += 0.08
    return cube


def test_a_cleared_patch_is_a_sudden_loss_of_its_season(block: np.ndarray) -> None:
    """Known truth: 64 pixels lose 0.1 from 2021 on, 36 gain it from 2019; one lone pixel falls."""
    block[5:, 4:12, 4:12] -= 0.1
    block[3:, 20:26, 20:26] += 0.1
    block[5:, 35, 35] -= 0.1
    block[:, 0, 0] = np.nan
    _, _, count, season, kind = trend_layers(block, _YEARS, _YEARS)
    assert (kind[4:12, 4:12] == 2).mean() > 0.95
    assert (season[4:12, 4:12] == 2021).mean() > 0.9
    assert (kind[20:26, 20:26] == 1).mean() > 0.95
    assert (season[20:26, 20:26] == 2019).mean() > 0.9
    assert kind[35, 35] == 0
    elsewhere = np.ones((40, 40), dtype=bool)
    elsewhere[3:13, 3:13] = elsewhere[19:27, 19:27] = elsewhere[0, 0] = False
    assert (kind[elsewhere] == 0).mean() > 0.99
    assert np.isnan([kind[0, 0], season[0, 0]]).all()
    assert count[0, 0] == 0


def test_a_drought_that_all_ground_shares_is_no_loss(block: np.ndarray) -> None:
    """All of the block falls by 0.1 from 2021 on; nothing fell against its neighbours."""
    block[5:] -= 0.1
    assert np.nanmax(trend_layers(block, _YEARS, _YEARS)[4]) == 0


def test_slow_growth_is_no_step(block: np.ndarray) -> None:
    """A patch that grows by 0.02 a year has a slope of that, and a line explains it better."""
    block[:, 4:12, 4:12] += (0.02 * np.arange(10, dtype=np.float32))[:, None, None]
    slope, p_value, _, _, kind = trend_layers(block, _YEARS, _YEARS)
    # Two wet years among the last four tilt the slope a little.
    assert np.median(slope[4:12, 4:12]) == pytest.approx(0.02, abs=0.006)
    assert np.median(p_value[4:12, 4:12]) < 0.01
    assert (kind[4:12, 4:12] > 0).mean() < 0.1
