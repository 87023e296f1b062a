"""First effective rain after sowing, and whether it held."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from afterrains.rain import RainRecord, clock_starts, sowing_rain
from afterrains.rain.after_sowing import first_effective


def record(
    rain: dict[str, float], first: str = "2021-01-01", last: str = "2021-12-31"
) -> RainRecord:
    daily = pd.Series(0.0, index=pd.date_range(first, last))
    for day, amount in rain.items():
        daily.loc[day] = amount
    return RainRecord(daily.to_frame(""), "made by hand")


def sown(*days: str, site: str = "north") -> pd.DataFrame:
    return pd.DataFrame({"site_id": [site] * len(days), "sown_on": pd.to_datetime(list(days))})


def one(rain: dict[str, float], day: str = "2021-05-01", **rule) -> pd.Series:
    return sowing_rain(sown(day), record(rain), **rule).iloc[0]


def every(first: str, last: str, step: int, amount: float) -> dict[str, float]:
    days = pd.date_range(first, last, freq=f"{step}D")
    return {str(day.date()): amount for day in days}


def test_a_good_start_by_hand():
    """8 + 0 + 14 mm close on 22 June; then 4 mm every fourth day: 3 dry days at most, 28 mm."""
    row = one({"2021-06-20": 8, "2021-06-22": 14} | every("2021-06-26", "2021-09-30", 4, 4))
    assert row["first_effective_rain_on"] == pd.Timestamp(2021, 6, 22)
    assert row["days_waited"] == 52  # 30 days to 31 May, 22 of June
    assert row["rain_30d_mm"] == 28  # 26 and 30 June; 4, 8, 12, 16 and 20 July
    assert row["longest_dry_spell_30d"] == 3
    assert row["start"] == "good"
    assert row["missing_days"] == 0


@pytest.mark.parametrize(("spell", "start"), [(6, "good"), (7, "good"), (8, "broken")])
def test_a_spell_of_more_than_seven_days_breaks_the_start(spell, start):
    """Sivakumar (1988) as most copies print it: no dry spell over 7 days in the next 30."""
    rain = {"2021-06-20": 25} | every("2021-06-21", "2021-09-30", 1, 2)
    for day in pd.date_range("2021-06-28", periods=spell):
        rain[str(day.date())] = 0.9  # under the wet-day threshold of 1 mm
    row = one(rain)
    assert row["start"] == start
    assert row["longest_dry_spell_30d"] == spell
    assert one(rain, dry_spell_days=spell - 1)["start"] == "broken"


def test_a_spell_that_begins_with_the_rain_day_counts_from_the_day_after():
    rain = {"2021-06-20": 25} | every("2021-06-29", "2021-09-30", 1, 2)
    assert one(rain)["longest_dry_spell_30d"] == 8


def test_rain_before_sowing_does_not_count():
    """By hand: 15 mm on the eve, 15 mm on the day of sowing."""
    rain = {"2021-06-09": 15, "2021-06-10": 15, "2021-06-20": 20}
    assert one(rain, "2021-06-10")["first_effective_rain_on"] == pd.Timestamp(2021, 6, 20)
    assert one(rain, "2021-06-09")["first_effective_rain_on"] == pd.Timestamp(2021, 6, 10)
    assert one(rain, "2021-06-20")["days_waited"] == 0


def test_the_threshold_is_reached_by_decimals():
    """6.7 + 6.6 + 6.7 is 20, though not in binary floating point."""
    assert first_effective(np.array([6.7, 6.6, 6.7])) == 2
    assert first_effective(np.array([6.7, 6.6, 6.6])) is None
    assert first_effective(np.array([])) is None


def test_amount_and_days_are_settable():
    rain = {"2021-06-01": 6, "2021-06-05": 6, "2021-07-01": 30}
    assert one(rain)["first_effective_rain_on"] == pd.Timestamp(2021, 7, 1)
    five_days = one(rain, effective_mm=12, within_days=5)
    assert five_days["first_effective_rain_on"] == pd.Timestamp(2021, 6, 5)
    with pytest.raises(ValueError, match="above zero"):
        one(rain, effective_mm=0)


def test_none_yet():
    row = one({"2021-06-01": 10})
    assert row["start"] == "none yet"
    assert pd.isna(row["first_effective_rain_on"]) and np.isnan(row["days_waited"])


def test_a_start_is_left_open_until_its_30_days_are_past():
    """Record to 31 December: effective rain on 10 December, and 21 days known after it."""
    wet = {"2021-12-10": 25} | every("2021-12-12", "2021-12-31", 2, 3)
    row = one(wet)
    assert row["first_effective_rain_on"] == pd.Timestamp(2021, 12, 10)
    assert row["start"] == "" and np.isnan(row["rain_30d_mm"])
    # A start that has broken already needs no further days.
    assert one({"2021-12-10": 25})["start"] == "broken"


def test_gaps_are_neither_dry_nor_wet():
    """By hand: a spell of 10 days with a gap in its middle is two spells of 5 and 4."""
    rain = {"2021-06-20": 25} | every("2021-06-21", "2021-09-30", 1, 2)
    for day in pd.date_range("2021-06-25", periods=10):
        rain[str(day.date())] = 0.0
    assert one(rain)["start"] == "broken"
    rain["2021-06-30"] = np.nan
    row = one(rain)
    assert (row["start"], row["longest_dry_spell_30d"], row["missing_days"]) == ("good", 5, 1)
    for day in pd.date_range("2021-07-05", periods=3):
        rain[str(day.date())] = np.nan
    row = one(rain)
    assert (row["start"], row["missing_days"]) == ("", 4)
    assert np.isnan(row["rain_30d_mm"])


def test_a_record_full_of_holes_does_not_say_none_yet():
    rain = {str(day.date()): np.nan for day in pd.date_range("2021-06-01", "2021-06-30")}
    assert one(rain)["start"] == ""


def test_sowings_outside_the_record():
    later = one({"2021-06-01": 30}, "2022-03-01")
    assert later["start"] == "" and pd.isna(later["first_effective_rain_on"])
    # Sown before the record: an earlier rain may have gone unseen, and the count says so.
    earlier = one({"2021-02-01": 30}, "2020-12-01")
    assert earlier["first_effective_rain_on"] == pd.Timestamp(2021, 2, 1)
    assert earlier["missing_days"] == 31


def test_columns_and_kinds_hold_for_an_empty_table_too():
    empty = sowing_rain(sown(), record({}))
    full = sowing_rain(sown("2021-05-01"), record({"2021-06-01": 30}))
    assert list(empty.columns) == list(full.columns)
    assert list(full.columns[:8]) == [
        "site_id",
        "sown_on",
        "first_effective_rain_on",
        "days_waited",
        "rain_30d_mm",
        "longest_dry_spell_30d",
        "rains_spi",
        "start",
    ]
    assert full["first_effective_rain_on"].dtype.kind == "M"
    assert empty["first_effective_rain_on"].dtype.kind == "M"


def test_each_site_has_its_own_rain():
    days = pd.date_range("2021-01-01", "2021-12-31")
    daily = pd.DataFrame(0.0, index=days, columns=["east", "north"])
    daily.loc["2021-06-01", "east"] = 30
    daily.loc["2021-07-01", "north"] = 30
    both = pd.concat([sown("2021-05-01", site="north"), sown("2021-05-01", site="east")])
    waited = sowing_rain(both, RainRecord(daily, "made by hand"))["days_waited"]
    assert waited.tolist() == [61, 31]


def test_the_clock_starts_with_the_rain_of_the_first_sowing():
    """A re-sowing starts no second clock; unknown rain falls back on the sowing itself."""
    rec = record({"2021-06-01": 30, "2021-08-01": 30})
    table = sowing_rain(
        pd.concat(
            [
                sown("2021-07-10", "2021-05-01", site="north"),
                sown("2021-10-01", site="east"),
                sown("2022-05-01", site="west"),
            ]
        ),
        rec,
    )
    clocks = clock_starts(table).set_index("site_id")
    assert clocks.loc["north", "clock_from"] == pd.Timestamp(2021, 6, 1)
    assert clocks.loc["north", "first_sown_on"] == pd.Timestamp(2021, 5, 1)
    assert clocks["sowings"].to_dict() == {"east": 1, "north": 2, "west": 1}
    assert clocks["clock_by"].to_dict() == {"east": "", "north": "rain", "west": "sowing"}
    assert pd.isna(clocks.loc["east", "clock_from"])
    assert clocks.loc["west", "clock_from"] == pd.Timestamp(2022, 5, 1)
