"""Days and pentads."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from afterrains.rain.steps import Steps, days_of_steps, read_steps


def steps(*days: str, last: list[str] | None = None) -> Steps | str:
    return read_steps(pd.DatetimeIndex(days), None if last is None else pd.DatetimeIndex(last))


def test_days_with_a_gap_at_any_hour():
    found = steps("2021-06-01T12:00", "2021-06-02T12:00", "2021-06-05T12:00")
    assert found.kind == "daily" and found.days.tolist() == [1, 1, 1]
    assert found.first[2] == pd.Timestamp(2021, 6, 5)


def test_pentads_of_the_month_by_hand():
    """The last of February has 3 days, 4 in a leap year; of a long month, 6."""
    found = steps("2021-02-21", "2021-02-26", "2021-03-01", "2020-02-26", "2021-03-26")
    assert found.kind == "pentad"
    assert found.days.tolist() == [5, 3, 5, 4, 6]


def test_pentads_of_the_year_by_hand():
    """73 a year; the one that holds 29 February has 6 days."""
    found = steps("2020-02-20", "2020-02-25", "2020-03-02", "2020-03-07", "2020-03-17")
    assert found.days.tolist() == [5, 6, 5, 5, 5]


def test_bounds_tell_the_day_where_stamps_close_it():
    """Accumulations stamped at their end: the bounds say which day they are of."""
    found = steps("2021-06-01", "2021-06-02", last=["2021-06-02", "2021-06-03"])
    assert found.first[0] == pd.Timestamp(2021, 6, 1) and found.days.tolist() == [1, 1]


@pytest.mark.parametrize(
    ("days", "last", "message"),
    [
        (["2021-06-01", "2021-06-01T06:00"], None, "two time steps on 2021-06-01"),
        (["2021-06-01", "2021-07-01"], None, "30 days apart"),
        (["2021-06-01", "2021-06-11"], None, "10 days apart"),
        (["2021-06-01"], ["2021-07-01"], "not days or pentads"),
        (["2021-06-01T00", "2021-06-01T03"], ["2021-06-01T03", "2021-06-01T06"], "not days"),
        (["2021-06-01", "2021-06-03"], ["2021-06-06", "2021-06-08"], "overlapping"),
        ([pd.NaT], None, "no readable"),
        (["1600-06-01", "1600-06-02", "2021-06-01"], None, "421 years apart"),
    ],
)
def test_what_is_neither_day_nor_pentad_is_told(days, last, message):
    found = steps(*days, last=last)
    assert message in found


def test_pentads_are_spread_over_their_days():
    """By hand: 30 mm in the last pentad of January (6 days), 10 in one of 5; the order is free."""
    found = steps("2021-02-01", "2021-01-26", "2021-02-11")
    amounts = np.array([[10.0], [30.0], [np.nan]])
    daily, index = days_of_steps(amounts, found, rate=False)
    assert (index[0], index[-1]) == (pd.Timestamp(2021, 1, 26), pd.Timestamp(2021, 2, 15))
    assert daily[:6, 0].tolist() == [5.0] * 6
    assert daily[6:11, 0].tolist() == [2.0] * 5
    assert np.isnan(daily[11:]).all()  # 6 to 10 February are of no step, the rest is missing
    rates, _ = days_of_steps(amounts, found, rate=True)
    assert rates[0, 0] == 30 and rates[6, 0] == 10
