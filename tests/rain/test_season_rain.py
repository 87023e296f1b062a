"""Rain of each site and season."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from afterrains.programme import NamedRains
from afterrains.rain import RainRecord, from_calendar, season_rain, sowing_rain
from afterrains.rain.dryness import spi

RAINS = [NamedRains(name="rains", start="06-01", end="09-30")]


@pytest.fixture
def thirty_years(rng) -> pd.DataFrame:
    days = pd.date_range("1991-01-01", "2020-12-31")
    wet = days.month.isin([6, 7, 8, 9])[:, None] & (rng.random((len(days), 2)) < 0.3)
    rain = np.where(wet, rng.gamma(0.8, 13, size=(len(days), 2)), 0.0)
    return pd.DataFrame(rain, index=days, columns=["east", "north"])


def table(daily: pd.DataFrame, **rule) -> pd.DataFrame:
    calendar = from_calendar(RAINS, daily.index[0], daily.index[-1])
    return season_rain(RainRecord(daily, "made"), calendar, list(daily.columns), **rule)


def test_totals_and_spi_are_those_of_the_plain_sums(thirty_years):
    """Pandas sums by year of June to September; SPI of those sums."""
    found = table(thirty_years)
    summer = thirty_years[thirty_years.index.month.isin([6, 7, 8, 9])]
    sums = summer.groupby(summer.index.year).sum()
    for site in ("east", "north"):
        rains = found[(found["site_id"] == site) & found["season"].str.endswith("-rains")]
        np.testing.assert_allclose(rains["rain_mm"], sums[site], rtol=1e-12)
        np.testing.assert_allclose(rains["spi"], spi(sums[site].to_numpy()))
        np.testing.assert_array_equal(rains["rain_rank"], sums[site].rank())
        assert (rains["rain_years"] == 30).all()
        assert (rains["rain_reference"] == "1991-2020").all()
        wet_days = (summer[site] >= 1).groupby(summer.index.year).sum()
        np.testing.assert_array_equal(rains["rain_days"], wet_days)


def test_one_row_for_each_site_and_season(thirty_years):
    found = table(thirty_years)
    assert not found.duplicated(["site_id", "season"]).any()
    assert list(found.columns[:7]) == [
        "site_id",
        "season",
        "rain_mm",
        "spi",
        "dry_spell_days",
        "rain_days",
        "missing_days",
    ]
    assert len(found) == 2 * (30 + 31)  # 30 rains, 31 dry seasons, the first and last cut


def test_a_season_with_gaps_has_no_total(thirty_years):
    """By hand: 5 missing days leave a total, 6 do not; the other years are untouched."""
    holed = thirty_years.copy()
    holed.loc["2000-07-01":"2000-07-05", "east"] = np.nan
    holed.loc["2005-07-01":"2005-07-06", "east"] = np.nan
    found = table(holed).set_index(["site_id", "season"])
    five, six = found.loc[("east", "2000-rains")], found.loc[("east", "2005-rains")]
    assert five["missing_days"] == 5 and np.isfinite(five["rain_mm"])
    assert six["missing_days"] == 6
    assert six[["rain_mm", "spi", "dry_spell_days", "rain_days"]].isna().all()
    assert six["rain_years"] == 29
    assert np.isfinite(found.loc[("north", "2005-rains")]["rain_mm"])
    more = table(holed, most_missing_days=6).set_index(["site_id", "season"])
    assert np.isfinite(more.loc[("east", "2005-rains")]["rain_mm"])


def test_seasons_outside_the_record_are_missing_not_dry(thirty_years):
    found = table(thirty_years).set_index(["site_id", "season"])
    first = found.loc[("east", "1990-dry")]
    assert np.isnan(first["rain_mm"])
    assert first["missing_days"] == 92  # October to December 1990


def test_a_running_season_has_a_total_so_far_and_no_spi(thirty_years):
    daily = thirty_years[:"2020-08-15"]
    calendar = from_calendar(RAINS, "1991-01-01", "2020-08-15")
    calendar.loc[calendar["season"] == "2020-rains", "end"] = pd.Timestamp(2020, 8, 15)
    found = season_rain(RainRecord(daily, "made"), calendar, ["east"]).set_index("season")
    running = found.loc["2020-rains"]
    assert running["rain_mm"] == pytest.approx(daily.loc["2020-06-01":, "east"].sum())
    assert np.isnan(running["spi"]) and running["spi_class"] == ""
    assert (running["rain_years"], running["rain_reference"]) == (29, "1991-2019")


def test_one_series_stands_for_all_sites(thirty_years):
    wide = RainRecord(thirty_years[["east"]].set_axis([""], axis=1), "made")
    calendar = from_calendar(RAINS, "1991-01-01", "2020-12-31")
    found = season_rain(wide, calendar, ["a", "b"])
    a, b = (found[found["site_id"] == site].drop(columns="site_id") for site in "ab")
    pd.testing.assert_frame_equal(a.reset_index(drop=True), b.reset_index(drop=True))
    per_site = table(thirty_years)
    east = per_site[per_site["site_id"] == "east"].drop(columns="site_id")
    pd.testing.assert_frame_equal(a.reset_index(drop=True), east.reset_index(drop=True))


def test_a_site_without_rain_has_empty_cells(thirty_years):
    calendar = from_calendar(RAINS, "1991-01-01", "2020-12-31")
    found = season_rain(RainRecord(thirty_years, "made"), calendar, ["south"])
    assert found["rain_mm"].isna().all() and (found["rain_years"] == 0).all()
    assert (found["rain_reference"] == "").all()


def test_the_longest_dry_spell_is_cut_at_the_seasons_ends():
    """By hand: June to September without rain is 122 days, though May was dry as well."""
    days = pd.date_range("2001-01-01", "2001-12-31")
    found = table(pd.DataFrame({"east": np.zeros(len(days))}, index=days)).set_index("season")
    assert found.loc["2001-rains", "dry_spell_days"] == 122
    assert found.loc["2001-rains", "rain_days"] == 0
    assert np.isnan(found.loc["2001-rains", "spi"])


def test_a_sowing_bears_the_spi_of_the_rains_its_seed_woke_in(thirty_years):
    record = RainRecord(thirty_years, "made")
    calendar = from_calendar(RAINS, "1991-01-01", "2020-12-31")
    rains = season_rain(record, calendar, ["east"]).set_index("season")["spi"]
    sowing = pd.DataFrame(
        {"site_id": "east", "sown_on": pd.to_datetime(["2005-04-01", "2010-11-01", "2020-10-20"])}
    )
    found = sowing_rain(sowing, record, calendar=calendar)
    assert found["rains_spi"].iloc[0] == rains["2005-rains"]
    assert found["rains_spi"].iloc[1] == rains["2011-rains"]
    assert np.isnan(found["rains_spi"].iloc[2])
