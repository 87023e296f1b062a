"""The season calendar: one and two seasons, New Year, failed and running seasons, gaps."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from afterrains import seasons
from afterrains.errors import InputError
from afterrains.programme import NamedRains
from afterrains.rain.seasons import from_calendar, from_rain, slots_of_year
from afterrains.rain.seasons import site_onsets as seasons_of_sites

RAINS = {"start": "06-10", "end": "09-20"}


def step_rain(
    first: str = "2010-01-01",
    last: str = "2019-12-31",
    *,
    wet: tuple[tuple[str, str], ...] = (("06-10", "09-20"),),
    changed: dict[int, tuple[str, str] | None] | None = None,
) -> pd.Series:
    """4 mm a day in the rains and none else; `changed` gives single years other rains, or none."""
    days = pd.date_range(first, last)
    rain = pd.Series(0.0, index=days)
    for year in range(days[0].year - 1, days[-1].year + 1):
        for start, end in wet:
            its_start, its_end = start, end
            if changed and year in changed:
                if changed[year] is None:
                    continue
                its_start, its_end = changed[year]
            end_year = year + (its_end < its_start)
            rain.loc[f"{year}-{its_start}" : f"{end_year}-{its_end}"] = 4.0
    return rain


def row(calendar: pd.DataFrame, season: str) -> pd.Series:
    (found,) = [r for _, r in calendar.iterrows() if r["season"] == season]
    return found


def test_the_facade_offers_the_same_function():
    assert seasons.from_rain is from_rain
    assert seasons.from_calendar is from_calendar


def test_steps_give_their_own_dates():
    """By construction: 4 mm on each day from 10 June to 20 September, none outside."""
    calendar = from_rain(step_rain())
    for year in range(2010, 2020):
        rains = row(calendar, f"{year}-rains")
        assert (rains["start"], rains["end"]) == (
            pd.Timestamp(year, 6, 10),
            pd.Timestamp(year, 9, 20),
        )
        assert rains["complete"] and not rains["failed"] and rains["dates_from"] == "rain"
    dry = row(calendar, "2012-dry")
    assert (dry["start"], dry["end"]) == (pd.Timestamp(2012, 9, 21), pd.Timestamp(2013, 6, 9))
    assert dry["observe_from"] == pd.Timestamp(2012, 11, 20)  # 60 days after 21 September
    assert dry["complete"]


def test_calendar_is_whole_and_ordered(rng):
    """No day of the record is in two seasons or in none."""
    rain = noisy_rain(rng)
    calendar = from_rain(rain)
    starts, ends = calendar["start"], calendar["end"]
    assert (starts.iloc[1:].to_numpy() == (ends.iloc[:-1] + pd.Timedelta(days=1)).to_numpy()).all()
    assert starts.iloc[0] <= rain.index[0]
    assert ends.iloc[-1] == rain.index[-1]
    assert calendar["season"].is_unique
    assert list(calendar.columns[:7]) == [
        "season",
        "year",
        "kind",
        "start",
        "end",
        "observe_from",
        "complete",
    ]
    assert (calendar["season"].str[:4].astype(int) == calendar["year"]).all()


def noisy_rain(rng: np.random.Generator, last: str = "2024-12-31") -> pd.Series:
    """Invented Sahel-like rain: wet days three in ten from mid-June to September."""
    days = pd.date_range("1995-01-01", last)
    wet = ((days.day_of_year > 165) & (days.day_of_year < 270)).astype(float) * 0.3 + 0.003
    amount = rng.gamma(0.8, 13, size=len(days))
    return pd.Series(np.where(rng.random(len(days)) < wet, amount, 0.0), index=days)


def test_a_late_and_a_short_year_have_their_own_dates():
    """By construction: the rains of 2014 come three weeks late and go two weeks early."""
    calendar = from_rain(step_rain(changed={2014: ("07-01", "09-06")}))
    late = row(calendar, "2014-rains")
    assert (late["start"], late["end"]) == (pd.Timestamp(2014, 7, 1), pd.Timestamp(2014, 9, 6))
    assert row(calendar, "2013-dry")["end"] == pd.Timestamp(2014, 6, 30)
    assert row(calendar, "2014-dry")["start"] == pd.Timestamp(2014, 9, 7)


def test_failed_rains_keep_the_mean_dates_and_say_so():
    """By construction: no drop in 2015; the other years' dates are the mean dates."""
    calendar = from_rain(step_rain(changed={2015: None}))
    failed = row(calendar, "2015-rains")
    assert failed["failed"] and failed["dates_from"] == "climatology" and failed["complete"]
    assert (failed["start"], failed["end"]) == (
        pd.Timestamp(2015, 6, 10),
        pd.Timestamp(2015, 9, 20),
    )
    assert not calendar.drop(index=failed.name)["failed"].any()
    assert row(calendar, "2014-dry")["complete"]
    assert row(calendar, "2014-dry")["dates_from"] == "climatology"


