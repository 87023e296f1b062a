"""Judging: the six words, what was known then, and refusals."""

import numpy as np
import pandas as pd
import pytest

from afterrains.contrast import HISTORY_COLUMNS, judge, judge_programme
from afterrains.errors import InputError
from afterrains.evidence.growth import RampGrowth

SLOW = RampGrowth(1, 4)


def last(history):
    """The newest verdict of each site."""
    return history.groupby("site_id").tail(1).set_index("site_id")


def call(panel, sowing, **settings):
    """The judge with the settings of these tests."""
    settings = {"judged_seasons": 6, "growth": SLOW, "meaningful_gain": 4.0} | settings
    return judge(panel, sowing, **settings)


def test_a_large_gain_is_seen_and_a_site_without_one_is_not(invented):
    """Truth by construction: 12 noise standard deviations, none, and a loss of 12."""
    panel, sowing = invented([12.0] * 3 + [0.0] * 3 + [-12.0], flush=[0.0] * 7)
    words = last(call(panel, sowing, woody_model=True))["verdict"]
    assert (words.iloc[:3] == "gain").all()
    assert not words.iloc[3:6].isin(["gain", "loss"]).any()
    assert words.iloc[6] == "loss"


def test_history_has_the_contract_columns_and_one_row_a_season(invented):
    """Contract sections 4 and 6."""
    panel, sowing = invented([0.0, 0.0])
    history = call(panel, sowing)
    assert tuple(history.columns) == HISTORY_COLUMNS
    assert history.groupby("site_id")["seasons_since_sowing"].apply(list).iloc[0] == [
        1,
        2,
        3,
        4,
        5,
        6,
    ]
    assert history["as_of"].iloc[0] == "2008-dry"


def test_what_was_said_then_does_not_change_when_a_season_is_added(invented, rng):
    """Judging the shorter record gives the same rows, to the last digit."""
    panel, sowing = invented([6.0, 0.0, 3.0], flush=[0.2, 0.0, 0.0])
    panel["clear_dates"] = rng.integers(1, 9, size=len(panel))
    panel.loc[panel["time"] > "2012-06-01", "clear_dates"] *= 5
    whole = call(panel, sowing)
    shorter = call(panel[panel["time"] < "2012-06-01"], sowing)
    both = whole.merge(shorter[["site_id", "as_of"]], on=["site_id", "as_of"])
    assert len(both) == len(shorter) == 3 * 4
    pd.testing.assert_frame_equal(both, shorter, check_exact=False, rtol=1e-9)


def test_greening_that_control_ground_shares_is_no_gain(invented):
    """All ground rises by 20 noise standard deviations after sowing."""
    panel, sowing = invented([0.0] * 4)
    panel.loc[panel["time"] > "2008-07-01", "value"] += 20.0
    assert not last(call(panel, sowing))["verdict"].isin(["gain", "loss"]).any()


def test_a_gain_whose_flush_rose_too_is_at_most_grass_without_a_woody_model(invented):
    """Design: without a woody model grass cannot be told from trees on such ground."""
    panel, sowing = invented([12.0, 12.0], flush=[0.3, 0.0])
    words = last(call(panel, sowing, woody_model=False))["verdict"]
    assert words.tolist() == ["grass-only", "gain"]
    with_model = last(call(panel, sowing, woody_model=True))["verdict"]
    assert with_model.tolist() == ["gain", "gain"]


def test_what_rose_at_once_and_did_not_grow_is_grass_without_a_woody_model(invented):
    """Rested ground: dry greenness jumps at once and stays; growth lasts to season 8."""
    panel, sowing = invented([0.0, 0.0], flush=[0.0, 0.0], after=8)
    rested = (panel["site_id"] == "s00") & (panel["kind"] == "dry") & (panel["time"] > "2009-01-01")
    panel.loc[rested, "value"] += 8.0
    settings = {"growth": RampGrowth(1, 8), "judged_seasons": 8, "woody_model": False}
    words = last(call(panel, sowing, **settings))
    assert words.loc["s00", "verdict"] == "grass-only"
    assert "rose at once" in words.loc["s00", "reason"]


