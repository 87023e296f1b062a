"""How often a sowing would have found a good start."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from afterrains.rain import RainRecord, sowing_rain
from afterrains.rain.after_sowing import StartRule
from afterrains.rain.start_chances import start_chances


def record(rain: pd.Series) -> RainRecord:
    return RainRecord(rain.to_frame(""), "made")


@pytest.fixture
def twenty_years(rng) -> pd.Series:
    days = pd.date_range("2000-01-01", "2020-12-31")
    season = (days.day_of_year > 165) & (days.day_of_year < 275)
    wet = rng.random(len(days)) < np.where(season, 0.33, 0.01)
    return pd.Series(np.where(wet, rng.gamma(0.8, 13, size=len(days)), 0.0), index=days)


def test_counts_are_those_of_real_sowings(twenty_years):
    """Each 15th of a month asked one by one of `sowing_rain`."""
    chances = start_chances(record(twenty_years), ["a"]).set_index("month")
    sown = twenty_years.index[twenty_years.index.day == 15]
    sowing = pd.DataFrame({"site_id": "a", "sown_on": sown})
    one_by_one = sowing_rain(sowing, record(twenty_years))
    one_by_one = one_by_one[one_by_one["days_waited"] <= 365]
    counts = one_by_one.groupby([one_by_one["sown_on"].dt.month, "start"]).size().unstack()
    for kind in ("good", "broken"):
        wanted = counts[kind].reindex(range(1, 13), fill_value=0)
        np.testing.assert_array_equal(chances[kind], wanted)
    assert (chances["good"] + chances["broken"] + chances["none"] == chances["years"]).all()
    np.testing.assert_allclose(chances["share_good"], chances["good"] / chances["years"])


def test_by_hand():
    """Three years: rain that holds, rain that breaks, none; sown in May and in October."""
    days = pd.date_range("2001-01-01", "2003-12-31")
    rain = pd.Series(0.0, index=days)
    rain["2001-06-20"] = 25
    rain["2001-06-24":"2001-09-30":4] = 5.0
    rain["2002-06-14"] = 30
    found = start_chances(record(rain), ["a"], wait_days=90).set_index("month")
    may, october = found.loc[5], found.loc[10]
    assert may[["years", "good", "broken", "none"]].tolist() == [3, 1, 1, 1]
    assert may["share_good"] == pytest.approx(1 / 3)
    assert may["median_days_waited"] == 33  # 36 and 30 days
    # The third October's 90 days end after the record: that year cannot be told.
    assert october[["years", "good", "broken", "none"]].tolist() == [2, 0, 0, 2]
    assert np.isnan(october["median_days_waited"])


def test_the_wait_counts_to_the_day():
    """By hand: sown 15 May, rain on 20 June is 36 days later."""
    rain = pd.Series(0.0, index=pd.date_range("2001-01-01", "2001-12-31"))
    rain["2001-06-20":"2001-09-30":3] = 25.0
    for wait, good in ((36, 1), (35, 0)):
        found = start_chances(record(rain), ["a"], wait_days=wait).set_index("month")
        assert found.loc[5, "good"] == good


def test_years_with_gaps_are_not_counted(twenty_years):
    """By hand: four unread days before the rains hide what the first effective rain was."""
    whole = start_chances(record(twenty_years), ["a"]).set_index("month")
    holed = twenty_years.copy()
    holed["2010-05-20":"2010-05-23"] = np.nan
    found = start_chances(record(holed), ["a"]).set_index("month")
    assert found.loc[5, "years"] == whole.loc[5, "years"] - 1
    assert found.loc[6, "years"] == whole.loc[6, "years"]
    holed["2010-05-20"] = 0.0
    assert (
        start_chances(record(holed), ["a"]).set_index("month").loc[5, "years"]
        == whole.loc[5, "years"]
    )


def test_a_stricter_rule_leaves_fewer_good_starts(twenty_years):
    lax = start_chances(record(twenty_years), ["a"])
    strict = start_chances(record(twenty_years), ["a"], rule=StartRule(dry_spell_days=4))
    assert (strict["good"] <= lax["good"]).all()
    assert strict["good"].sum() < lax["good"].sum()


def test_sites_have_their_own_rows_and_unknown_ones_no_years(twenty_years):
    daily = pd.DataFrame({"a": twenty_years, "b": twenty_years * 0.5})
    found = start_chances(RainRecord(daily, "made"), ["b", "a", "c"])
    assert found["site_id"].tolist() == ["b"] * 12 + ["a"] * 12 + ["c"] * 12
    by_site = found.groupby("site_id")["good"].sum()
    assert by_site["a"] > by_site["b"]
    assert (found.loc[found["site_id"] == "c", "years"] == 0).all()
    with pytest.raises(ValueError, match="at least 1"):
        start_chances(RainRecord(daily, "made"), ["a"], wait_days=0)
