"""Reference years: a longer rain record moves no past season."""

from datetime import date

import numpy as np
import pandas as pd
import pytest

from afterrains.errors import InputError
from afterrains.programme import load_programme
from afterrains.rain import RainRecord, from_rain, from_threshold, reference_years, season_rain
from afterrains.stages.calendars import full_calendar, start_rule

YAML = """
programme: {id: seasons, name: Seasons}
sites: sites.geojson
sowing: sowing.csv
rain: {table: rain.csv%s}
scenes: {catalogue: catalog.json, collections: [sentinel-2-l2a], start: 2016-01-01, end: 2019-12-31}
seasons: {from: rain%s}
"""


@pytest.fixture
def daily(rng):
    """Thirty years of Sahel-like rain, invented."""
    days = pd.date_range("1990-01-01", "2019-12-31")
    share = np.clip(np.sin((days.day_of_year - 150) / 130 * np.pi), 0, None)
    share = share * ((days.day_of_year > 150) & (days.day_of_year < 280))
    return pd.Series((rng.random(len(days)) < 0.45 * share) * rng.gamma(0.8, 14, len(days)), days)


def _written(folder, rain="", seasons=""):
    for name in ("sites.geojson", "sowing.csv", "rain.csv", "catalog.json"):
        (folder / name).write_text("{}")
    (folder / "programme.yaml").write_text(YAML % (rain, seasons))
    return load_programme(folder / "programme.yaml")


@pytest.mark.parametrize(
    ("first", "last", "watched", "years"),
    [
        ("1981-01-01", "2025-12-31", "2016-01-01", (1986, 2015)),
        ("1994-01-01", "2025-12-31", "2016-01-01", (1994, 2015)),
        ("1994-03-01", "2025-06-30", "2016-05-01", (1995, 2015)),
        ("2010-01-01", "2025-12-31", "2016-01-01", (2010, 2019)),
        ("2017-01-01", "2025-12-31", "2016-01-01", None),
    ],
)
def test_reference_years_by_hand(first, last, watched, years):
    """The last thirty full years before the watch, else the first ten, else the whole record."""
    days = (date.fromisoformat(day) for day in (first, last, watched))
    assert reference_years(*days) == years


@pytest.mark.parametrize("rule", [from_rain, from_threshold])
def test_a_year_more_of_rain_moves_no_past_season(daily, rule):
    """Every season that was complete keeps its dates; without a reference some move."""
    shorter = daily[:"2018-12-31"]
    keys = ["season", "start", "end", "observe_from"]
    before = rule(shorter, reference=(1990, 2015))
    after = rule(daily, reference=(1990, 2015))
    old = before[before["complete"]][keys].reset_index(drop=True)
    new = after[after["season"].isin(old["season"])][keys].reset_index(drop=True)
    assert len(old) > 50
    pd.testing.assert_frame_equal(old, new)


def test_without_reference_years_past_seasons_move(daily):
    """The fault that the reference mends, so that the test above can fail."""
    wet = daily.copy()
    wet["2019-05-01":"2019-11-30"] += 25
    keys = ["season", "start", "end"]
    before, after = from_rain(daily[:"2018-12-31"]), from_rain(wet)
    old = before[before["complete"]][keys].reset_index(drop=True)
    new = after[after["season"].isin(old["season"])][keys].reset_index(drop=True)
    assert not old.equals(new)


def test_a_year_more_of_rain_moves_no_past_spi(daily):
    """The SPI of past seasons compares with the reference years alone."""
    told = []
    for rain in (daily[:"2018-12-31"], daily):
        record = RainRecord(rain.to_frame(""), "invented")
        calendar = from_rain(rain, reference=(1990, 2015))
        table = season_rain(record, calendar, ["a"], reference=(1990, 2015))
        told.append(table.set_index("season")[["spi", "rain_years", "rain_reference"]])
    rains = [f"{year}-rains" for year in range(1990, 2018)]
    pd.testing.assert_frame_equal(told[0].loc[rains], told[1].loc[rains])
    assert set(told[0].loc[rains, "rain_reference"]) == {"1990-2015"}
    assert told[0].loc[rains, "spi"].notna().all()


def test_programme_chooses_the_rule_and_its_numbers(tmp_path, daily):
    """The file's thresholds are those of `from_threshold`; its effective rain is the start rule."""
    programme = _written(
        tmp_path,
        ", effective: {mm: 15, days: 2, dry_spell_days: 10}",
        ", rule: threshold, thresholds: {wet_mm: 25, onset_from: 06-01}, dieback_days: 40",
    )
    record = RainRecord(daily.to_frame(""), "invented")
    from afterrains.rain import ThresholdRule

    rule = ThresholdRule(wet_mm=25.0, onset_from="06-01")
    expected = from_threshold(daily, rule, dieback_days=40, reference=(1990, 2015))
    pd.testing.assert_frame_equal(full_calendar(programme, record), expected)
    told = start_rule(programme)
    assert (told.effective_mm, told.within_days, told.dry_spell_days) == (15, 2, 10)


def test_defaults_are_those_of_the_library(tmp_path):
    """A programme file that says nothing gets the published numbers."""
    from afterrains.programme.ground import Thresholds
    from afterrains.rain import StartRule, ThresholdRule

    assert ThresholdRule(**Thresholds().model_dump()) == ThresholdRule()
    assert start_rule(_written(tmp_path)) == StartRule()


@pytest.mark.parametrize(
    ("seasons", "told"),
    [
        (", rule: threshold, rainy_seasons: 2", "knows one rainy season"),
        (", thresholds: {wet_mm: 25}", "set rule: threshold"),
        (", rule: thresholds", "threshold"),
        (", reference_years: [2000, 2001]", "fewer than three"),
        (", rule: threshold, thresholds: {onset_from: 13-01}", "onset_from"),
    ],
)
def test_faults_of_the_settings_are_told(tmp_path, seasons, told):
    """Each with the place and the mend."""
    with pytest.raises(InputError, match=told):
        _written(tmp_path, seasons=seasons)