def test_a_flush_without_woody_gain_is_grass_only(invented):
    """The flush alone rises, with a woody model or without."""
    panel, sowing = invented([0.0], flush=[0.3])
    for woody in (True, False):
        assert last(call(panel, sowing, woody_model=woody))["verdict"].tolist() == ["grass-only"]


def test_no_gain_needs_the_interval_below_the_meaningful_gain_and_full_time(invented):
    """A wide margin is ruled out once the growth curve is full (season 4), never before."""
    panel, sowing = invented([0.0] * 4, sd=0.3)
    history = call(panel, sowing, meaningful_gain=8.0)
    none = history["verdict"] == "no-gain"
    assert none.any()
    assert (history.loc[none, "seasons_since_sowing"] >= 4).all()
    assert (history.loc[none, "gain_high"] < 8.0).all()


def test_too_early_names_the_season_of_the_answer(invented):
    """The answer lies in the future, within the judged seasons, and comes with a reason."""
    panel, sowing = invented([0.0] * 3)
    first = call(panel, sowing).groupby("site_id").head(1)
    assert (first["verdict"] == "too-early").all()
    assert (first["answer_by"] > "2008-dry").all()
    assert (first["answer_by"] <= "2013-dry").all()
    assert first["reason"].str.contains("could by").all()


def test_too_early_never_calls_unseen_what_its_own_interval_shows(invented):
    """Two standard errors up: beyond 2.5 % at one look, not beyond the bar of repeated looks."""
    panel, sowing = invented([1.2, 1.4, 1.6, 1.8, 2.0, 2.4])
    early = call(panel, sowing).query("verdict == 'too-early'")
    hidden = early["reason"].str.contains("could not be seen yet")
    leaning = early["reason"].str.contains("at a single look")
    assert leaning.any() and (early.loc[leaning, "gain"] > 0).all()
    assert (early.loc[leaning, "p_value"] <= 0.05).all()
    assert (early.loc[hidden, "p_value"] > 0.05).all() | (early.loc[hidden, "gain"] < 0).all()


def test_a_sudden_fall_is_a_loss_with_its_season(invented):
    """A fire in the season 2011-dry, 15 noise standard deviations deep."""
    panel, sowing = invented([0.0] * 3)
    burnt = (panel["site_id"] == "s01") & (panel["time"] > "2012-01-01") & (panel["kind"] == "dry")
    panel.loc[burnt, "value"] -= 15.0
    history = call(panel, sowing).set_index(["site_id", "as_of"])
    row = history.loc[("s01", "2011-dry")]
    assert row["verdict"] == "loss"
    assert row["reason"].startswith("fell suddenly in 2011-dry")
    later = history.loc[("s01", "2012-dry")]
    assert "fell suddenly in 2011-dry" in later["reason"]
    assert "not come back" in later["reason"]
    assert history.loc["s01"]["verdict"].iloc[-1] == "loss"
    assert not (history.loc["s00"]["verdict"] == "loss").any()


def test_one_cleared_control_makes_no_gain_and_is_named(invented):
    """One control in ten falls by 40 noise standard deviations after sowing."""
    panel, sowing = invented([0.0] * 6)
    cleared = (panel["site_id"] == "c04") & (panel["time"] > "2009-07-01")
    panel.loc[cleared & (panel["kind"] == "dry"), "value"] -= 40.0
    judgement = judge_programme(panel, sowing, 0.05, 6, SLOW, meaningful_gain=4.0)
    assert not (judgement.history["verdict"] == "gain").any()
    controls = judgement.controls.set_index("site_id")
    assert "disturbed" in controls.loc["c04", "note"]
    assert (judgement.history["controls"].iloc[-1]) == 9
    # What is left out has no weight, and six sites share theirs among the other nine.
    assert controls.loc["c04", ["weight_total", "used_by"]].tolist() == [0, 0]
    assert (controls["used_by"].drop("c04") == 6).all()
    assert controls["weight_total"].sum() == pytest.approx(6)


