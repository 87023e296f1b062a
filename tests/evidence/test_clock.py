"""The clock of a sowing starts with the rain that wakes the seed."""

import pandas as pd
import pytest

from afterrains.contrast import judge
from afterrains.evidence.panel import read_panel
from afterrains.results.rain import clocked, with_clock_told

DRY = [f"{year}-dry" for year in range(2000, 2014)]


def _clocks(sowing, days):
    return sowing.assign(clock_from=pd.to_datetime(days))


def test_rain_soon_after_sowing_changes_nothing(invented):
    """By hand: rain a week after sowing, before any season's middle, gives the same judgement."""
    panel, sowing = invented([4.0, 0.0], controls=6)
    soon = judge(panel, _clocks(sowing, ["2008-07-08", "2008-07-10"]), woody_model=True)
    pd.testing.assert_frame_equal(soon, judge(panel, sowing, woody_model=True))


def test_seasons_are_counted_from_the_rain_and_before_ends_at_sowing(invented):
    """By hand: sown July 2008, woken July 2009; 2008-dry is neither before nor one."""
    panel, sowing = invented([4.0, 0.0], controls=6)
    late = _clocks(sowing, ["2009-07-05", "2008-07-05"])
    history = judge(panel, late, woody_model=True).groupby("site_id")
    first = history.first()
    assert first.loc["s00", "as_of"] == "2009-dry"
    assert first.loc["s01", "as_of"] == "2008-dry"
    assert (first["seasons_since_sowing"] == 1).all()
    arrays = read_panel(panel, late)
    waiting = pd.isna(arrays.dry.values[list(arrays.site_ids).index("s00")])
    assert [s for s, out in zip(arrays.dry.seasons, waiting, strict=True) if out] == ["2008-dry"]


def test_site_whose_seed_still_waits_is_not_judged(invented):
    """By hand: no effective rain yet, so no row in the history; the other site has its own."""
    panel, sowing = invented([4.0, 0.0], controls=6)
    history = judge(panel, _clocks(sowing, [None, "2008-07-05"]), woody_model=True)
    assert set(history["site_id"]) == {"s01"}


def test_resowing_starts_no_second_clock_and_waiting_is_said():
    """By hand: two sowings at a, the first woke in 2019; b waits; c lies outside the record."""
    sowing = pd.DataFrame(
        {
            "site_id": ["a", "a", "b", "c"],
            "sown_on": pd.to_datetime(["2019-06-01", "2021-06-01", "2021-06-01", "1950-06-01"]),
        }
    )
    woken = pd.to_datetime(["2019-07-02", "2021-07-09", None, None])
    after = sowing.assign(first_effective_rain_on=woken, start=["good", "good", "none yet", ""])
    table = clocked(sowing, after)
    told = table.drop_duplicates("site_id").set_index("site_id")["clock_from"]
    assert told["a"] == pd.Timestamp("2019-07-02")
    assert pd.isna(told["b"])
    assert told["c"] == pd.Timestamp("1950-06-01")
    history = pd.DataFrame(
        {"site_id": ["a", "b", "c"], "reason": "r", "seasons_since_sowing": [3, 0, 9]}
    )
    said = with_clock_told(history, after).set_index("site_id")
    assert said["sowings"].tolist() == [2, 1, 1]
    assert said["clock_by"].tolist() == ["rain", "", "sowing"]
    assert "no effective rain" in said.loc["b", "reason"]
    assert said.loc["a", "reason"] == "r"


@pytest.mark.parametrize("rain_after", [None])
def test_without_rain_data_the_sowing_starts_the_clock(rain_after):
    """The sowing table goes through as it is."""
    sowing = pd.DataFrame({"site_id": ["a"], "sown_on": [pd.Timestamp("2019-06-01")]})
    assert clocked(sowing, rain_after) is sowing
