"""Seasons by thresholds, against the worked examples and xclim's `rain_season`."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from afterrains.errors import InputError
from afterrains.rain.threshold import (
    ThresholdRule,
    from_threshold,
    threshold_end,
    threshold_onset,
)

# A deprecation inside xclim 0.62 under pandas 3, of no effect on its numbers.
pytestmark = pytest.mark.filterwarnings("ignore:The 'name' property is deprecated")

# xclim asks for 25 mm, and a run of exactly 7 dry days disqualifies already.
XCLIM = {"wet_mm": 25.0, "dry_spell_days": 6}


def suite_series() -> np.ndarray:
    """Test A: the series of xclim's own test suite (commit a8cbec8), 365 days."""
    rain = np.full(365, np.nan)
    rain[0:3] = 10.0
    rain[3:33] = 5.0
    rain[99:119] = 0.0
    return rain


def dates(rain: np.ndarray) -> tuple[int | None, int | None]:
    """Day of the year of onset and of the first day of the rainless spell."""
    start = threshold_onset(rain, **XCLIM)
    if start is None:
        return None, None
    spell = threshold_end(rain[start + 1 :], rainless_mm=1e-9)
    return start + 1, None if spell is None else start + 1 + spell + 1


def test_the_suite_series():
    """Printed in xclim's test suite a8cbec8: start 3, end 100, length 97."""
    assert dates(suite_series()) == (3, 100)
    no_wet_start = suite_series()
    no_wet_start[2] = 0.0
    assert dates(no_wet_start) == (None, None)
    dry_spell = suite_series()
    dry_spell[10:17] = 0.0
    assert dates(dry_spell) == (None, None)
    short_end = suite_series()
    short_end[118] = 5.0
    assert dates(short_end) == (3, None)


def sahel(dry_run: int = 0) -> np.ndarray:
    """Test B, 2001: 8, 0, 14 mm on days 171-173, 4 mm on days 174-260, none elsewhere."""
    rain = np.zeros(365)
    rain[170:173] = 8, 0, 14
    rain[173:260] = 4.0
    rain[180 : 180 + dry_run] = 0.0
    return rain


@pytest.mark.parametrize(
    ("dry_run", "found"), [(0, (173, 260)), (6, (173, 260)), (7, None), (8, None)]
)
def test_the_sahel_series(dry_run, found):
    """Computed with xclim 0.62.0 (20 mm, dry end 1 mm): start 173, end 261; none with 7 or 8.

    There the end is the first dry day; a calendar's last day of the rains is the day before.
    """
    rain = pd.Series(sahel(dry_run), index=pd.date_range("2001-01-01", periods=365))
    rule = ThresholdRule(dry_spell_days=6)
    if found is None:
        with pytest.raises(InputError, match="no onset by the thresholds"):
            from_threshold(rain, rule)
        return
    calendar = from_threshold(rain, rule).set_index("season")
    rains = calendar.loc["2001-rains"]
    assert (rains["start"].day_of_year, rains["end"].day_of_year) == found
    assert rains["complete"] and not calendar.loc["2001-dry", "complete"]


def test_exactly_seven_dry_days_are_allowed_by_default():
    """Sivakumar (1988) as most copies print it: no spell of more than seven days."""
    assert threshold_onset(sahel(7)) == 172
    assert threshold_onset(sahel(8)) != 172