def test_a_control_that_recovers_and_one_that_was_sown_are_told_apart(invented):
    """One rises by 1.5 noise standard deviations every season, one jumps by 15 in 2010."""
    panel, sowing = invented([0.0] * 4)
    year = panel["season"].str[:4].astype(int)
    dry = panel["kind"] == "dry"
    rising, jumping = dry & (panel["site_id"] == "c02"), dry & (panel["site_id"] == "c07")
    panel.loc[rising, "value"] += 1.5 * (year - 2000)
    panel.loc[jumping & (year >= 2010), "value"] += 15.0
    controls = judge_programme(panel, sowing, growth=SLOW, meaningful_gain=4.0).controls
    notes = controls.set_index("site_id")["note"]
    assert notes["c02"].startswith("recovering by itself")
    assert notes["c07"].startswith("possibly sown or disturbed")
    assert (notes.drop(["c02", "c07"]) == "").sum() >= 7


def test_trends_apart_before_sowing_are_refused(invented):
    """Sown ground gains half a noise standard deviation a season on control, sown or not."""
    panel, sowing = invented([0.0] * 8, before=12)
    year = panel["season"].str[:4].astype(int)
    panel.loc[(panel["role"] == "sown"), "value"] += 0.5 * (year - 2000)
    words = last(call(panel, sowing))
    assert (words["verdict"] == "not-assessable").all()
    assert words["reason"].str.contains("drifting apart").all()


@pytest.mark.parametrize(("controls", "before"), [(1, 8), (0, 8), (6, 1)])
def test_too_little_ground_or_record_is_refused_with_the_reason(invented, controls, before):
    """Fewer than two controls or two seasons before."""
    panel, sowing = invented([12.0] * 2, controls=controls, before=before)
    words = last(call(panel, sowing))
    assert (words["verdict"] == "not-assessable").all()
    assert words["reason"].str.contains("fewer than 2").all()
    assert words["gain"].isna().all()


def test_a_season_without_a_value_is_said_and_the_next_is_judged(invented):
    """One missing cell does not lose the site."""
    panel, sowing = invented([12.0] * 2)
    panel.loc[(panel["site_id"] == "s00") & (panel["season"] == "2012-dry"), "value"] = np.nan
    history = call(panel, sowing, woody_model=True).set_index(["site_id", "as_of"])
    assert history.loc[("s00", "2012-dry"), "verdict"] == "not-assessable"
    assert "no clear value" in history.loc[("s00", "2012-dry"), "reason"]
    assert history.loc[("s00", "2013-dry"), "verdict"] == "gain"


def test_every_fault_of_the_tables_is_told_at_once(invented):
    """Wrong roles, repeated cells and a sown control are three findings."""
    panel, sowing = invented([0.0])
    panel.loc[0, "kind"] = "wet"
    panel = pd.concat([panel, panel.tail(1)])
    sowing = pd.concat([sowing, pd.DataFrame({"site_id": ["c00"], "sown_on": ["2008-07-01"]})])
    with pytest.raises(InputError, match="stands twice") as caught:
        judge(panel, sowing)
    assert {f.code for f in caught.value.findings} == {
        "unknown-kind",
        "repeated-cell",
        "sown-control",
    }


def test_the_order_of_the_rows_does_not_matter(invented, rng):
    """A shuffled panel gives the same history."""
    panel, sowing = invented([5.0, 0.0], flush=[0.1, 0.0])
    shuffled = panel.sample(frac=1.0, random_state=3)
    pd.testing.assert_frame_equal(call(panel, sowing), call(shuffled, sowing))


def test_the_specification_changes_its_digest_with_the_rule(invented):
    """A changed margin cannot pass unnoticed; the same rule has the same digest."""
    panel, sowing = invented([0.0])
    digest = [
        judge_programme(panel, sowing, meaningful_gain=margin).specification["digest"]
        for margin in (4.0, 4.0, 5.0)
    ]
    assert digest[0] == digest[1] != digest[2]


def test_an_unsown_programme_has_no_history_and_keeps_its_columns(invented):
    """Nothing sown yet."""
    panel, sowing = invented([0.0])
    history = judge(panel, sowing.iloc[:0])
    assert tuple(history.columns) == HISTORY_COLUMNS
    assert history.empty


