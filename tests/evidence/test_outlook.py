"""Foresight: what will be seen, and drawing by lot."""

import numpy as np
import pandas as pd
import pytest

from afterrains.errors import InputError
from afterrains.evidence.growth import RampGrowth
from afterrains.outlook import detectable_gain, draw_by_lot, effect_multiplier, first_answer

SLOW = RampGrowth(1, 4)


def test_more_controls_sites_and_seasons_see_smaller_gains(invented):
    """Each of the three can only help, once the growth curve is full."""
    panel, sowing = invented([0.0] * 4)
    table = detectable_gain(panel, sowing, growth=SLOW, judged_seasons=8)
    wide = table.pivot_table(
        index="seasons_since_sowing", columns=["controls", "sites"], values="detectable_gain"
    )
    assert (np.diff(wide.loc[8, (slice(None), 1)]) < 0).all()
    assert (np.diff(wide.loc[8, 10]) < 0).all() if 10 in wide.columns.get_level_values(0) else True
    assert wide.loc[8, (10, 1)] < wide.loc[5, (10, 1)]


def test_detectable_gain_scales_with_the_noise(invented):
    """A record ten times as large in everything needs a gain ten times as large."""
    panel, _ = invented([], controls=8)
    one = detectable_gain(panel, growth=SLOW)["detectable_gain"].to_numpy()
    ten = detectable_gain(panel.assign(value=panel["value"] * 10), growth=SLOW)
    np.testing.assert_allclose(ten["detectable_gain"].to_numpy(), 10 * one, rtol=1e-6)


def test_detectable_gain_agrees_with_the_formula_of_a_mean_of_seasons(invented):
    """White noise, long record before: z-multiplier times sqrt((1/b + 1/a)(1 + 1/J)) for one look.

    One judged season takes the whole one-sided .025 at once; b = 30, a = 1, noise 1. The structures
    are averaged and the noise is estimated from 30 seasons and 40 sites: 10 % is allowed.
    """
    panel, _ = invented([], controls=40, before=30, after=0)
    table = detectable_gain(
        panel, controls=[10], sites=[1], judged_seasons=1, growth=RampGrowth(0, 1)
    )
    expected = effect_multiplier(np.inf) * np.sqrt((1 / 30 + 1) * 1.1)
    assert table["detectable_gain"].iloc[0] == pytest.approx(expected, rel=0.10)


def test_first_answer_is_the_first_season_in_which_the_expected_gain_is_seen(invented):
    """A larger gain is seen no later; a tiny one not within the judged seasons."""
    panel, _ = invented([], controls=10)
    table = detectable_gain(panel, growth=SLOW, judged_seasons=8)
    large, small = first_answer(table, 20.0), first_answer(table, 6.0)
    assert (large["first_season"].dropna() >= 2).all()
    both = large.merge(small, on=["controls", "sites"]).dropna()
    assert (both["first_season_x"] <= both["first_season_y"]).all()
    assert first_answer(table, 0.01)["first_season"].isna().all()


def test_what_a_sown_site_did_after_sowing_is_not_taken_for_noise(invented):
    """Huge gains leave the outlook as it was without them."""
    panel, sowing = invented([500.0] * 3)
    grown = detectable_gain(panel, sowing, growth=SLOW)["detectable_gain"].to_numpy()
    cut = panel[(panel["role"] == "control") | (panel["time"] <= "2008-07-01")]
    np.testing.assert_allclose(grown, detectable_gain(cut, growth=SLOW)["detectable_gain"])


def test_too_little_ground_is_told(invented):
    """Two sites cannot show what sites differ by."""
    panel, _ = invented([], controls=2)
    with pytest.raises(InputError, match="three such sites"):
        detectable_gain(panel)


def test_lots_are_drawn_within_strata_and_can_be_drawn_again():
    """Half of each stratum, the same for the same seed, whatever the order of the rows."""
    sites = pd.DataFrame({"site_id": [f"p{i:02d}" for i in range(20)], "stratum": list("ab") * 10})
    drawn = draw_by_lot(sites, 0.5, seed=7)
    assert drawn.groupby("stratum")["sow_first"].sum().tolist() == [5, 5]
    pd.testing.assert_frame_equal(drawn, draw_by_lot(sites.iloc[::-1], 0.5, seed=7))
    assert not drawn.equals(draw_by_lot(sites, 0.5, seed=8))


def test_a_stratum_of_one_site_has_no_lot_to_draw():
    """It is not sown first, whatever its lot: nothing like it would be left to compare with."""
    sites = pd.DataFrame({"site_id": list("abcd"), "stratum": list("xxxy")})
    for seed in range(8):
        drawn = draw_by_lot(sites, 0.5, seed=seed)
        assert drawn.groupby("stratum")["sow_first"].sum().to_dict() == {"x": 2, "y": 0}
