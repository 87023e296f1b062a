"""Pixel trends against published examples, scipy and pymannkendall."""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import AbstractContextManager
from itertools import permutations

import numpy as np
import pandas as pd
import pymannkendall
import pytest
import scipy.stats
import statsmodels.api as sm
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.typing import NDArray

import afterrains.trend
from afterrains.signals.pairs import exact_p_values
from afterrains.signals.trend import decimal_years, robust_slope, slope_and_test

# EPA (2009), Statistical Analysis of Groundwater Monitoring Data, Unified Guidance, example 17-6:
# sulphate, with ties; numbers as printed in the help of the R package EnvStats.
EPA_YEARS = [
    *(89.6, 89.8, 90.1, 90.3, 90.6, 90.8, 91.1, 91.3, 91.6, 91.8, 92.1, 92.6, 93.1, 93.6, 94.1),
    *(94.6, 95.1, 95.6, 95.8, 96.1, 96.3, 96.6, 96.8),
]
EPA_SULPHATE = [
    *(480, 450, 490, 520, 485, 510, 510, 530, 510, 560, 560, 540, 590, 550, 600),
    *(700, 570, 610, 650, 620, 830, 720, 590),
]


def one(values: list[float], years: list[float]) -> tuple[float, float, int]:
    """Slope, p-value and n of a single series."""
    slope, p_value, n = slope_and_test(np.asarray(values, np.float64), np.asarray(years))
    return float(slope), float(p_value), int(n)


def test_sens_own_example() -> None:
    """Sen 1968: slope 4 at unequally spaced times (as tested in scipy and in R's deming)."""
    assert one([9, 15, 19, 20, 45, 55, 78], [1, 2, 3, 4, 10, 12, 18])[0] == 4.0


def test_epa_example_with_ties() -> None:
    """Slope 26.66667 and p 3.2676e-7 (S 194, variance 1428 with ties, z 5.107322)."""
    slope, p_value, n = one(EPA_SULPHATE, EPA_YEARS)
    assert slope == pytest.approx(26.66667, abs=5e-6)
    assert p_value == pytest.approx(3.2676e-7, rel=5e-5)
    assert n == 23


def test_hollander_and_wolfe_example() -> None:
    """Slope .5, from the help of R's statpsych; here x has ties, which dates cannot have.

    Ties are parted by a millionth of their unit, far below what moves the median slope.
    """
    y = np.array([21, 4, 9, 12, 35, 18, 10, 22, 24, 1, 6, 8, 13, 16, 19.0])
    x = np.array([67, 28, 30, 28, 52, 40, 25, 37, 44, 10, 14, 20, 28, 40, 51.0])
    order = np.argsort(x, kind="stable")
    dates = x[order] + 1e-6 * np.arange(15)
    expected = scipy.stats.theilslopes(y[order], dates).slope
    assert one(list(y[order]), list(dates))[0] == pytest.approx(expected, rel=1e-12)
    assert scipy.stats.theilslopes(y, x).slope == 0.5


def test_nile() -> None:
    """Nile flow (statsmodels): slope -2.6 (scipy), plain p 3.66e-5 (pymannkendall), n 100."""
    nile = sm.datasets.nile.load_pandas().data
    slope, p_value, n = one(list(nile["volume"]), list(nile["year"]))
    assert slope == pytest.approx(-2.6, abs=1e-12)
    assert p_value == pytest.approx(3.66e-5, rel=1e-3)  # printed to three digits
    assert n == 100