def test_a_panel_that_does_not_say_its_unit_is_read_by_its_values(invented):
    """An index of greenness cannot pass 1, so larger values are percent of cover."""
    panel, sowing = invented([12.0] * 3 + [0.0] * 3)
    told = {"judged_seasons": 6, "growth": SLOW}
    pd.testing.assert_frame_equal(
        judge(panel, sowing, **told), judge(panel, sowing, woody_model=True, **told)
    )
    # A hundredth of each value is an index, and everything scales with it but what is meaningful.
    panel["value"] = panel["value"].where(panel["kind"] == "rains", panel["value"] / 100)
    in_index = judge_programme(panel, sowing, **told).specification
    assert in_index["outcome"] == "dry-season greenness"
    assert in_index["meaningful_gain"] == 0.02


def test_a_gain_that_stands_at_once_is_a_gain_where_nothing_speaks_of_grass(invented):
    """Truth by construction: a step of 12 noise standard deviations and no flush."""
    panel, sowing = invented([0.0] * 3, flush=[0.0] * 3)
    stepped = (panel["role"] == "sown") & (panel["kind"] == "dry") & (panel["time"] > "2008-07-01")
    panel["value"] += 12.0 * stepped
    panel["value"] = panel["value"].where(panel["kind"] == "rains", panel["value"] / 100)
    unsaid = last(judge(panel, sowing, judged_seasons=6, growth=SLOW))
    strict = last(judge(panel, sowing, judged_seasons=6, growth=SLOW, woody_model=False))
    assert (unsaid["verdict"] == "gain").all()
    assert (strict["verdict"] == "grass-only").all()


def test_growth_may_be_written_as_in_the_programme_file(invented):
    """The two keys of `evidence.growth` (contract section 1)."""
    panel, sowing = invented([6.0])
    as_mapping = {"starts_after_seasons": 1, "full_after_seasons": 4}
    pd.testing.assert_frame_equal(
        judge(panel, sowing, growth=as_mapping), judge(panel, sowing, growth=SLOW)
    )


@pytest.mark.parametrize(
    ("setting", "fault", "words"),
    [
        ({"error_rate": 2}, ValueError, "error_rate is 2; it must lie between 0 and 1"),
        ({"judged_seasons": 0}, ValueError, "judged_seasons is 0; at least one season"),
        ({"growth": {"full_after_season": 4}}, ValueError, "growth holds full_after_season;"),
        ({"growth": "slow"}, TypeError, "growth is str; give starts_after_seasons"),
    ],
)
def test_a_setting_that_cannot_be_is_told(invented, setting, fault, words):
    """Each with what to write instead."""
    with pytest.raises(fault, match=words):
        judge(*invented([0.0]), **setting)


def test_site_ids_may_be_numbers_in_either_table(invented):
    """A table read from CSV holds numbers where all ids are digits."""
    panel, sowing = invented([0.0, 12.0])
    number = {name: place for place, name in enumerate(panel["site_id"].unique(), 100)}
    panel["site_id"], sowing["site_id"] = (
        panel["site_id"].map(number),
        sowing["site_id"].map(number),
    )
    as_numbers = judge(panel, sowing, growth=SLOW)
    as_text = judge(panel.astype({"site_id": str}), sowing.astype({"site_id": str}), growth=SLOW)
    pd.testing.assert_frame_equal(as_numbers, as_text)
    assert set(as_numbers["verdict"]) != {"not-assessable"}


def test_a_panel_without_a_dry_season_is_an_input_error(invented):
    """Dry seasons are what is judged."""
    panel, sowing = invented([0.0])
    with pytest.raises(InputError, match="holds no dry season"):
        judge(panel[panel["kind"] == "rains"], sowing)
    # The run, which must tell such sites too, hears that nothing can be judged yet.
    early = judge_programme(panel[panel["kind"] == "rains"], sowing)
    assert early.history.empty and list(early.history.columns) == list(HISTORY_COLUMNS)
