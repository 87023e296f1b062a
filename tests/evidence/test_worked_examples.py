"""Published and computed examples that the statistics must reproduce."""

import numpy as np
import pytest
from scipy import stats

from afterrains.evidence.multiplicity import equivalence_p_value, false_discovery_q_values
from afterrains.evidence.placebo import scaled_changes, site_against_controls, smallest_rank_p
from afterrains.evidence.reach import detectable_effect, effect_multiplier
from afterrains.evidence.spending import boundary_levels, nominal_levels, spent

BENJAMINI_HOCHBERG = np.array(
    "0.0001 0.0004 0.0019 0.0095 0.0201 0.0278 0.0298 0.0344 0.0459 0.3240 0.4262 0.5719 0.6528 "
    "0.7590 1.0".split(),
    dtype=float,
)


def test_q_values_match_benjamini_and_hochberg():
    """Benjamini & Hochberg 1995, their thrombolysis example; adjusted values by statsmodels."""
    expected = [0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.063857, 0.063857, 0.0645, 0.0765]
    expected += [0.486, 0.581182, 0.714875, 0.753231, 0.813214, 1.0]
    q = false_discovery_q_values(BENJAMINI_HOCHBERG)
    np.testing.assert_allclose(q, expected, atol=5e-7)
    assert (q <= 0.05).sum() == 4


def test_q_values_agree_with_statsmodels(rng):
    """Its multipletests shares no code with scipy's."""
    from statsmodels.stats.multitest import multipletests

    p = rng.uniform(size=60) ** 2
    np.testing.assert_allclose(
        false_discovery_q_values(p), multipletests(p, method="fdr_bh")[1], rtol=1e-12
    )


def test_sites_that_could_not_be_tested_do_not_dilute_the_others():
    """Each NaN would otherwise count as a test."""
    with_gaps = np.insert(BENJAMINI_HOCHBERG, [3, 9], np.nan)
    q = false_discovery_q_values(with_gaps)
    np.testing.assert_allclose(
        q[np.isfinite(with_gaps)], false_discovery_q_values(BENJAMINI_HOCHBERG)
    )


@pytest.mark.parametrize(("controls", "p"), [(3, 0.25), (9, 0.10), (19, 0.05), (38, 0.0256)])
def test_smallest_rank_p(controls, p):
    """One treated among J: 1 / (J + 1); four digits."""
    assert smallest_rank_p(controls) == pytest.approx(p, abs=5e-5)


@pytest.mark.parametrize(
    ("controls", "effect"),
    [(3, 6.53), (4, 4.76), (5, 4.12), (8, 3.47), (10, 3.30), (20, 3.03), (30, 2.95)],
)
def test_smallest_effect_of_one_site(controls, effect):
    """80 % power, two-sided 5 %, by the non-central t; computed values to the printed digits."""
    assert detectable_effect(controls) == pytest.approx(effect, abs=0.006)


@pytest.mark.parametrize(
    ("sown", "controls", "effect"),
    [(3, 3, 3.07), (5, 5, 2.02), (6, 12, 1.49), (10, 10, 1.32), (20, 20, 0.91)],
)
def test_smallest_effect_of_a_portfolio(sown, controls, effect):
    """As above for the mean of several sown sites."""
    assert detectable_effect(controls, sown) == pytest.approx(effect, abs=0.006)


@pytest.mark.parametrize(
    ("df", "multiplier"), [(np.inf, 2.802), (14, 3.013), (8, 3.201), (6, 3.367), (4, 3.761)]
)
def test_effect_multiplier(df, multiplier):
    """Multipliers after Bloom 1995, by the non-central t."""
    assert effect_multiplier(df) == pytest.approx(multiplier, abs=6e-4)


def test_equivalence_of_the_sleep_data():
    """Student's sleep data, paired: statsmodels ttost_paired gives these p-values."""
    first = np.array([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0])
    second = np.array([1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4])
    difference = second - first
    mean, se = difference.mean(), difference.std(ddof=1) / np.sqrt(10)
    assert (mean, se) == (pytest.approx(1.58), pytest.approx(0.388959, abs=5e-7))
    for margin, p in ((2.0, 0.1542), (2.5, 0.0211), (3.0, 0.00266)):
        ours = equivalence_p_value(np.array([mean]), np.array([se]), np.array([9.0]), margin)
        assert ours[0] == pytest.approx(p, abs=5e-5)


