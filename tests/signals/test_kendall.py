"""Kendall tests of one series against published examples, scipy and pymannkendall."""

from __future__ import annotations

import numpy as np
import pymannkendall
import pytest
import scipy.stats
import statsmodels.api as sm

from afterrains.signals.kendall import mann_kendall, seasonal_kendall

# EPA (2009), Unified Guidance, example 14-10: one row a month, January first; years 1983 to 1985.
EPA_MONTHS = [
    (1.99, 2.01, 2.15),
    (2.10, 2.10, 2.17),
    (2.12, 2.17, 2.27),
    (2.12, 2.13, 2.23),
    (2.11, 2.13, 2.24),
    (2.15, 2.18, 2.26),
    (2.19, 2.25, 2.31),
    (2.18, 2.24, 2.32),
    (2.16, 2.22, 2.28),
    (2.08, 2.13, 2.22),
    (2.05, 2.08, 2.19),
    (2.08, 2.16, 2.22),
]
EPA_YEARS = np.array([1983.0, 1984.0, 1985.0])
# The same guidance, example 17-6: sulphate, with ties.
EPA_SULPHATE = [
    *(480, 450, 490, 520, 485, 510, 510, 530, 510, 560, 560, 540, 590, 550, 600),
    *(700, 570, 610, 650, 620, 830, 720, 590),
]


@pytest.fixture(scope="module")
def nile() -> np.ndarray:
    """Yearly flow of the Nile at Aswan, 1871-1970, as statsmodels carries it."""
    return sm.datasets.nile.load_pandas().data["volume"].to_numpy(float)


def test_epa_example_with_ties() -> None:
    """S 194, variance 1428, z 5.107322, p 3.2676e-7 (help of the R package EnvStats)."""
    found = mann_kendall(np.array(EPA_SULPHATE, float))
    assert (found.n, found.s, found.variance) == (23, 194, 1428.0)
    assert found.z == pytest.approx(5.107322, abs=5e-7)
    assert found.p_value == pytest.approx(3.2676e-7, rel=5e-5)
    assert found.method == "normal"


def test_nile(nile: np.ndarray) -> None:
    """Z -4.128, p 3.66e-5 (pymannkendall 1.4.3)."""
    found = mann_kendall(nile)
    assert found.z == pytest.approx(-4.128, abs=5e-4)
    assert found.p_value == pytest.approx(3.66e-5, rel=1e-3)  # printed to three digits


def test_short_series_equals_scipys_exact_tau(rng: np.random.Generator) -> None:
    """scipy.stats.kendalltau, exact; a missing season is skipped."""
    series = rng.normal(size=11)
    series[4] = np.nan
    known = series[np.isfinite(series)]
    expected = scipy.stats.kendalltau(np.arange(10), known, method="exact").pvalue
    found = mann_kendall(series)
    assert (found.method, found.n) == ("exact", 10)
    assert found.p_value == pytest.approx(expected, rel=1e-12)


def test_seasonal_example() -> None:
    """S 35, variance 43, z 5.184951, p 2.1607e-7, slope .06 (help of the R package EnvStats)."""
    found = seasonal_kendall(np.array(EPA_MONTHS).T, EPA_YEARS)
    assert (found.n, found.s) == (36, 35)
    assert found.variance == pytest.approx(43.0)
    assert found.z == pytest.approx(5.184951, abs=5e-7)
    assert found.p_value == pytest.approx(2.1607e-7, rel=5e-5)
    assert found.slope == pytest.approx(0.06)


def test_three_years_are_not_thirty_six_witnesses() -> None:
    """Hirsch and Slack's covariance: variance 505, z 1.5575, p .1194 (pymannkendall 1.4.3)."""
    found = seasonal_kendall(np.array(EPA_MONTHS).T, EPA_YEARS, seasons_correlated=True)
    assert found.variance == pytest.approx(505.0)
    assert found.z == pytest.approx(1.5575, abs=5e-5)
    assert found.p_value == pytest.approx(0.1194, abs=5e-5)


def test_seasonal_test_equals_pymannkendall(rng: np.random.Generator) -> None:
    """With ties; with gaps too where seasons are independent (it drops whole years otherwise)."""
    values = np.round(rng.normal(size=(15, 4)).cumsum(axis=0), 1)
    years = np.arange(2001.0, 2016.0)
    expected = pymannkendall.correlated_seasonal_test(values.ravel(), period=4)
    found = seasonal_kendall(values, years, seasons_correlated=True)
    assert (found.s, found.variance) == (expected.s, pytest.approx(expected.var_s))
    values[rng.random(values.shape) < 0.2] = np.nan
    expected = pymannkendall.seasonal_test(values.ravel(), period=4)
    found = seasonal_kendall(values, years)
    assert found.s == expected.s
    assert found.slope == pytest.approx(expected.slope)


def test_mistakes_of_the_caller_are_named() -> None:
    with pytest.raises(ValueError, match="2 values; the test needs 3"):
        mann_kendall(np.array([1.0, np.nan, 2.0]))
    with pytest.raises(ValueError, match=r"values of shape \(3, 2\) for 2 years"):
        seasonal_kendall(np.zeros((3, 2)), np.arange(2.0))
    with pytest.raises(ValueError, match="years must increase strictly"):
        seasonal_kendall(np.zeros((2, 2)), np.zeros(2))
    with pytest.raises(ValueError, match="no season has two values"):
        seasonal_kendall(np.array([[1.0, np.nan], [np.nan, 1.0]]), np.arange(2.0))