def test_a_storm_out_of_season_is_no_onset():
    """By hand: 40 mm on 1 May is less than the 45 mm that 40 dry days fall short of the mean."""
    rain = step_rain()
    rain["2016-05-01"] = 40.0
    assert row(from_rain(rain), "2016-rains")["start"] == pd.Timestamp(2016, 6, 10)


def test_two_rainy_seasons_are_found_and_numbered():
    """By construction: 1 March to 31 May and 15 October to 10 December."""
    rain = step_rain(wet=(("03-01", "05-31"), ("10-15", "12-10")))
    calendar = from_rain(rain)
    long, short = row(calendar, "2013-rains-1"), row(calendar, "2013-rains-2")
    assert (long["start"], long["end"]) == (pd.Timestamp(2013, 3, 1), pd.Timestamp(2013, 5, 31))
    assert (short["start"], short["end"]) == (
        pd.Timestamp(2013, 10, 15),
        pd.Timestamp(2013, 12, 10),
    )
    between, after = row(calendar, "2013-dry-1"), row(calendar, "2013-dry-2")
    assert (between["start"], between["end"]) == (
        pd.Timestamp(2013, 6, 1),
        pd.Timestamp(2013, 10, 14),
    )
    assert (after["start"], after["end"]) == (pd.Timestamp(2013, 12, 11), pd.Timestamp(2014, 2, 28))
    assert from_rain(rain, rainy_seasons=2).equals(calendar)


def test_one_of_two_seasons_can_fail_alone():
    """By construction: the short rains of 2014 do not come."""
    rain = step_rain(wet=(("03-01", "05-31"), ("10-15", "12-10")))
    rain["2014-10":"2014-12"] = 0.0
    calendar = from_rain(rain)
    assert calendar.loc[calendar["failed"], "season"].tolist() == ["2014-rains-2"]


def test_the_programme_may_say_one_season_where_harmonics_say_two():
    rain = step_rain(wet=(("03-01", "05-31"), ("10-15", "12-10")))
    assert "2013-rains" in set(from_rain(rain, rainy_seasons=1)["season"])


def test_rains_across_new_year_bear_the_year_they_begin_in():
    """By construction: 10 November to 31 March; the dry season after begins in the new year."""
    calendar = from_rain(step_rain(wet=(("11-10", "03-31"),)))
    rains = row(calendar, "2012-rains")
    assert (rains["start"], rains["end"]) == (pd.Timestamp(2012, 11, 10), pd.Timestamp(2013, 3, 31))
    dry = row(calendar, "2013-dry")
    assert (dry["start"], dry["end"]) == (pd.Timestamp(2013, 4, 1), pd.Timestamp(2013, 11, 9))
    assert calendar["season"].is_unique


def test_onset_that_wavers_about_new_year_keeps_one_id_a_year():
    """By construction: due on 28 December, in one year six days late, in January."""
    rain = step_rain(
        wet=(("12-28", "04-10"),), changed={2014: ("12-20", "04-10")}, last="2020-06-30"
    )
    rain["2016-12-28":"2017-01-03"] = 0.0
    calendar = from_rain(rain)
    assert calendar["season"].is_unique
    assert row(calendar, "2016-rains")["start"] == pd.Timestamp(2017, 1, 4)
    assert row(calendar, "2017-rains")["start"] == pd.Timestamp(2017, 12, 28)


