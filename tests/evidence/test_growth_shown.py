"""The course of a gain, learned from the other sown sites."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import special
from statsmodels.stats.meta_analysis import combine_effects

from afterrains.evidence import gap_series
from afterrains.evidence.contrast_gls import estimate_gains
from afterrains.evidence.gap_series import GapModel, GapSeries
from afterrains.evidence.growth import STEP_SHARE, RampGrowth, ramp
from afterrains.evidence.growth_shown import step_shares
from afterrains.evidence.learning import Noise
from afterrains.evidence.structures import STRUCTURES

BEFORE, AFTER, SITES, VARIANCE, SPREAD = 6, 6, 5, 2.0, 0.2
SINCE = np.maximum(np.arange(BEFORE + AFTER) - BEFORE + 1.0, 0.0)
STEP, RAMP = (SINCE > 0).astype(float), ramp(SINCE, RampGrowth(1, 4))
LAG = np.abs(np.subtract.outer(np.arange(SINCE.size), np.arange(SINCE.size)))
NOISE = 0.5 * np.eye(SINCE.size) + 0.5 * 0.5**LAG
"""One of the structures: half white, half with a correlation of 0.5."""


def learned(gap):
    """Model, series and noise of one known structure."""
    every = np.ones(gap.shape)
    series = GapSeries(
        gap,
        np.zeros(SINCE.size),
        every * STEP,
        every * RAMP,
        every * SINCE == 0,
        np.full(len(gap), SPREAD),
    )
    number = np.flatnonzero(
        (STRUCTURES.noise == STRUCTURES.noise_models.index((0.5, 0.5)))
        & (STRUCTURES.response == 0)
        & (STRUCTURES.drift == 0)
    )
    one = np.ones(1)
    noise = Noise(number, one, VARIANCE * one, 1e9 * one, VARIANCE * one, 1e9 * one)
    return GapModel.of(every, every > 0), series, noise


def gaps(rng, curve, size=1.5, sd=0.3):
    """Gaps that rise along a curve; their noise is less than the variance told."""
    return size * curve + rng.normal(0, sd, (SITES, SINCE.size))


def squared_score(gap, curve):
    """Of a gain that all sites share: GLS of all gaps at once (statsmodels), levels apart.

    Every pair of sites has the controls' noise in common.
    """
    sites = len(gap)
    together = VARIANCE * np.kron(np.eye(sites) + SPREAD, NOISE)
    levels = np.kron(np.eye(sites), np.ones((SINCE.size, 1)))
    design = np.column_stack([np.tile(curve, sites), levels])
    fit = sm.GLS(gap.ravel(), design, sigma=together).fit()
    return fit.params[0] ** 2 / fit.normalized_cov_params[0, 0]


def test_the_odds_are_those_of_the_other_sites_in_one_regression(rng):
    """Likelihood ratio of step and ramp, by statsmodels on the other four sites."""
    gap = gaps(rng, (STEP + RAMP) / 2)
    shares = step_shares(*learned(gap))
    others = gap[1:]
    odds = special.logit(STEP_SHARE)
    odds += (squared_score(others, STEP) - squared_score(others, RAMP)) / 2
    assert shares[0] == pytest.approx(special.expit(odds), rel=1e-6)
    assert 0.05 < shares[0] < 0.95, "clear evidence would test nothing"


def test_sites_that_differ_weigh_less_as_in_a_random_effects_summary(rng):
    """Factor of Hartung, Knapp, Sidik and Jonkman, by statsmodels, beside the controls' part."""
    gap = gaps(rng, RAMP, size=1.0) + np.array([0, 0, 4.0, -3.0, 1.0])[:, None] * RAMP
    scores = []
    inverse = np.linalg.inv(NOISE)
    inverse -= np.outer(inverse.sum(0), inverse.sum(0)) / inverse.sum()
    factors = []
    for curve in (STEP, RAMP):
        own = curve @ inverse @ curve
        effects = gap[1:] @ inverse @ curve / own
        summary = combine_effects(effects, np.full(SITES - 1, VARIANCE / own))
        factors.append(summary.scale_hksj_fe)
        scores.append(effects.mean() ** 2 / (VARIANCE / own / (SITES - 1)))
    assert min(factors) > 2, "the sites must differ"
    odds = special.logit(STEP_SHARE)
    odds += (scores[0] - scores[1]) / (min(factors) + (SITES - 1) * SPREAD) / 2
    assert step_shares(*learned(gap))[0] == pytest.approx(special.expit(odds), rel=1e-6)


def test_a_sites_own_values_have_no_part_in_its_own_contrast(rng):
    """Whatever its own gap did, its share stays, and the others' change."""
    gap = gaps(rng, STEP)
    changed = gap.copy()
    changed[0] += 2.0 * RAMP
    first, second = step_shares(*learned(gap)), step_shares(*learned(changed))
    assert second[0] == pytest.approx(first[0], rel=1e-12)
    assert (np.abs(second[1:] - first[1:]) > 1e-3).all()


def test_how_many_sites_are_taken_at_once_changes_nothing(rng, monkeypatch):
    """Large programmes are worked through in parts."""
    parts = learned(gaps(rng, RAMP))
    whole = step_shares(*parts)
    monkeypatch.setattr(gap_series, "_SITES_AT_ONCE", 2)
    np.testing.assert_allclose(step_shares(*parts), whole, rtol=1e-10)
    assert [(each.start, each.stop) for each in gap_series.in_parts(5, 1)] == [
        (0, 2), (2, 4), (4, 6),
    ]  # fmt: skip


def test_what_nobody_shows_stays_the_blend(rng):
    """A site alone, and sites whose gaps do not move."""
    alone = step_shares(*learned(gaps(rng, STEP)[:1]))
    np.testing.assert_allclose(alone, STEP_SHARE)
    still = step_shares(*learned(np.zeros((SITES, SINCE.size))))
    np.testing.assert_allclose(still, STEP_SHARE)


@pytest.mark.parametrize("curve", [STEP, RAMP], ids=["step", "ramp"])
def test_the_contrast_then_follows_the_true_course(curve):
    """Five sites with a plain gain: nearly the best score there is for that course (GLS)."""
    gap = np.tile(6.0 * curve, (SITES, 1))
    model, series, noise = learned(gap)
    blended = estimate_gains(model, series, noise)
    told = estimate_gains(model, series, noise, shares=step_shares(model, series, noise))
    inverse = np.linalg.inv(NOISE)
    inverse -= np.outer(inverse.sum(0), inverse.sum(0)) / inverse.sum()
    best = 6.0 * np.sqrt(curve @ inverse @ curve / (VARIANCE * (1 + SPREAD)))
    score = -special.ndtri(told.p_gain)
    assert (score > -special.ndtri(blended.p_gain)).all()
    np.testing.assert_allclose(score, best, rtol=0.01)
