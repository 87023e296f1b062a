"""Pooling gains over sites by way of sowing."""

import numpy as np
import pandas as pd
import pytest

from afterrains.evidence.what_works import pool, shrunken_gains, what_works


def test_pool_solves_the_equation_of_paule_and_mandel():
    """Teacher expectancy, 19 studies (Raudenbush 1985; data from memory), against the definition.

    Paule & Mandel 1982: at their variance the weighted sum of squares about the mean equals its
    degrees of freedom.
    """
    gains = np.array(
        "0.03 0.12 -0.14 1.18 0.26 -0.06 -0.02 -0.32 0.27 0.80 0.54 0.18 -0.02 0.23 -0.18 -0.06 "
        "0.30 0.07 -0.07".split(),
        dtype=float,
    )
    variance = np.array(
        "0.0156 0.0216 0.0279 0.1391 0.1362 0.0106 0.0106 0.0484 0.0269 0.0630 0.0912 0.0497 "
        "0.0835 0.0841 0.0253 0.0279 0.0193 0.0088 0.0303".split(),
        dtype=float,
    )
    pooled = pool(gains, np.sqrt(variance))
    weight = 1 / (variance + pooled.between_variance)
    assert (weight * (gains - pooled.gain) ** 2).sum() == pytest.approx(18, rel=1e-4)
    assert pooled.gain == pytest.approx((weight * gains).sum() / weight.sum(), rel=1e-6)


def test_intervals_of_the_mean_cover_the_truth(rng):
    """6 sites, true gains spread as much as measured ones; 600 runs, error .9 %.

    The interval is never narrower than the one of known variances, so it errs on the wide side.
    """
    inside = 0
    for _ in range(600):
        gains = rng.normal(3.0, 1.0, size=6) + rng.normal(0, 1.0, size=6)
        pooled = pool(gains, np.ones(6))
        inside += pooled.low <= 3.0 <= pooled.high
    assert 0.935 < inside / 600 < 0.995


def test_what_the_sites_share_does_not_average_out():
    """A hundred alike sites with the same controls: the interval stays as wide as what is shared.

    By hand: 1.98 sqrt(.25 + .75 / 100) standard errors.
    """
    gains, errors = np.full(100, 2.0), np.ones(100)
    wide, narrow = pool(gains, errors, shared=0.25), pool(gains, errors)
    assert (wide.high - wide.low) / 2 == pytest.approx(1.98 * np.hypot(0.5, 0.1 * 0.866), rel=0.02)
    assert narrow.high - narrow.low < 0.5 * (wide.high - wide.low)


def test_one_site_keeps_its_own_interval():
    """Nothing to pool."""
    pooled = pool(np.array([2.0]), np.array([1.0]))
    assert (pooled.low, pooled.high) == (
        pytest.approx(0.04, abs=1e-3),
        pytest.approx(3.96, abs=1e-3),
    )


def test_shrunken_gains_lie_between_the_raw_one_and_the_mean(rng):
    """Alike errors: every gain is drawn by the same share towards the mean."""
    gains = rng.normal(2.0, 2.0, size=30)
    drawn = shrunken_gains(gains, np.ones(30))
    share = (drawn - gains.mean()) / (gains - gains.mean())
    np.testing.assert_allclose(share, share[0], rtol=1e-6)
    assert 0 < share[0] < 1


def verdicts_of(**columns):
    """Three sites, of which the third has no gain."""
    frame = {
        "site_id": ["a", "b", "c"],
        "gain": [10.0, 10.0, np.nan],
        "gain_low": [6.0, 6.0, np.nan],
        "gain_high": [14.0, 14.0, np.nan],
        "controls": [9, 9, 9],
        "verdict": ["gain", "too-early", "not-assessable"],
        "gain_unit": "points",
        "area_ha": [10.0, 10.0, 5.0],
        "cost": [400.0, 600.0, 100.0],
    }
    return pd.DataFrame(frame | columns)


WAYS = pd.DataFrame({"site_id": ["a", "b", "c"], "method": ["hand", "hand", "aircraft"]})


def test_table_by_method_with_costs_by_hand():
    """Only a's 10 ha are called gain, and b's cost was spent too: 100 for each of them."""
    table = what_works(verdicts_of(), WAYS).set_index(["factor", "level"])
    row = table.loc[("method", "hand")]
    assert (row["sites"], row["gained"]) == (2, 1)
    assert row["pooled_gain"] == pytest.approx(10.0)
    assert row["cost_per_gained_ha"] == pytest.approx(100.0)
    assert ("method", "aircraft") not in table.index
    assert ("all", "all") in table.index


def test_units_are_never_mixed():
    """One site in points, one in NDVI: two pools."""
    table = what_works(verdicts_of(gain_unit=["points", "ndvi", "ndvi"]), WAYS)
    hand = table[table["level"] == "hand"].set_index("gain_unit")
    assert hand["sites"].to_dict() == {"ndvi": 1, "points": 1}
    assert hand.loc["points", "cost_per_gained_ha"] == pytest.approx(40.0)


def test_an_unknown_cost_leaves_the_pool_without_one():
    """The sum of what is known would be too small."""
    table = what_works(verdicts_of(cost=[400.0, np.nan, 100.0]), WAYS)
    assert table["cost_per_gained_ha"].isna().all()


def test_no_sites_give_an_empty_table():
    """Columns stay."""
    verdicts = pd.DataFrame(columns=["site_id", "gain", "gain_low", "gain_high", "controls"])
    table = what_works(verdicts, pd.DataFrame(columns=["site_id", "method"]))
    assert table.empty
    assert "heterogeneity_percent" in table