@pytest.mark.parametrize(
    ("last", "seasons_left"),
    [
        # A dry season is not over before the next rains are seen, however near their mean onset.
        ("2019-06-08", [("2018-dry", False)]),
        ("2019-06-15", [("2018-dry", False)]),
        ("2019-08-10", [("2018-dry", True), ("2019-rains", False)]),
        ("2019-10-05", [("2018-dry", True), ("2019-rains", False)]),
        ("2019-10-20", [("2018-dry", True), ("2019-rains", False), ("2019-dry", False)]),
        ("2019-12-31", [("2018-dry", True), ("2019-rains", True), ("2019-dry", False)]),
    ],
)
def test_what_is_still_running_is_not_complete(last, seasons_left):
    """By construction: rains from 10 June to 20 September, the record cut at `last`."""
    calendar = from_rain(step_rain(last=last))
    tail = calendar.tail(len(seasons_left))
    assert list(zip(tail["season"], tail["complete"], strict=True)) == seasons_left
    assert tail["end"].iloc[-1] == pd.Timestamp(last)
    assert calendar.iloc[: -len(seasons_left)]["complete"].iloc[1:].all()


def test_rains_that_do_not_come_at_all_fail_while_the_record_runs():
    """By construction: no rain in 2019, record to mid-October, past the mean end."""
    calendar = from_rain(step_rain(last="2019-10-15", changed={2019: None}))
    failed = row(calendar, "2019-rains")
    assert failed["failed"] and not failed["complete"]
    assert row(calendar, "2018-dry")["complete"]
    assert not row(calendar, "2019-dry")["complete"]


def test_a_season_does_not_change_once_it_is_over(rng):
    """Dates found with later years in the record differ by days only (their mean year moves)."""
    rain = noisy_rain(rng)
    early, late = from_rain(rain[:"2023-12-31"]), from_rain(rain)
    both = early[early["complete"]].merge(late, on="season")
    assert len(both) == early["complete"].sum()
    moved = (both["start_x"] - both["start_y"]).abs().dt.days
    assert (moved <= 20).all()
    assert (moved == 0).mean() > 0.8


def test_the_dry_season_a_record_opens_in_is_listed_as_incomplete():
    calendar = from_rain(step_rain())
    first = calendar.iloc[0]
    assert (first["season"], first["complete"]) == ("2009-dry", False)
    assert first["start"] == pd.Timestamp(2009, 9, 21)
    assert first["dates_from"] == "climatology"


def test_gaps_are_not_dry():
    """By construction: ten unread days at the onset; the mean year stands in, not zero."""
    rain = step_rain()
    rain["2016-06-05":"2016-06-15"] = np.nan
    holed = row(from_rain(rain), "2016-rains")
    assert holed["start"] == pd.Timestamp(2016, 6, 10)
    assert holed["dates_from"] == "rain"
    # Rows left out say the same as empty cells.
    pd.testing.assert_frame_equal(from_rain(rain.dropna()), from_rain(rain))


def test_long_gaps_leave_the_mean_dates():
    """By construction: no reading from May to July 2016."""
    rain = step_rain()
    rain["2016-05-01":"2016-07-31"] = np.nan
    holed = row(from_rain(rain), "2016-rains")
    assert holed["dates_from"] == "climatology" and not holed["failed"] and holed["complete"]
    assert (holed["start"], holed["end"]) == (pd.Timestamp(2016, 6, 10), pd.Timestamp(2016, 9, 20))


def test_sites_share_the_calendar_of_their_mean_rain():
    rain = pd.DataFrame({"dry-side": step_rain() * 0.5, "wet-side": step_rain() * 1.5})
    pd.testing.assert_frame_equal(from_rain(rain), from_rain(step_rain()))


def test_a_rain_table_as_handed_in_gives_the_same_calendar():
    """Contract section 2: `date, rain_mm` or `date, site_id, rain_mm`, days as text."""
    days = pd.date_range("2000-01-01", "2006-12-31")
    wet = (days.day_of_year > 150) & (days.day_of_year < 271)
    daily = pd.Series(np.where(wet, 4.0, 0.1), index=days)
    plain = pd.DataFrame({"date": days.strftime("%Y-%m-%d"), "rain_mm": daily.to_numpy()})
    by_site = pd.concat([plain.assign(site_id="a"), plain.assign(site_id="b")])
    for table in (plain, by_site):
        pd.testing.assert_frame_equal(from_rain(table), from_rain(daily))
    with pytest.raises(ValueError, match="two readings for one day"):
        from_rain(pd.concat([plain, plain.iloc[:1]]))


