"""rain.csv: what is read, and every fault told with its row."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import box

from afterrains.errors import InputError
from afterrains.programme import Rain
from afterrains.rain import RainRecord, check_rain, read_rain
from afterrains.rain.table import check_table

TODAY = date(2025, 12, 31)


@pytest.fixture
def sites() -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {"site_id": ["east", "north"]}, geometry=[box(0, 0, 1, 1), box(2, 0, 3, 1)], crs=32630
    )


def write(folder: Path, text: str | bytes) -> Path:
    path = folder / "rain.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def faults(path: Path, *site_ids: str) -> list[tuple[str, str, str]]:
    daily, findings = check_table(path, site_ids or None, today=TODAY)
    errors = [finding for finding in findings if finding.severity == "error"]
    assert (daily is None) == bool(errors)
    assert all(finding.file == "rain.csv" and finding.mend for finding in findings)
    return [(finding.code, finding.where, finding.severity) for finding in findings]


def test_one_gauge_for_the_whole_programme(tmp_path):
    path = write(
        tmp_path, "date,rain_mm\n2021-06-03,0\n2021-06-01,12.5\n2021-06-05,\n2021-06-06,1\n"
    )
    record = read_rain(Rain(table=path), today=TODAY)
    assert record.programme_wide
    np.testing.assert_array_equal(record.for_site("anywhere"), [12.5, np.nan, 0, np.nan, np.nan, 1])
    assert (record.first_day, record.last_day) == (
        pd.Timestamp(2021, 6, 1),
        pd.Timestamp(2021, 6, 6),
    )
    assert record.gaps == {"": 3}
    assert record.source == "station table rain.csv"


def test_a_gauge_for_each_site(tmp_path, sites):
    path = write(
        tmp_path,
        "site_id,rain_mm,date\nnorth,3,2021-06-01\neast,1,2021-06-01\nnorth,0,2021-06-03\n",
    )
    record = read_rain(Rain(table=path), sites, today=TODAY)
    assert list(record.daily.columns) == ["east", "north"]
    np.testing.assert_array_equal(record.for_site("north"), [3, np.nan, 0])
    assert record.gaps == {"east": 2, "north": 1}
    np.testing.assert_array_equal(record.mean(), [2, np.nan, 0])
    with pytest.raises(KeyError):
        record.for_site("south")


def test_a_byte_order_mark_quotes_blanks_and_windows_ends_are_fine(tmp_path):
    path = write(tmp_path, b'\xef\xbb\xbf"date" , rain_mm\r\n2021-06-01 ,"1.5"\r\n\r\n,\r\n')
    assert read_rain(Rain(table=path), today=TODAY).daily[""].tolist() == [1.5]


def test_every_fault_is_told_at_once_with_its_row(tmp_path):
    path = write(
        tmp_path,
        "date,site_id,rain_mm\n"  # row 1
        "2021-06-01,north,1\n"
        "1/6/2021,north,1\n"  # 3: not ISO
        "2021-02-30,north,1\n"  # 4: no such day
        "2021-06-02,north,-99\n"  # 5
        "2021-06-03,north,2000.5\n"  # 6
        '2021-06-04,north,"12,5"\n'  # 7
        "2021-06-05,north,nan\n"  # 8
        "2021-06-06,south,1\n"  # 9
        "2021-06-07,,1\n"  # 10
        "2021-06-01,north,2\n"  # 11: other value than row 2
        "2026-01-01,north,1\n"  # 12: after today
        "\n"
        "2021-06-08,north,inf\n"  # 14
        "0021-06-08,north,1\n"  # 15: a digit lost
        "2021-06-09,north,١٢\n",  # 16: digits of another script
    )
    assert sorted(faults(path, "north", "east")) == sorted(
        [
            ("rain-date", "row 3", "error"),
            ("rain-date", "row 4", "error"),
            ("rain-negative", "row 5", "error"),
            ("rain-impossible", "row 6", "error"),
            ("rain-not-a-number", "row 7", "error"),
            ("rain-not-a-number", "row 8", "error"),
            ("rain-unknown-site", "row 9", "error"),
            ("rain-no-site", "row 10", "error"),
            ("rain-duplicate-day", "row 11", "error"),
            ("rain-date-future", "row 12", "error"),
            ("rain-not-a-number", "row 14", "error"),
            ("rain-date", "row 15", "error"),
            ("rain-not-a-number", "row 16", "error"),
            ("rain-site-without-rain", "", "warning"),
        ]
    )


def test_the_largest_daily_rain_on_record_is_possible(tmp_path):
    """1,825 mm on 7-8 January 1966 at Foc-Foc (WMO World Weather and Climate Extremes Archive)."""
    path = write(tmp_path, "date,rain_mm\n1966-01-08,1825\n")
    assert faults(path) == []


def test_repeated_rows_warn(tmp_path):
    path = write(tmp_path, "date,rain_mm\n2021-06-01,1\n2021-06-01,1.0\n2021-06-02,\n2021-06-02,\n")
    assert faults(path) == [
        ("rain-repeated-row", "row 3", "warning"),
        ("rain-repeated-row", "row 5", "warning"),
    ]


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", "rain-no-rows"),
        ("date,rain_mm\n", "rain-no-rows"),
        ("date,rain_mm\n2021-06-01,\n", "rain-no-rows"),
        ("day,rain\n2021-06-01,1\n", "rain-columns"),
        ("date,rain_mm,rain_mm\n2021-06-01,1,2\n", "rain-columns"),
        ("date;rain_mm\n2021-06-01;1,5\n", "rain-delimiter"),
        ("date\train_mm\n2021-06-01\t1\n", "rain-delimiter"),
        ("date,rain_mm\n2021-06-01,1,5\n", "rain-ragged-row"),
        ("date,rain_mm\nMünchen,1\n".encode("latin-1"), "rain-encoding"),
        ("date,rain_mm\n2021-06-01,1\n".encode("utf-16"), "rain-encoding"),
        (b"PK\x03\x04\0\0\0\0", "rain-encoding"),
        ('date,rain_mm\n2021-06-01,"1\n', "rain-csv"),
    ],
)
def test_what_is_no_rain_table_is_refused(tmp_path, text, code):
    path = write(tmp_path, text)
    assert code in [found for found, _, _ in faults(path)]
    with pytest.raises(InputError, match=r"rain\.csv"):
        read_rain(Rain(table=path), today=TODAY)


def test_ragged_rows_are_named(tmp_path):
    path = write(tmp_path, "date,rain_mm\n2021-06-01,1\n2021-06-02,1,5\n\n2021-06-03,1,5\n")
    assert faults(path) == [
        ("rain-ragged-row", "row 3", "error"),
        ("rain-ragged-row", "row 5", "error"),
    ]


def test_further_columns_are_named_and_left_out(tmp_path):
    path = write(tmp_path, "station,date,rain_mm\nS1,2021-06-01,1\n")
    assert faults(path) == [("rain-ignored-columns", "row 1", "warning")]


def test_thousands_of_bad_rows_are_summed_up(tmp_path):
    rows = "\n".join(f"2021-06-01T{n},1" for n in range(5000))
    path = write(tmp_path, f"date,rain_mm\n{rows}\n")
    _, findings = check_table(path, today=TODAY)
    assert len(findings) == 21
    assert findings[-1].where == "rows 22 to 5001"
    assert "4,980 more rows" in findings[-1].what


def test_a_file_that_is_not_there(tmp_path):
    (finding,) = check_rain(Rain(table=tmp_path / "none.csv"))
    assert finding.code == "rain-file"


def test_cells_never_reach_a_message_whole(tmp_path):
    path = write(tmp_path, f"date,rain_mm\n{'x' * 10_000},1\n")
    (finding, *_) = check_table(path, today=TODAY)[1]
    assert len(finding.what) < 100


def test_a_record_says_what_to_be_careful_of(tmp_path):
    """By hand: 3 days of which 1 is unread; 31 whole years without a gap."""
    path = write(tmp_path, "date,rain_mm\n2021-06-01,1\n2021-06-03,1\n")
    short = read_rain(Rain(table=path), today=TODAY)
    assert [text.split(";")[0] for text in short.cautions] == [
        "The rain record holds 0 years",
        "33% of the days are unread",
    ]
    days = pd.date_range("1991-01-01", "2021-12-31")
    long = pd.DataFrame({"": np.zeros(len(days))}, index=days)
    assert RainRecord(long, "made").cautions == ()
    assert "five-day totals" in RainRecord(long, "made", "pentad").cautions[0]


@pytest.mark.parametrize(
    ("first", "last", "told"),
    [
        ("1994-01-01", "2023-12-31", ""),
        ("1994-06-01", "2024-05-31", ""),
        ("1994-01-01", "2023-12-30", "The rain record holds 29 years"),
    ],
)
def test_thirty_years_are_thirty_years_whatever_their_leap_days(first, last, told):
    """By hand: 1994 to 2023 are 10957 days, which is under 30 times 365.25."""
    days = pd.date_range(first, last)
    record = RainRecord(pd.DataFrame({"": np.zeros(len(days))}, index=days), "made")
    assert "; ".join(record.cautions).split(";")[0] == told