@pytest.mark.parametrize("n_times", [2, 3, 4, 5, 8, 9, 16, 23, 24, 25, 41, 60])
@pytest.mark.parametrize("kind", ["smooth", "tied", "wild", "line", "step"])
@pytest.mark.parametrize("width", [np.float32, np.float64])
def test_slope_equals_scipy(n_times: int, kind: str, width: type, rng: np.random.Generator) -> None:
    """scipy.stats.theilslopes on the same numbers, gaps left out; true dates, unevenly spaced."""
    years = 2001 + np.cumsum(rng.uniform(0.2, 1.5, n_times))
    noise = rng.normal(0.2, 0.05, (12, n_times))
    made = {
        "smooth": noise + 0.01 * years,
        "tied": np.round(noise, 2),
        "wild": rng.standard_cauchy((12, n_times)),
        "line": np.tile(0.3 * (years - 2001), (12, 1)),
        "step": noise + 0.5 * (years > np.median(years)),
    }[kind].astype(width)
    made[rng.random(made.shape) < 0.15] = np.nan
    slope, _, count = slope_and_test(made, years, min_valid=2)
    assert slope.dtype == width
    for row, got, n in zip(made, slope, count, strict=True):
        known = np.isfinite(row)
        assert n == known.sum()
        if n < 2:
            assert np.isnan(got)
            continue
        expected = scipy.stats.theilslopes(row[known].astype(np.float64), years[known]).slope
        # Single precision: each slope is rounded twice, the mean of the middle two may cancel.
        rounding = 1e-6 if width is np.float32 else 1e-11
        size = float(np.median(np.abs(row[known])))
        assert got == pytest.approx(expected, rel=rounding, abs=rounding * size)


@pytest.mark.parametrize("n_times", [5, 9, 24, 33])
def test_short_records_without_ties_have_the_exact_p_value(
    n_times: int, rng: np.random.Generator
) -> None:
    """scipy.stats.kendalltau with its exact method."""
    years = np.arange(2001.0, 2001 + n_times)
    values = rng.normal(0.2, 0.05, (20, n_times)) + 0.004 * np.arange(n_times)
    _, p_value, _ = slope_and_test(values, years)
    expected = [scipy.stats.kendalltau(years, row, method="exact").pvalue for row in values]
    np.testing.assert_allclose(p_value, expected, rtol=1e-12)


@pytest.mark.parametrize(("n", "smallest"), [(3, 1 / 3), (4, 1 / 12), (5, 1 / 60), (6, 1 / 360)])
def test_smallest_p_value_is_two_orders_in_all(n: int, smallest: float) -> None:
    """2/n!: with four seasons or fewer the test cannot reach .05."""
    _, p_value, _ = slope_and_test(np.arange(n, dtype=float), np.arange(n) + 2001.0, min_valid=2)
    assert p_value == pytest.approx(smallest)
    assert smallest == pytest.approx(2 / math.factorial(n))


@pytest.mark.parametrize(
    ("n_times", "kind"), [(9, "tied"), (24, "tied"), (41, "free"), (60, "tied")]
)
def test_long_and_tied_records_equal_pymannkendall(
    n_times: int, kind: str, rng: np.random.Generator
) -> None:
    """pymannkendall.original_test: normal approximation, variance corrected for ties."""
    values = rng.normal(0.2, 0.05, (20, n_times)) + 0.002 * np.arange(n_times)
    if kind == "tied":
        values = np.round(values, 1)
        values[:, -1] = values[:, 0]
    _, p_value, _ = slope_and_test(values, np.arange(n_times) + 2001.0)
    expected = [pymannkendall.original_test(row).p for row in values]
    np.testing.assert_allclose(p_value, expected, rtol=1e-9, atol=1e-15)


def test_exact_table_is_that_of_all_orders() -> None:
    """By counting all 120 orders of five values."""
    s = np.array(
        [
            sum(np.sign(b - a) for i, a in enumerate(o) for b in o[i + 1 :])
            for o in permutations(range(5))
        ]
    )
    for value in (0, 2, 4, 6, 8, 10):
        expected = min(1.0, (np.abs(s) >= value).mean()) if value else 1.0
        assert exact_p_values()[5, value] == pytest.approx(expected)


SERIES = arrays(
    np.float64,
    st.tuples(st.integers(1, 4), st.just(9)),
    elements=st.one_of(st.integers(-40, 40).map(lambda i: i / 64), st.just(np.nan)),
)


@settings(deadline=None)
@given(SERIES, st.integers(-8, 8), st.sampled_from([-4.0, -0.5, 0.25, 2.0]), st.integers(-3, 3))
def test_slope_follows_scale_shift_and_added_trend(
    values: NDArray[np.float64], shift: int, scale: float, trend: int
) -> None:
    """Property: slope(a y + b + c t) = a slope(y) + c; scale and shift leave p as it is."""
    years = np.arange(9.0)
    slope, p_value, n = slope_and_test(values, years)
    moved = slope_and_test(scale * values + shift + trend * years, years)
    np.testing.assert_allclose(moved[0], scale * slope + trend, atol=1e-12)
    scaled = slope_and_test(scale * values + shift, years)
    np.testing.assert_array_equal(scaled[1], p_value)
    np.testing.assert_array_equal(moved[2], n)