def test_too_short_or_rainless_records_are_refused_with_a_mend():
    with pytest.raises(InputError, match=r"days of the year were never read.*calendar"):
        from_rain(step_rain(last="2010-09-30"))
    with pytest.raises(InputError, match="no reading"):
        from_rain(step_rain() * np.nan)
    with pytest.raises(InputError, match="cannot be told apart"):
        from_rain(step_rain() * 0)


def test_leap_days_share_the_slot_of_the_day_before():
    """By hand: 31 December is slot 364 in every year."""
    days = pd.DatetimeIndex(["2020-02-28", "2020-02-29", "2020-03-01", "2020-12-31", "2021-03-01"])
    assert slots_of_year(days).tolist() == [58, 58, 59, 364, 59]


LONG, SHORT = (
    NamedRains(name="long-rains", start="03-01", end="05-31"),
    NamedRains(name="short-rains", start="10-15", end="12-10"),
)


def test_calendar_seasons_have_their_own_names():
    """By hand from the two seasons' dates."""
    calendar = from_calendar([SHORT, LONG], "2020-01-15", "2021-06-30", dieback_days=45)
    assert calendar["season"].tolist() == [
        "2019-dry-2",
        "2020-long-rains",
        "2020-dry-1",
        "2020-short-rains",
        "2020-dry-2",
        "2021-long-rains",
        "2021-dry-1",
    ]
    assert calendar["complete"].tolist() == [False, True, True, True, True, True, False]
    assert calendar["start"].iloc[0] == pd.Timestamp(2019, 12, 11)
    assert calendar["end"].iloc[-1] == pd.Timestamp(2021, 10, 14)
    dry = row(calendar, "2020-dry-1")
    assert dry["observe_from"] == pd.Timestamp(2020, 7, 16)  # 45 days after 1 June
    assert (calendar["dates_from"] == "calendar").all()


def test_a_single_calendar_season_has_a_plain_dry_season():
    rains = [NamedRains(name="monsoon", start="06-15", end="09-30")]
    calendar = from_calendar(rains, "2020-06-01", "2021-12-31")
    assert calendar["season"].tolist() == [
        "2019-dry",
        "2020-monsoon",
        "2020-dry",
        "2021-monsoon",
        "2021-dry",
    ]


def test_calendar_rains_across_new_year():
    rains = [NamedRains(name="rains", start="11-01", end="02-28")]
    calendar = from_calendar(rains, "2019-11-01", "2021-12-31")
    first, second = row(calendar, "2019-rains"), row(calendar, "2020-rains")
    assert first["end"] == pd.Timestamp(2020, 2, 28)
    assert second["end"] == pd.Timestamp(2021, 2, 28)
    assert row(calendar, "2020-dry")["start"] == pd.Timestamp(2020, 2, 29)


def test_calendar_rains_that_touch_leave_no_dry_season():
    rains = [
        NamedRains(name="early", start="06-01", end="07-31"),
        NamedRains(name="main", start="08-01", end="09-30"),
    ]
    calendar = from_calendar(rains, "2020-06-01", "2020-12-31")
    assert calendar["season"].tolist() == ["2020-early", "2020-main", "2020-dry-2"]


def test_calendar_rains_that_overlap_are_refused():
    late = NamedRains(name="late", start="05-20", end="06-10")
    with pytest.raises(ValueError, match="'long-rains' has not ended when 'late' begins"):
        from_calendar([late, LONG], "2020-01-01", "2021-12-31")
    with pytest.raises(ValueError, match="lies before"):
        from_calendar([LONG], "2021-01-01", "2020-12-31")


def test_each_site_can_have_its_own_onset():
    """By construction: the north's rains come a fortnight later and fail once."""
    rain = pd.DataFrame(
        {
            "south": step_rain(),
            "north": step_rain(wet=(("06-24", "09-20"),), changed={2015: None}),
            "unread": step_rain() * np.nan,
        }
    )
    found = seasons_of_sites(rain).set_index(["site_id", "season"])
    assert set(found.index.get_level_values("site_id")) == {"south", "north"}
    assert found.loc[("south", "2012-rains"), "onset"] == pd.Timestamp(2012, 6, 10)
    assert found.loc[("north", "2012-rains"), "onset"] == pd.Timestamp(2012, 6, 24)
    assert found.loc[("north", "2012-rains"), "end"] == pd.Timestamp(2012, 9, 20)
    assert found["failed"].sum() == 1 and found.loc[("north", "2015-rains"), "failed"]