def test_crawford_howell_is_valid_when_noise_is_equal(rng):
    """Size .048 to .055 in 20,000 runs; here 4,000 runs, Monte-Carlo error .0035."""
    draws = rng.normal(size=(4000, 11))
    p = np.array([site_against_controls(row[0], row[1:]).p_value for row in draws])
    assert (p < 0.05).mean() == pytest.approx(0.05, abs=0.011)


def test_scaling_mends_the_noisier_sown_site(rng):
    """Noise of the sown site doubled, 10 controls, 5 seasons before and 3 after: size .270 unscaled
    and .054 scaled in 20,000 runs; here 4,000 runs (standard errors .007 and .0036).
    """
    noise = rng.normal(size=(4000, 11, 8))
    noise[:, 0] *= 2
    total = noise[:, 1:].sum(axis=1, keepdims=True)
    others = np.concatenate([total / 10, (total - noise[:, 1:]) / 9], axis=1)
    gap = noise - others
    raw = noise[..., 5:].mean(-1) - noise[..., :5].mean(-1)
    scaled = scaled_changes(gap[..., :5], gap[..., 5:])
    size = [
        np.mean([site_against_controls(row[0], row[1:]).p_value < 0.05 for row in changes])
        for changes in (raw, scaled)
    ]
    assert size[0] == pytest.approx(0.270, abs=0.021)
    assert size[1] == pytest.approx(0.054, abs=0.012)


def test_looking_every_season_inflates_the_error(rng):
    """Armitage 1969: .050 .083 .107 .126 .141 after 1 to 5 looks at 1.96; error .002."""
    z = np.cumsum(rng.normal(size=(20_000, 5)), axis=1) / np.sqrt(np.arange(1, 6))
    ever = (np.maximum.accumulate(np.abs(z), axis=1) > 1.959964).mean(axis=0)
    np.testing.assert_allclose(ever, [0.050, 0.083, 0.107, 0.126, 0.141], atol=0.008)


def test_spending_is_of_the_obrien_fleming_kind():
    """Two-sided .05 spent at five equal looks, split evenly: the closed form of Lan & DeMets."""
    fractions = np.arange(1, 6) / 5
    by_hand = 2 * stats.norm.sf(stats.norm.isf(0.0125) / np.sqrt(fractions))
    np.testing.assert_allclose(spent(fractions, 0.025), by_hand)
    levels = nominal_levels(5, 0.025)
    assert levels.sum() == pytest.approx(0.025)
    assert levels[0] < 1e-6
    assert (np.diff(levels) > 0).all()


def test_boundaries_at_five_equal_looks():
    """Two-sided .05, five equal looks, O'Brien-Fleming-type spending: the z-values that group
    sequential programs print (from memory: 4.8769 3.3569 2.6803 2.2898 2.0310).
    """
    newly = np.diff(spent(np.arange(6) / 5, 0.025))
    levels = boundary_levels(np.arange(1.0, 6.0), newly, np.empty(0))
    np.testing.assert_allclose(
        stats.norm.isf(levels), [4.8769, 3.3569, 2.6803, 2.2898, 2.0310], atol=2e-4
    )


def test_boundaries_keep_the_error_rate_with_unequal_information(rng):
    """200,000 Brownian paths: the share that ever crosses is what was spent; error .00035."""
    information = np.array([0.2, 0.9, 1.0, 2.5, 4.0, 4.1])
    newly = np.diff(spent(np.arange(7) / 6, 0.025))
    levels = boundary_levels(information, newly, np.empty(0))
    steps = np.sqrt(np.diff(information, prepend=0.0))
    z = np.cumsum(rng.normal(size=(200_000, 6)) * steps, axis=1) / np.sqrt(information)
    assert (z > stats.norm.isf(levels)).any(axis=1).mean() == pytest.approx(0.025, abs=0.0014)


def test_levels_already_used_are_kept():
    """A look that was tested too lightly is not made good by rewriting it."""
    newly = np.diff(spent(np.arange(6) / 5, 0.025))
    used = np.array([0.0, 0.0])
    levels = boundary_levels(np.arange(1.0, 6.0), newly, used)
    assert (levels[:2] == 0).all()
    assert levels[2] == pytest.approx(newly[2], rel=1e-3)
