"""A drift of all sown ground against its controls that began before sowing."""

import numpy as np
import pytest
from scipy import integrate, stats
from statsmodels.stats.weightstats import DescrStatsW

from afterrains.contrast import judge
from afterrains.evidence.common_drift import DRIFTS, MeanSlope, Slopes, believe_drift
from afterrains.evidence.growth import RampGrowth

SLOPES = np.array([[0.3, 0.1, 0.2, 0.2]])
VARIANCE, SPREAD, SPAN = 0.04, 0.1, 10.0


def believed(slope, variance=VARIANCE, noise=0.01):
    """Belief under one structure, four sites of equal variance."""
    slopes = Slopes(slope, np.full(slope.shape, variance), np.full(4, SPREAD), np.full(4, 6.0))
    mean = MeanSlope(1)
    mean.add(slopes)
    return believe_drift(mean, np.array([noise]), SPAN)


def test_the_mean_slope_and_its_error_by_hand():
    """Mean 0.2; the sites' part 0.04/4, the controls' part 0.04 x 0.1, which all sites share."""
    drift = believed(SLOPES)
    np.testing.assert_allclose(drift.seen, [0.2])
    np.testing.assert_allclose(drift.error, [0.01 + 0.004])
    bound = 0.2 + 1.6448536 * np.sqrt(0.014)
    assert drift.largest(np.array([1.0])) == pytest.approx(bound, rel=1e-6)
    upward = stats.norm.sf(0.2 / np.sqrt(0.014))
    assert drift.p_upward(np.array([1.0])) == pytest.approx(upward, rel=1e-6)


def test_slopes_added_by_parts_are_those_of_all(rng: np.random.Generator):
    """Statsmodels' weighted mean and sum of squares, structure by structure; sites without none."""
    slope, variance = (
        rng.normal(0.1, [[0.8], [0.02], [0.2]], (3, 50)),
        rng.uniform(0.01, 0.1, (3, 50)),
    )
    variance[:, 4] = np.inf
    variance[2] = np.inf
    spread = rng.uniform(0.0, 0.2, 50)
    mean = MeanSlope(3)
    for part in (slice(0, 1), slice(1, 20), slice(20, 20), slice(20, 50)):
        mean.add(Slopes(slope[:, part], variance[:, part], spread[part], np.full(50, 6.0)[part]))
    middle, error = mean.told()
    for number in (0, 1):
        known = np.isfinite(variance[number])
        told = DescrStatsW(slope[number, known], 1 / variance[number, known])
        np.testing.assert_allclose(middle[number], told.mean, rtol=1e-12)
        wider = max(told.sumsquares / (known.sum() - 1), 1.0)
        shared = spread[known].sum()
        np.testing.assert_allclose(error[number], (wider + shared) / told.sum_weights, rtol=1e-12)
    assert (middle[2], error[2]) == (0.0, np.inf)


def test_slopes_that_differ_more_than_their_noise_make_the_mean_less_sure():
    """Sum of squares about the mean 0.02/0.001 on 3 degrees of freedom: 6.67 times as wide."""
    drift = believed(SLOPES, variance=0.001)
    np.testing.assert_allclose(drift.error, [0.02 / 3 / 4 + 0.001 * SPREAD])


def test_the_belief_is_what_integration_of_prior_and_likelihood_gives():
    """Bayes' rule by numerical integration over the drift (scipy), piece by piece."""
    noise = 0.01
    drift = believed(SLOPES, noise=noise)
    seen, error = drift.seen[0], drift.error[0]
    scale = SPAN * np.sqrt(noise)
    likelihood = stats.norm(seen, np.sqrt(error)).pdf
    masses, middles, chances = [likelihood(0.0)], [0.0], [1.0]
    for sign in (1, -1):
        for size, sd, prior in DRIFTS:
            piece = stats.norm(sign * size * scale, sd * scale)
            limits = (piece.mean() - 8 * piece.std(), piece.mean() + 8 * piece.std())
            mass, _ = integrate.quad(lambda d, p=piece: p.pdf(d) * likelihood(d), *limits)
            first, _ = integrate.quad(lambda d, p=piece: d * p.pdf(d) * likelihood(d), *limits)
            masses.append(mass)
            middles.append(first / mass)
            square = (size * scale) ** 2
            chances.append(prior * (square / (square + error)) ** 2)
    chances[0] -= sum(chances[1:])
    weight = np.array(chances) * np.array(masses)
    np.testing.assert_allclose(drift.weight[:, 0], weight / weight.sum(), rtol=1e-6)
    np.testing.assert_allclose(drift.mean[:, 0], middles, rtol=1e-6, atol=1e-12)


def test_without_a_slope_nothing_is_asked_and_nothing_ruled_out():
    """Two seasons before at no site: no drift is believed in, and none is excluded."""
    drift = believed(np.zeros((1, 4)), variance=np.inf)
    np.testing.assert_allclose(drift.weight[:, 0], [1, 0, 0, 0, 0])
    assert np.isinf(drift.largest(np.array([1.0])))
    assert drift.p_upward(np.array([1.0])) == 1


def settled(panel, sowing):
    """Words and reasons of the newest season."""
    history = judge(
        panel, sowing, judged_seasons=6, growth=RampGrowth(1, 4), meaningful_gain=3.0,
        woody_model=True,
    )  # fmt: skip
    return history.groupby("site_id").tail(1).set_index("site_id")


def drifting(panel, size):
    """The panel with all sown ground drifting up by `size` a season, before and after sowing."""
    year = panel["season"].str[:4].astype(int) - 2000
    more = size * year * (panel["role"] == "sown") * (panel["kind"] == "dry")
    return panel.assign(value=panel["value"] + more)


def test_a_drift_that_is_hinted_at_makes_no_gain(invented):
    """A fifth of the noise a season, too slow to be refused: the drift is named, not a gain."""
    panel, sowing = invented([0.0] * 12)
    newest = settled(drifting(panel, 0.2), sowing)
    assert not newest["reason"].str.contains("already drifting apart").any()
    assert not (newest["verdict"] == "gain").any()
    hinted = newest["reason"].str.contains("all sown sites together hint that it was")
    assert hinted.any()
    assert (newest.loc[hinted, "verdict"] == "not-assessable").all()


def test_a_gain_says_which_drift_its_record_cannot_rule_out(invented):
    """A gain of 3.5 after four seasons before sowing cannot; one of 8 after sixteen can."""
    panel, sowing = invented([3.5] * 6, before=4)
    short = settled(panel, sowing)
    assert (short["verdict"] == "gain").all()
    told = short["reason"].str.contains("4 dry seasons before sowing cannot rule out")
    assert told[short["gain_low"].idxmin()]
    assert told.sum() >= 3
    panel, sowing = invented([8.0] * 6, before=16)
    long = settled(panel, sowing)
    assert (long["verdict"] == "gain").all()
    assert not long["reason"].str.contains("cannot rule out").any()
