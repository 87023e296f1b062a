"""Grass or crowns by shortwave infrared: ground that only grew grass is never called a gain.

Truth by construction. The slopes are those of mixed spectra: standing dead grass adds about 1.6
NBR2 for each NDVI over bare sand (from memory, see the module), open crowns with their shade 0.2 to
0.3 (the sample programme's mixing model).
"""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from afterrains.contrast import judge
from afterrains.evidence.changed_ground import allow_for_changed_ground, ground_errors
from afterrains.evidence.grass import CROWNS_MOST, grassiness

_DRY_GRASS, _CROWNS = 1.6, 0.3
_NOISE = 0.004


def _panel(rng, slope, gain=0.05, sites=12, controls=10, before=4, after=6):
    """Sown sites whose NDVI ramps up by `gain`, NBR2 following by `slope`; controls stay."""
    rows = []
    for number in range(sites + controls):
        is_sown = number < sites
        for year in range(2010, 2010 + before + after):
            grown = np.clip((year - 2010 - before + 1) / 4, 0, 1) * gain * is_sown
            season = 0.01 * np.sin(year)
            rows.append(
                {
                    "site_id": f"{'s' if is_sown else 'c'}{number:02d}",
                    "role": "sown" if is_sown else "control",
                    "season": f"{year}-dry",
                    "kind": "dry",
                    "time": pd.Timestamp(year + 1, 3, 1),
                    "value": 0.15 + season + grown + rng.normal(0, _NOISE),
                    "dead_grass": 0.10 + season + slope * grown + rng.normal(0, _NOISE),
                }
            )
    panel = pd.DataFrame(rows)
    sown = panel.loc[panel["role"] == "sown", "site_id"].unique()
    sowing = pd.DataFrame({"site_id": sown, "sown_on": pd.Timestamp(2010 + before, 6, 15)})
    return panel, sowing


def _verdicts(panel, sowing):
    history = judge(panel, sowing, judged_seasons=8, meaningful_gain=0.02)
    return history, history.groupby("site_id").tail(1)["verdict"]


def test_grass_alone_is_never_a_gain_however_green(rng):
    """A dry-season greening as large as that of 12 points of crowns, by dead grass alone."""
    history, newest = _verdicts(*_panel(rng, _DRY_GRASS))
    assert not (history["verdict"] == "gain").any()
    assert newest.isin(["grass-only", "not-assessable"]).all()
    told = history.loc[history["verdict"] == "grass-only", "reason"]
    assert told.str.contains("dead grass").any()


def test_crowns_are_still_a_gain(rng):
    """The same greening by crowns is found, so the guard does not merely refuse."""
    _, newest = _verdicts(*_panel(rng, _CROWNS))
    assert (newest == "gain").mean() >= 0.8


def test_without_shortwave_infrared_nothing_changes(rng):
    """A panel whose signal is empty is judged as one without the column."""
    panel, sowing = _panel(rng, _CROWNS)
    bare, _ = _verdicts(panel.drop(columns="dead_grass"), sowing)
    empty, _ = _verdicts(panel.assign(dead_grass=np.nan), sowing)
    pd.testing.assert_frame_equal(bare, empty)


@pytest.mark.parametrize(("slope", "word"), [(_DRY_GRASS, "gain"), (_CROWNS, "no-gain")])
def test_the_guard_stands_behind_a_woody_model_too(rng, slope, word):
    """A model that takes a tenth of grass for cover: by the signal grass is no gain, crowns are."""
    panel, sowing = _panel(rng, slope)
    panel["greenness"], panel["value"] = panel["value"], 100 * panel["value"]
    settings = {"judged_seasons": 8, "meaningful_gain": 2.0, "woody_model": True}
    newest = judge(panel, sowing, **settings).groupby("site_id").tail(1)["verdict"]
    assert not (newest == word).any()
    unguarded = judge(panel.drop(columns="dead_grass"), sowing, **settings)
    assert (unguarded.groupby("site_id").tail(1)["verdict"] == "gain").mean() >= 0.8


