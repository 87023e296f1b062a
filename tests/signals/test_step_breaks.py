"""Steps and sudden losses against the Nile record, scipy and simulations with known truth."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from contextlib import AbstractContextManager

import numpy as np
import pytest
import scipy.stats
import statsmodels.api as sm
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.typing import NDArray
from statsmodels.stats.diagnostic import breaks_cusumolsresid

from afterrains.signals.breaks import level_step, strongest_break, sudden_losses


@pytest.fixture(scope="module")
def nile() -> np.ndarray:
    """Yearly flow of the Nile at Aswan, 1871-1970, as statsmodels carries it."""
    return sm.datasets.nile.load_pandas().data["volume"].to_numpy(float)


def test_nile_falls_after_1898(nile: np.ndarray) -> None:
    """The break that the whole literature finds, e.g. Zeileis et al. 2003: after 1898.

    The peak of the OLS-CUSUM process, statsmodels', lies there too.
    """
    found = level_step(nile)
    deviations = np.cumsum(nile - nile.mean())
    assert breaks_cusumolsresid(nile - nile.mean(), ddof=1)[0] == pytest.approx(2.951766, abs=5e-7)
    assert 1871 + np.abs(deviations).argmax() == 1898
    assert 1871 + found.first_after == 1899
    assert found.shift == pytest.approx(nile[28:].mean() - nile[:28].mean(), rel=1e-6)  # float32
    assert found.beats_line
    t_test = scipy.stats.ttest_ind(nile[:28], nile[28:]).pvalue
    assert found.p_value == pytest.approx(97 * t_test, rel=1e-5)  # float32; 97 splits


@settings(deadline=None)
@given(
    arrays(
        np.float64,
        st.tuples(st.integers(1, 3), st.integers(1, 12)),
        elements=st.one_of(st.floats(-1, 1, width=16), st.just(np.nan)),
    )
)
def test_step_is_the_split_with_the_smallest_t_test_p_value(values: NDArray[np.float64]) -> None:
    """Property: scipy's two-sample t-test at every split, gaps left out; the least p wins."""
    found = level_step(values)
    for r, row in enumerate(values):
        at = np.flatnonzero(np.isfinite(row))
        known = row[at]
        if known.size < 5 or np.ptp(known) == 0:
            assert found.first_after[r] == -1 and np.isnan(found.p_value[r])
            continue
        splits = range(2, known.size - 1)
        spread = [
            sum(((part - part.mean()) ** 2).sum() for part in (known[:k], known[k:]))
            for k in splits
        ]
        chosen = int((at < found.first_after[r]).sum())
        assert spread[chosen - 2] <= min(spread) + 1e-12
        before, after = known[:chosen], known[chosen:]
        assert found.shift[r] == pytest.approx(after.mean() - before.mean(), abs=1e-6)
        if min(spread) > 1e-9:  # else p is 0 up to rounding
            with warnings.catch_warnings():  # scipy's own, where one side is constant
                warnings.simplefilter("ignore", RuntimeWarning)
                p_value = scipy.stats.ttest_ind(before, after).pvalue
            # Float32 result.
            assert found.p_value[r] == pytest.approx(min(1, len(splits) * p_value), rel=1e-4)


@pytest.mark.parametrize("n", [5, 8, 12, 24])
def test_steady_series_are_seldom_called_broken(n: int, rng: np.random.Generator) -> None:
    """Simulation, no step: at most 5 % below .05 (and not none, which would be a dead test)."""
    p_value = level_step(rng.normal(size=(20_000, n))).p_value
    # Three standard errors of a share of .05 in 20 000.
    assert 0.01 < (p_value < 0.05).mean() < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 20_000)


def test_slow_growth_is_told_from_a_step(rng: np.random.Generator) -> None:
    """Simulation: 40 SD over 12 seasons in a line, or at once after the sixth."""
    noise = rng.normal(size=(200, 12))
    line = level_step(noise + 40 * np.linspace(0, 1, 12))
    step = level_step(noise + 40 * (np.arange(12) >= 6))
    assert not line.beats_line.any() and step.beats_line.all()
    assert (line.p_value < 0.05).all()  # a step fits a line badly, but far better than no change
    assert (step.first_after == 6).all()


def test_break_of_a_cube_is_lazy_and_equals_eager(
    rng: np.random.Generator, computing_forbidden: Callable[[], AbstractContextManager[None]]
) -> None:
    cube = xr.DataArray(rng.normal(size=(9, 5, 6)).astype("f4"), dims=("time", "y", "x"))
    with computing_forbidden():
        lazy = strongest_break(cube.chunk(y=2, x=3))
    eager = strongest_break(cube)
    assert lazy["shift"].chunks is not None
    xr.testing.assert_identical(lazy.compute(), eager)
    assert [eager[name].dtype for name in eager] == [np.int16, np.float32, np.float32, bool]
    with pytest.raises(ValueError, match='"time" is split into 3 chunks'):
        strongest_break(cube.chunk(time=3))


def test_a_fire_is_found_and_ground_that_stays_low_is_one_loss() -> None:
    """By hand: five steady seasons (mean .30, SD .01), then .10 for two, then .30 again.

    t = .20 / (.01 sqrt(1 + 1/5)) = 18.257 on 4 degrees of freedom.
    """
    steady = [0.30, 0.29, 0.31, 0.29, 0.31]
    found = sudden_losses(np.array([*steady, 0.10, np.nan, 0.10, 0.30, 0.30]))
    (loss,) = found
    assert (loss.position, loss.expected) == (5, pytest.approx(0.30))
    assert loss.drop == pytest.approx(0.20)
    assert loss.p_value == pytest.approx(scipy.stats.t.sf(0.2 / (0.01 * np.sqrt(1.2)), 4))
    assert sudden_losses(np.array([*steady, 0.10, 0.30, 0.29, 0.10]))[1].position == 8
    assert sudden_losses(np.array([*steady, 0.50])) == ()  # a rise is no loss


def test_steady_polygons_seldom_show_a_loss(rng: np.random.Generator) -> None:
    """Simulation: 3000 steady series of 12 seasons, error rate 5 % over all of them."""
    share = np.mean(
        [bool(sudden_losses(row, error_rate=0.05)) for row in rng.normal(size=(3000, 12))]
    )
    # Three standard errors of a share of .05 in 3000.
    assert 0.03 < share < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 3000)


def test_mistakes_of_the_caller_are_named() -> None:
    with pytest.raises(ValueError, match="error_rate is 5; it lies between 0 and 1"):
        sudden_losses(np.zeros(9), error_rate=5)
    with pytest.raises(ValueError, match="a spread needs at least 3 values"):
        sudden_losses(np.zeros(9), before=2)
