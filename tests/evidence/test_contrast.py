"""The contrast itself: kernels against reference programs, and a published panel."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import scipy.stats
import statsmodels.api as sm

from afterrains.evidence.contrast_gls import estimate_gains
from afterrains.evidence.gap_noise import standard_errors
from afterrains.evidence.gap_series import GapModel, GapSeries
from afterrains.evidence.gaps import site_levels
from afterrains.evidence.growth import RampGrowth, mixed, ramp
from afterrains.evidence.learning import Noise, odd_controls, tail_df
from afterrains.evidence.reach import smallest_trend_p
from afterrains.evidence.structures import DRIFT_SPAN, STRUCTURES, cross_products, sweep, whiteners

PACKS = Path(__file__).parent / "data" / "cigarette_packs.csv"
BENCHMARKS = Path(__file__).parents[2] / "benchmarks" / "evidence"


@pytest.fixture(scope="module")
def packs():
    """Cigarette packs per head, 39 states, 1970-2000: the Proposition 99 panel (Abadie, Diamond &
    Hainmueller 2010), one decimal as published; California taxed them from 1989 on.
    """
    return pd.read_csv(PACKS, index_col="year")


def structure(noise, response=0.0, drift=0.0):
    """Number of one structure of the grid."""
    models = list(STRUCTURES.noise_models)
    found = (
        (STRUCTURES.noise == models.index(noise))
        & (STRUCTURES.response == response)
        & (STRUCTURES.drift == drift)
    )
    return np.flatnonzero(found)


def known_noise(number, df=1e9, variance=1.0):
    """Noise of one structure with a variance taken as known."""
    one = np.ones(1)
    return Noise(number, one, variance * one, df * one, variance * one, df * one)


def test_white_noise_and_a_step_give_the_published_difference_in_differences(packs):
    """Proposition 99, equal weights: -27.349 packs (two programs agree on it)."""
    others = packs.drop(columns="California").mean(axis=1)
    gap = (packs["California"] - others).to_numpy()[None]
    after = (packs.index >= 1989).astype(float)[None]
    series = GapSeries(gap, np.zeros(31), after, after, after == 0, np.zeros(1))
    model = GapModel.of(np.ones((1, 31)), np.ones((1, 31), dtype=bool))
    gains = estimate_gains(model, series, known_noise(structure((1.0, 0.0))))
    assert gains.gain[0] == pytest.approx(-27.349, abs=5e-4)


def test_the_rival_synthetic_control_gives_the_published_weights(packs, monkeypatch):
    """Outcome-only: Utah .394, Montana .232, Nevada .205, Connecticut .109; mean gap -19.51."""
    monkeypatch.syspath_prepend(str(BENCHMARKS))
    spec = importlib.util.spec_from_file_location("rivals", BENCHMARKS / "rivals.py")
    rivals = importlib.util.module_from_spec(spec)
    monkeypatch.setitem(sys.modules, "rivals", rivals)
    spec.loader.exec_module(rivals)
    donors = packs.drop(columns="California")
    before = packs.index < 1989
    weights = rivals._weights(
        packs["California"].to_numpy()[before], donors.to_numpy().T[:, before]
    )
    named = dict(zip(donors.columns, weights, strict=True))
    expected = {"Utah": 0.394, "Montana": 0.232, "Nevada": 0.205, "Connecticut": 0.109}
    for state, weight in expected.items():
        assert named[state] == pytest.approx(weight, abs=1.5e-3)
    gap = packs["California"].to_numpy() - donors.to_numpy() @ weights
    assert gap[~before].mean() == pytest.approx(-19.51, abs=0.02)


def test_gain_and_error_agree_with_statsmodels_gls(rng):
    """One site, autocorrelated noise with a drift and a response: GLS with the full covariance."""
    seasons, before = 14, 8
    since = np.maximum(np.arange(seasons) - before + 1.0, 0)
    growth = RampGrowth(1, 4)
    step, grown = (since > 0).astype(float), ramp(since, growth)
    season, gap = rng.normal(size=seasons), rng.normal(size=seasons)
    scaled = (season - season.mean()) / season.std()
    lag = np.abs(np.subtract.outer(np.arange(seasons), np.arange(seasons)))
    time = np.arange(seasons) / DRIFT_SPAN
    covariance = 0.5 * np.eye(seasons) + 0.5 * 0.5**lag
    covariance += 0.5 * np.outer(scaled, scaled) + 0.4 * np.outer(time, time)
    curve = mixed(step, grown)
    fit = sm.GLS(gap, np.column_stack([np.ones(seasons), curve]), sigma=covariance).fit()

    series = GapSeries(gap[None], season, step[None], grown[None], (since == 0)[None], np.zeros(1))
    model = GapModel.of(np.ones((1, seasons)), np.ones((1, seasons), dtype=bool))
    noise = known_noise(structure((0.5, 0.5), 0.5, 0.4))
    gains = estimate_gains(model, series, noise)
    expected = scipy.stats.norm.sf(fit.params[1] / np.sqrt(fit.normalized_cov_params[1, 1]))
    assert gains.p_gain[0] == pytest.approx(expected, rel=1e-5)
    errors = standard_errors(noise, season, step, grown, before)
    assert errors[-1] == pytest.approx(np.sqrt(fit.normalized_cov_params[1, 1]), rel=1e-6)


def test_a_missing_season_is_as_if_it_had_never_been(rng):
    """Whitening with a season missing equals whitening the shorter record."""
    variance = rng.uniform(0.5, 2.0, size=(1, 7))
    seen = np.array([[True, True, False, True, True, True, True]])
    whole, logs = whiteners(((0.5, 0.5),), variance, seen)
    lag = np.abs(np.subtract.outer(np.arange(7), np.arange(7)))
    covariance = 0.5 * np.diag(variance[0]) + 0.5 * 0.5**lag
    kept = covariance[np.ix_(seen[0], seen[0])]
    value = np.where(seen[0], rng.normal(size=7), 0.0)
    products = cross_products(whole, value[None, :, None])[0, 0, 0, 0]
    direct = value[seen[0]] @ np.linalg.solve(kept, value[seen[0]])
    assert products == pytest.approx(direct, rel=1e-10)
    assert logs.sum() == pytest.approx(np.linalg.slogdet(kept)[1], rel=1e-10)


def test_a_swept_column_is_a_random_effect(rng):
    """Woodbury: sweeping equals adding its outer product to the covariance."""
    x, y, f = rng.normal(size=(3, 6))
    columns = np.column_stack([x, f, y])
    swept, logs = sweep((columns.T @ columns)[None], 1, 0.7)
    inverse = np.linalg.inv(np.eye(6) + 0.7 * np.outer(f, f))
    assert swept[0, 0, 2] == pytest.approx(x @ inverse @ y, rel=1e-10)
    assert logs[0] == pytest.approx(-np.linalg.slogdet(inverse)[1], rel=1e-10)


def test_levels_are_those_of_a_two_way_fit_with_gaps(rng):
    """20 % of the cells missing: least squares with site and season dummies."""
    values = rng.normal(size=(6, 1)) * 5 + rng.normal(size=9) * 3 + rng.normal(size=(6, 9))
    values[rng.random(values.shape) < 0.2] = np.nan
    site, season = np.nonzero(np.isfinite(values))
    dummies = np.column_stack([site[:, None] == np.arange(6), season[:, None] == np.arange(1, 9)])
    fit = np.linalg.lstsq(dummies.astype(float), values[site, season], rcond=None)[0]
    levels = site_levels(values, np.ones(values.shape))
    np.testing.assert_allclose(levels - levels[0], fit[:6] - fit[0], atol=1e-5)


def test_an_odd_control_is_found_and_ordinary_ones_rarely(rng):
    """One of ten falls by 8; false alarms over 300 plain panels stay below 2 % of controls."""
    gaps = rng.normal(size=(10, 14))
    gaps[3, 9:] -= 8.0
    assert odd_controls(gaps).tolist() == [n == 3 for n in range(10)]
    alarms = np.mean([odd_controls(rng.normal(size=(10, 14))).mean() for _ in range(300)])
    assert alarms < 0.02


def test_tails_are_told_apart_given_enough_cells(rng):
    """60 controls, 16 seasons: normal noise and t with 3 degrees of freedom."""
    assert tail_df(rng.normal(size=(60, 16))) == np.inf
    assert tail_df(rng.standard_t(3, size=(60, 16))) <= 4.0


@pytest.mark.parametrize(("seasons", "p"), [(3, 0.333), (4, 0.0833), (5, 0.0167), (6, 0.00278)])
def test_smallest_p_of_a_trend_test(seasons, p):
    """Exact Mann-Kendall p of a perfect trend, also by scipy's exact Kendall test."""
    assert smallest_trend_p(seasons) == pytest.approx(p, rel=3e-3)
    exact = scipy.stats.kendalltau(range(seasons), range(seasons), method="exact").pvalue
    assert smallest_trend_p(seasons) == pytest.approx(exact)