def test_a_season_without_shortwave_infrared_lets_no_gain_pass_unasked(rng):
    """A model that takes grass for cover; the newest season's signal was lost to cloud."""
    panel, sowing = _panel(rng, _DRY_GRASS)
    panel["greenness"], panel["value"] = panel["value"], 100 * panel["value"]
    newest = panel["season"] == panel["season"].max()
    cloudy = panel.assign(dead_grass=panel["dead_grass"].mask(newest & (panel["site_id"] != "s00")))
    settings = {"judged_seasons": 8, "meaningful_gain": 2.0, "woody_model": True}
    last = judge(cloudy, sowing, **settings).groupby("site_id").tail(1)
    assert not (last["verdict"] == "gain").any()


def test_the_error_between_grounds_is_cleared_where_grass_rose_and_only_there(rng):
    """The same rise by grass and by crowns, 5 points, with an error of 3 between grounds.

    By grass the interval reaches down to no gain; by crowns it stays as it was, to the last bit.
    """
    settings = {"judged_seasons": 8, "meaningful_gain": 2.0, "woody_model": True}
    for slope, changed in ((_DRY_GRASS, True), (_CROWNS, False)):
        panel, sowing = _panel(rng, slope)
        panel["greenness"], panel["value"] = panel["value"], 100 * panel["value"]
        plain = judge(panel, sowing, **settings).groupby("site_id").tail(1)
        wide = judge(panel.assign(ground_se=3.0), sowing, **settings).groupby("site_id").tail(1)
        assert (plain["gain_low"] > 0).all()
        if changed:
            assert (wide["gain_low"] < 0).all() and (wide["p_value"] > 0.05).all()
        else:
            pd.testing.assert_frame_equal(wide, plain)


def test_errors_of_changed_ground_by_hand():
    """Errors .3 and .4 make .5, so three fifths of each z-value are left; unchanged rows stay."""
    p = stats.norm.sf(2.0)
    table = pd.DataFrame(
        {
            "site_id": ["a", "b", "c"], "as_of": "2020-dry", "gain": 2.0, "gain_low": 1.4,
            "gain_high": 2.6, "se": 0.3, "p_gain": p, "p_loss": 1 - p, "p_no_drift": p,
            "grass_p": np.nan, "dead_grass_p": [0.01, 0.5, np.nan],
        }
    )  # fmt: skip
    facts = {name: table[name].to_numpy() for name in table}
    panel = table[["site_id"]].assign(season="2020-dry", kind="dry", ground_se=0.4)
    allow_for_changed_ground(facts, ground_errors(panel), shortwave=True)
    assert facts["se"].tolist() == pytest.approx([0.5, 0.3, 0.5])
    assert facts["p_gain"].tolist() == pytest.approx([stats.norm.sf(1.2), p, stats.norm.sf(1.2)])
    reach = np.hypot(0.6, 1.959964 * 0.4)
    assert facts["gain_low"].tolist() == pytest.approx([2 - reach, 1.4, 2 - reach])
    assert facts["gain_high"].tolist() == pytest.approx([2 + reach, 2.6, 2 + reach])
    assert facts["p_no_drift"].tolist() == pytest.approx(facts["p_gain"].tolist())
    assert facts["p_value"].tolist() == pytest.approx((2 * facts["p_gain"]).tolist())


def test_grassiness_by_hand():
    """NBR2 .20 and NDVI .30: .20 - .7 x .30 = -.01; missing stays missing."""
    dry = pd.DataFrame({"value": [0.30, np.nan, 0.2], "dead_grass": [0.20, 0.1, np.nan]})
    assert CROWNS_MOST == pytest.approx(0.7)
    table = grassiness(dry)
    assert table is not None
    assert table["value"].iloc[0] == pytest.approx(-0.01)
    assert table["value"].iloc[1:].isna().all()
    assert grassiness(dry.drop(columns="dead_grass")) is None