@settings(deadline=None)
@given(SERIES, st.randoms(use_true_random=False))
def test_pixels_do_not_know_each_other(values: NDArray[np.float64], random: object) -> None:
    """Property: in another order of pixels, each keeps its numbers, bit by bit."""
    order = np.random.default_rng(random.randint(0, 2**32)).permutation(len(values))  # type: ignore[attr-defined]
    years = np.arange(2001.0, 2010.0)
    for first, again in zip(
        slope_and_test(values, years), slope_and_test(values[order], years), strict=True
    ):
        np.testing.assert_array_equal(first[order], again)


def test_constant_series_have_no_trend() -> None:
    slope, p_value, n = one([0.2] * 9, list(range(2001, 2010)))
    assert (slope, p_value, n) == (0.0, 1.0, 9)


def test_dates_become_years() -> None:
    """By hand: 1 January is the whole year, 2 July 2021 (day 183 of 365) is 182/365 on."""
    dates = np.array(["2020-01-01", "2021-01-01", "2021-07-02", "2020-12-31"], "datetime64[ns]")
    expected = [2020, 2021, 2021 + 182 / 365, 2020 + 365 / 366]
    np.testing.assert_allclose(decimal_years(dates), expected, rtol=1e-15)
    np.testing.assert_array_equal(decimal_years(np.array([2021, 2022])), [2021.0, 2022.0])


def test_slope_is_per_year_whatever_the_spacing() -> None:
    """By hand: .02 a year, seen in three seasons a year and with one year without a look."""
    dates = pd.date_range("2015-01-01", "2021-01-01", freq="4MS")
    dates = dates[dates.year != 2018]
    values = 0.2 + 0.02 * (decimal_years(dates.to_numpy()) - 2015)
    cube = xr.DataArray(
        values[:, None, None], dims=("time", "y", "x"), coords={"time": dates}, name="ndvi"
    )
    assert robust_slope(cube)["slope"].item() == pytest.approx(0.02, rel=1e-9)


def test_cube_is_lazy_and_equals_eager(
    rng: np.random.Generator, computing_forbidden: Callable[[], AbstractContextManager[None]]
) -> None:
    """Chunks change when the work is done, never the answer; float32 stays float32."""
    cube = xr.DataArray(
        rng.normal(0.2, 0.05, (9, 7, 8)).astype(np.float32),
        dims=("time", "y", "x"),
        coords={"time": pd.date_range("2016-02-01", periods=9, freq="YS-FEB"), "x": range(8)},
    ).where(rng.random((9, 7, 8)) > 0.4)
    with computing_forbidden():
        lazy = afterrains.trend.robust_slope(cube.chunk(y=4, x=3))
    eager = robust_slope(cube)
    assert lazy["slope"].chunks is not None
    xr.testing.assert_identical(lazy.compute(), eager)
    assert eager["slope"].dtype == lazy["slope"].dtype == np.float32
    assert eager["n"].dtype == np.uint16 and eager["slope"].dims == ("y", "x")
    few = eager["n"] < 5
    assert (
        few.any() and eager["slope"].isnull().equals(few) and eager["p_value"].isnull().equals(few)
    )


def test_mistakes_of_the_caller_are_named() -> None:
    values, years = np.zeros((2, 5)), np.arange(5.0)
    with pytest.raises(ValueError, match="a slope needs at least 2 seasons"):
        slope_and_test(values, years, min_valid=1)
    with pytest.raises(ValueError, match="sort by time and merge equal dates"):
        slope_and_test(values, years[::-1])
    with pytest.raises(ValueError, match="5 values for 4 years"):
        slope_and_test(values, years[:4])
    with pytest.raises(TypeError, match="values are int64; give float32 or float64"):
        slope_and_test(values.astype(int), years)
    with pytest.raises(ValueError, match="5000 seasons are more than 4096"):
        slope_and_test(np.zeros((1, 5000)), np.arange(5000.0))
    cube = xr.DataArray(np.zeros((4, 1, 1)), dims=("time", "y", "x"), name="ndvi")
    with pytest.raises(ValueError, match=r'ndvi: "time" is split into 2 chunks'):
        robust_slope(cube.chunk(time=2))
