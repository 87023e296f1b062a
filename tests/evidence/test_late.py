"""What was said then is kept when late scenes change the record."""

import pandas as pd

from afterrains.contrast import judge
from afterrains.evidence.growth import RampGrowth
from afterrains.evidence.late import keep_what_was_said


def call(panel, sowing):
    """The judge with the settings of these tests."""
    return judge(panel, sowing, 0.05, 6, RampGrowth(1, 4), meaningful_gain=4.0, woody_model=True)


def test_late_data_do_not_rewrite_what_was_said_but_are_marked(invented):
    """A value of 2009 is corrected by 20 after 2011 was judged."""
    panel, sowing = invented([0.0, 0.0])
    then = call(panel[panel["time"] < "2012-06-01"], sowing)
    mended = panel.copy()
    cell = (mended["site_id"] == "s00") & (mended["season"] == "2009-dry")
    mended.loc[cell, "value"] += 20.0
    now = call(mended, sowing)
    kept = keep_what_was_said(then, now)
    assert len(kept) == len(now)
    old = kept.merge(then, on=["site_id", "as_of"], suffixes=("", "_then"))
    assert (old["verdict"] == old["verdict_then"]).all()
    pd.testing.assert_series_equal(old["gain"], old["gain_then"], check_names=False)
    pd.testing.assert_series_equal(old["reason"], old["reason_then"], check_names=False)
    marked = old["late_data"] != ""
    assert marked[(old["site_id"] == "s00") & (old["as_of"] == "2009-dry")].all()
    assert not marked[old["as_of"] == "2008-dry"].any()
    new = kept[~kept["as_of"].isin(then["as_of"])]
    pd.testing.assert_frame_equal(new, now.loc[new.index].assign(late_data=""))


def test_nothing_late_changes_nothing(invented):
    """The same data again, twice."""
    panel, sowing = invented([5.0, 0.0])
    now = call(panel, sowing)
    told = now.assign(late_data="")
    pd.testing.assert_frame_equal(keep_what_was_said(now, now), told)
    pd.testing.assert_frame_equal(keep_what_was_said(now.iloc[:0], now), told)


def test_marks_do_not_pile_up(invented):
    """Kept and marked once, marked once after the next run too."""
    panel, sowing = invented([0.0])
    now = call(panel, sowing)
    then = now.assign(gain=now["gain"] + 50.0, gain_low=now["gain_low"] + 50.0)
    once = keep_what_was_said(then, now)
    told = now["gain"].notna()
    assert once.loc[told, "late_data"].str.fullmatch(r"[a-z-]+ \(gain [^()]+\)").all()
    pd.testing.assert_frame_equal(keep_what_was_said(once, now), once)