def test_onset_and_end_agree_with_xclim(rng):
    """60 invented years, apart from two habits of xclim's that are not the published rule.

    Its spell may begin up to day 33 after the onset and end beyond it, which 38 days stand for
    here. And where a storm is followed by a long dry spell, it may start the season inside that
    spell, on a dry day that still has the storm in its three-day sum: such years are left out.
    """
    from xclim.indices import rain_season

    days = pd.date_range("1961-01-01", "2020-12-31")
    season = (days.day_of_year > 150) & (days.day_of_year < 280)
    wet = rng.random(len(days)) < np.where(season, 0.33, 0.02)
    rain = pd.Series(np.where(wet, rng.gamma(0.8, 14, size=len(days)), 0.0), index=days)
    pr = xr.DataArray(rain, dims="time", coords={"time": days}, attrs={"units": "mm/day"})
    start, end, _ = rain_season(pr, thresh_dry_end="1 mm")
    agreed = 0
    for year in range(1961, 2021):
        theirs_start = float(start.sel(time=str(year)).item())
        theirs_end = float(end.sel(time=str(year)).item())
        values = rain[f"{year}-05-01" : f"{year}-12-31"].to_numpy()
        place = threshold_onset(values, wet_mm=25, dry_spell_days=6, follow_days=38)
        ours = np.nan if place is None else pd.Timestamp(year, 5, 1).day_of_year + place
        if np.isfinite(theirs_start) and rain[str(year)].iloc[int(theirs_start) - 1] < 1:
            continue
        np.testing.assert_equal(float(ours), theirs_start)
        autumn = rain[f"{year}-09-01" : f"{year}-12-31"].to_numpy()
        spell = threshold_end(autumn)
        # xclim passes over a spell that began before 1 September; here it ends the rains then.
        began_before = (rain[f"{year}-08-31"] < 1) and spell == 0
        if place is not None and not began_before:
            assert pd.Timestamp(year, 9, 1).day_of_year + spell == theirs_end
            agreed += 1
    assert agreed > 30


def test_gaps_are_neither_wet_nor_dry():
    rain = sahel(8)
    rain[184] = np.nan
    assert threshold_onset(rain) == 172
    autumn = np.zeros(30)
    autumn[15] = np.nan
    assert threshold_end(autumn) is None
    assert threshold_end(autumn, rainless_days=14) == 0


def years_of(*years: np.ndarray, first: int = 2001) -> pd.Series:
    parts = [
        pd.Series(rain, index=pd.date_range(f"{first + n}-01-01", periods=365))
        for n, rain in enumerate(years)
    ]
    return pd.concat(parts)


def test_failed_years_have_the_median_dates():
    """By construction: the second of three years is rainless."""
    calendar = from_threshold(years_of(sahel(), np.zeros(365), sahel())).set_index("season")
    failed = calendar.loc["2002-rains"]
    assert failed["failed"] and failed["dates_from"] == "climatology" and failed["complete"]
    assert (failed["start"].day_of_year, failed["end"].day_of_year) == (173, 260)
    assert calendar["failed"].sum() == 1


def test_unread_years_have_the_median_dates_without_failing():
    calendar = from_threshold(years_of(sahel(), sahel() * np.nan, sahel())).set_index("season")
    unread = calendar.loc["2002-rains"]
    assert not unread["failed"] and unread["dates_from"] == "climatology"


@pytest.mark.parametrize(
    ("last", "tail"),
    [
        ("2002-06-30", [("2001-dry", False)]),
        ("2002-07-31", [("2001-dry", True), ("2002-rains", False)]),
        ("2002-09-25", [("2001-dry", True), ("2002-rains", False)]),
        ("2002-10-10", [("2001-dry", True), ("2002-rains", False), ("2002-dry", False)]),
        ("2002-12-31", [("2001-dry", True), ("2002-rains", True), ("2002-dry", False)]),
    ],
)
def test_what_is_still_running_is_not_complete(last, tail):
    """By construction: onset 22 June, known 30 days later; 20 rainless days to 7 October."""
    calendar = from_threshold(years_of(sahel(), sahel())[:last]).tail(len(tail))
    assert list(zip(calendar["season"], calendar["complete"], strict=True)) == tail
    assert calendar["end"].iloc[-1] == pd.Timestamp(last)


def test_a_season_across_new_year():
    """By construction: the same rains half a year later, with days of the year to match."""
    rain = years_of(sahel(), sahel(), sahel())
    rain.index = rain.index + pd.Timedelta(days=184)
    rule = ThresholdRule("11-01", "02-28", "03-01", "06-30")
    calendar = from_threshold(rain, rule).set_index("season")
    rains = calendar.loc["2001-rains"]
    assert rains["start"] == pd.Timestamp(2001, 6, 22) + pd.Timedelta(days=184)
    assert rains["end"] == pd.Timestamp(2001, 9, 17) + pd.Timedelta(days=184)
    assert calendar.loc["2002-dry", "start"].year == 2002
