"""Cells of hand-kept tables: what is read, and what is refused with its mend."""

from __future__ import annotations

import math
from datetime import date

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from afterrains.register.values import (
    Fault,
    decimal_number,
    identifier,
    iso_day,
    near_miss,
    plain_label,
)


@given(st.dates())
def test_every_iso_day_is_read(day: date) -> None:
    """date.isoformat is the standard library's own writer of ISO 8601 days."""
    assert iso_day(day.isoformat()) == day


@pytest.mark.parametrize(
    ("text", "mend"),
    [
        ("15/06/2020", "write 2020-06-15 if"),
        ("06/15/2020", "write 2020-06-15 if"),
        ("03/04/2020", "2020-04-03 or 2020-03-04"),
        ("15.6.20", "write 2020-06-15 if"),
        ("2020/06/15", "write 2020-06-15 if"),
        ("20200615", "write 2020-06-15 if"),
        ("2020-6-5", "write 2020-06-05 if"),
        ("2020-06-15 08:30", "without the time: 2020-06-15"),
        ("June 2020", "for example 2023-06-15"),
        ("99/99/2020", "for example"),
        ("n/a", "as YYYY-MM-DD"),
        ("٢٠٢٠-٠٦-١٥", "for example"),
    ],
)
def test_other_ways_to_write_a_day_are_refused_with_what_they_may_mean(
    text: str, mend: str
) -> None:
    day = iso_day(text)
    assert isinstance(day, Fault)
    assert mend in day.mend


@pytest.mark.parametrize("text", ["2021-02-29", "2021-04-31", "2021-13-01", "0000-01-01"])
def test_days_that_are_not_in_the_calendar_are_refused(text: str) -> None:
    day = iso_day(text)
    assert isinstance(day, Fault)
    assert "not a day of the calendar" in day.what


def test_spreadsheet_day_numbers_are_named_as_spreadsheets_count_them() -> None:
    """Manuals of spreadsheets give 39448 for 1 January 2008 (from memory); pandas counts alike."""
    for number, day in ((39448, "2008-01-01"), (43997, "2020-06-15")):
        expected = pd.to_datetime(number, unit="D", origin="1899-12-30").date().isoformat()
        assert expected == day
        fault = iso_day(str(number))
        assert isinstance(fault, Fault)
        assert day in fault.mend


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_number_python_writes_is_read(number: float) -> None:
    assert decimal_number(repr(number)) == number


@pytest.mark.parametrize(
    ("text", "mend"),
    [
        ("4,5", "4.5"),
        ("1,234", "could part decimals or thousands"),
        ("1 200 000", "thousands without a separator"),
        ("1.234.567,5", "thousands without a separator"),
        ("1’200", "thousands without a separator"),
        ("12 kg", "the number alone, 12"),
        ("12%", "the number alone, 12"),
        ("n/a", "leave the cell empty"),
        ("NaN", "leave the cell empty"),
        ("inf", "with a decimal point"),
        ("about five", "with a decimal point"),
        ("=A1+2", "with a decimal point"),
        ("1e999", "correct the number"),
        ("١٢", "with a decimal point"),
    ],
)
def test_what_is_not_a_plain_number_is_refused_with_its_mend(text: str, mend: str) -> None:
    number = decimal_number(text)
    assert isinstance(number, Fault)
    assert mend in number.mend


def test_an_empty_cell_is_nan_and_limits_are_inclusive() -> None:
    empty = decimal_number("", least=0)
    assert isinstance(empty, float)
    assert math.isnan(empty)
    assert decimal_number("0", least=0, most=100) == 0
    assert decimal_number("100", least=0, most=100) == 100
    assert decimal_number("-0.1", least=0) == Fault("-0.1 is negative", "correct the number")
    assert isinstance(decimal_number("100.1", most=100), Fault)


@pytest.mark.parametrize("text", ["north", "Site 7/b", "007", "Étang", "乾地-3", "a" * 100])
def test_ids_people_use_are_taken_as_they_are(text: str) -> None:
    assert identifier(text) == text


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("", "is empty"),
        ("a" * 101, "101 characters"),
        ("a\tb", r"U\+0009"),
        ("a\u200bb", r"U\+200B"),
        ("a\u202eb", r"U\+202E"),
        ("a\ue000", r"U\+E000"),
    ],
)
def test_ids_that_cannot_be_told_apart_by_eye_are_refused(text: str, what: str) -> None:
    fault = identifier(text)
    assert isinstance(fault, Fault)
    assert pd.Series([fault.what]).str.contains(what).all()


@given(st.text())
def test_labels_are_one_short_visible_line(text: str) -> None:
    label = plain_label(text)
    assert len(label) <= 200
    assert label == label.strip()
    assert not any(ord(char) < 32 for char in label)
    assert plain_label(label) == label


@given(st.text(), st.text())
def test_nothing_makes_a_reader_of_cells_raise(one: str, other: str) -> None:
    iso_day(one)
    decimal_number(one)
    identifier(one)
    near_miss(one, [other])
