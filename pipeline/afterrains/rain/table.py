"""Rain from a station table: rain.csv with `date, rain_mm` or `date, site_id, rain_mm`.

Every fault becomes a finding with file, row and mend, all at once. Rows are counted as a
spreadsheet or an editor shows them: the header is row 1. An empty `rain_mm` is a gap.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from datetime import date
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd

from afterrains.errors import Finding
from afterrains.rain.record import PROGRAMME_WIDE, every_day

__all__ = ["LARGEST_DAILY_RAIN_MM", "check_table"]

LARGEST_DAILY_RAIN_MM = 2000.0
"""No day on Earth had more: the record is 1,825 mm in 24 hours (Foc-Foc, La Réunion, January 1966;
WMO World Weather and Climate Extremes Archive)."""

_ROWS_TOLD = 20
"""Faults of one kind that are told row by row; the rest is summed up in one finding."""

# Digits are spelt out: \d would take those of other scripts, which are then no numbers.
_PLAIN_NUMBER = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
_ISO_DAY = r"[0-9]{4}-[0-9]{2}-[0-9]{2}"
_FIRST_DAY = pd.Timestamp(1700, 1, 1)  # older than any gauge record: a year with a digit lost


def check_table(
    path: Path, site_ids: Iterable[str] | None = None, *, today: date | None = None
) -> tuple[pd.DataFrame | None, list[Finding]]:
    """Read a rain table and find everything that is wrong with it.

    Parameters
    ----------
    path : Path
        A UTF-8 CSV file.
    site_ids : iterable of str, optional
        The programme's sites; without them, sites are not checked.
    today : date, optional
        Readings after this day are faults; the clock's day if unset.

    Returns
    -------
    DataFrame or None
        Every day from first to last, one column for each site or the column '' (mm, NaN = gap);
        None when there are errors.
    list of Finding
        Errors and warnings, in the order of the file.
    """
    book = _Faults(path.name)
    text = _read_text(path, book)
    if text is None:
        return None, book.findings
    cells = _read_cells(text, book)
    if cells is None:
        return None, book.findings
    parsed = _parse(cells, today or date.today(), book)
    if "site_id" in parsed and site_ids is not None:
        _check_sites(parsed, set(site_ids), book)
    parsed = _without_duplicates(parsed, book)
    if book.has_errors:
        return None, book.findings
    if not parsed["rain_mm"].notna().any():
        book.tell("", "holds no reading", "add daily rain, one row a day", "rain-no-rows")
        return None, book.findings
    return every_day(_wide(parsed)), book.findings


class _Faults:
    """Findings of one file; faults of one kind beyond the first few are counted, not listed."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.findings: list[Finding] = []

    @property
    def has_errors(self) -> bool:
        return any(finding.severity == "error" for finding in self.findings)

    def tell(
        self,
        where: str,
        what: str,
        mend: str,
        code: str,
        severity: Literal["error", "warning"] = "error",
    ) -> None:
        self.findings.append(Finding(severity, self.file, where, what, mend, code))

    def tell_rows(
        self,
        rows: Sequence[int] | np.ndarray,
        whats: Sequence[str],
        mend: str,
        code: str,
        severity: Literal["error", "warning"] = "error",
    ) -> None:
        """One finding for each row, and one for all beyond the first few."""
        for row, what in zip(rows[:_ROWS_TOLD], whats[:_ROWS_TOLD], strict=True):
            self.tell(f"row {row}", what, mend, code, severity)
        if len(rows) > _ROWS_TOLD:
            more = f"the same fault in {len(rows) - _ROWS_TOLD:,} more rows"
            self.tell(f"rows {rows[_ROWS_TOLD]} to {rows[-1]}", more, mend, code, severity)


def _read_text(path: Path, book: _Faults) -> str | None:
    """The file as text, or None with a finding."""
    try:
        raw = path.read_bytes()
    except OSError as error:
        book.tell("", f"cannot be read ({error.strerror})", f"check the path {path}", "rain-file")
        return None
    mend = "save it as CSV with UTF-8 encoding"
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = raw.count(b"\n", 0, error.start) + 1
        book.tell(f"row {row}", "is not UTF-8 text", mend, "rain-encoding")
        return None
    if "\0" in text:
        book.tell("", "is not plain text", mend, "rain-encoding")
        return None
    if not text.strip():
        book.tell("", "is empty", "add daily rain, one row a day", "rain-no-rows")
        return None
    return text


def _read_cells(text: str, book: _Faults) -> pd.DataFrame | None:
    """The needed columns as text, indexed by the row in the file; None when there is no table."""
    first_line = text.splitlines()[0]
    header = [name.strip() for name in next(csv.reader([first_line]))]
    needed = ["date", "site_id", "rain_mm"] if "site_id" in header else ["date", "rain_mm"]
    if missing := [name for name in needed if name not in header]:
        for delimiter, its_name in ((";", "semicolons"), ("\t", "tabs"), ("|", "bars")):
            if first_line.count(delimiter) and not first_line.count(","):
                what = f"is separated by {its_name}, not commas"
                book.tell("row 1", what, "save it with commas", "rain-delimiter")
                return None
        what = f"has no column {', '.join(missing)}"
        mend = "name the columns date, rain_mm or date, site_id, rain_mm in the first row"
        book.tell("row 1", what, mend, "rain-columns")
        return None
    if twice := sorted({name for name in needed if header.count(name) > 1}):
        what = f"names the column {', '.join(twice)} twice"
        book.tell("row 1", what, "keep one of them", "rain-columns")
        return None
    if ignored := [name for name in header if name not in needed]:
        shown = ", ".join(repr(name) for name in ignored[:5])
        book.tell(
            "row 1",
            f"has columns that are not used: {shown}",
            "no need to",
            "rain-ignored-columns",
            "warning",
        )
    try:
        cells = pd.read_csv(
            io.StringIO(text),
            header=None,
            skiprows=1,
            names=header if len(set(header)) == len(header) else range(len(header)),
            index_col=False,
            dtype=str,
            keep_default_na=False,
            na_values=[],
            skip_blank_lines=False,
            on_bad_lines="error",
        )
    except pd.errors.EmptyDataError:
        book.tell("", "holds no reading", "add daily rain, one row a day", "rain-no-rows")
        return None
    except (pd.errors.ParserError, pd.errors.ParserWarning):
        _tell_ragged(text, len(header), book)
        return None
    cells.columns = pd.Index(header)
    cells = cells[needed].fillna("").apply(lambda column: column.str.strip())
    cells.index = pd.RangeIndex(2, len(cells) + 2)
    filled: pd.Series = (cells != "").any(axis="columns")
    return pd.DataFrame(cells.loc[filled])


def _tell_ragged(text: str, width: int, book: _Faults) -> None:
    """A finding for each row with more cells than the header."""
    rows, whats = [], []
    try:
        for number, cells in enumerate(csv.reader(io.StringIO(text), strict=True), start=1):
            if len(cells) > width:
                rows.append(number)
                whats.append(f"has {len(cells)} cells under {width} columns")
    except csv.Error as error:
        book.tell("", f"is not a CSV table ({error})", "mend the quotes", "rain-csv")
    mend = "delete the extra cells; write decimals with a point, not a comma"
    book.tell_rows(rows, whats, mend, "rain-ragged-row")
    if not book.has_errors:
        book.tell("", "is not a CSV table", "save it as CSV with commas", "rain-csv")


def _parse(cells: pd.DataFrame, today: date, book: _Faults) -> pd.DataFrame:
    """Days and numbers; a cell that is neither becomes NaT or NaN and a finding."""
    parsed = pd.DataFrame(index=cells.index)
    iso = cells["date"].str.fullmatch(_ISO_DAY)
    parsed["date"] = pd.to_datetime(cells["date"].where(iso), format="%Y-%m-%d", errors="coerce")
    parsed["date"] = parsed["date"].where(parsed["date"] >= _FIRST_DAY)
    bad = parsed["date"].isna()
    whats = [f"date {text[:40]!r} is not a day" for text in cells.loc[bad, "date"]]
    book.tell_rows(_rows(bad), whats, "write it as 2021-06-30", "rain-date")
    later = parsed["date"] > pd.Timestamp(today)
    whats = [f"date {text} lies after today" for text in cells.loc[later, "date"]]
    book.tell_rows(_rows(later), whats, "correct the year", "rain-date-future")

    if "site_id" in cells:
        parsed["site_id"] = cells["site_id"]
        nameless = parsed["site_id"] == ""
        whats = ["site_id is empty"] * int(nameless.sum())
        mend = "name the site, or leave the column out when one gauge stands for all sites"
        book.tell_rows(_rows(nameless), whats, mend, "rain-no-site")

    text = cells["rain_mm"]
    plain = text.str.fullmatch(_PLAIN_NUMBER)
    parsed["rain_mm"] = pd.to_numeric(text.where(plain), errors="coerce").astype(float)
    odd = ~plain & (text != "")
    whats = [f"rain_mm {cell[:40]!r} is not a number" for cell in text[odd]]
    mend = "write millimetres with a decimal point, and leave the cell empty for a missing day"
    book.tell_rows(_rows(odd), whats, mend, "rain-not-a-number")
    negative = parsed["rain_mm"] < 0
    whats = [f"rain_mm is {cell}, below zero" for cell in text[negative]]
    mend = "leave the cell empty for a missing day"
    book.tell_rows(_rows(negative), whats, mend, "rain-negative")
    too_much = parsed["rain_mm"] > LARGEST_DAILY_RAIN_MM
    whats = [
        f"rain_mm is {cell}, more than ever fell in a day ({LARGEST_DAILY_RAIN_MM:.0f})"
        for cell in text[too_much]
    ]
    mend = "correct it, or leave the cell empty for a missing day"
    book.tell_rows(_rows(too_much), whats, mend, "rain-impossible")
    return parsed


def _rows(where: pd.Series) -> np.ndarray:
    return where.index[where].to_numpy()


def _check_sites(parsed: pd.DataFrame, known: set[str], book: _Faults) -> None:
    """A finding for each site of the table that the programme lacks, and the other way round."""
    first_rows = parsed.index.to_series().groupby(parsed["site_id"]).min()
    strangers = first_rows[[site not in known and site != "" for site in first_rows.index]]
    strangers = strangers.sort_values()
    whats = [f"site_id {str(site)[:60]!r} is not among the sites" for site in strangers.index]
    mend = "correct the site_id, or delete its rows"
    book.tell_rows(strangers.to_numpy(), whats, mend, "rain-unknown-site")
    for site in sorted(known - set(first_rows.index)):
        mend = "add its rain, or leave site_id out when one gauge stands for all sites"
        book.tell("", f"has no rain for site {site!r}", mend, "rain-site-without-rain", "warning")


def _without_duplicates(parsed: pd.DataFrame, book: _Faults) -> pd.DataFrame:
    """One row for each day and site; two readings that differ are an error."""
    keys = ["date", *(["site_id"] if "site_id" in parsed else [])]
    sound = parsed.dropna(subset=["date"])
    again = sound.duplicated(keys, keep="first")
    if not again.any():
        return sound
    firsts = sound[~again].reset_index(names="first_row")
    repeats = sound[again].reset_index(names="row").merge(firsts, on=keys, suffixes=("", "_first"))
    repeats = repeats.sort_values("row")
    same = (repeats["rain_mm"] == repeats["rain_mm_first"]) | (
        repeats["rain_mm"].isna() & repeats["rain_mm_first"].isna()
    )
    told: tuple[tuple[pd.DataFrame, str, Literal["error", "warning"], str, str], ...] = (
        (repeats[~same], "rain-duplicate-day", "error", "another value", "keep the right one"),
        (repeats[same], "rain-repeated-row", "warning", "the same value", "delete one of them"),
    )
    for group, code, severity, value, mend in told:
        days = group["date"].dt.strftime("%Y-%m-%d")
        whats = [
            f"{day} stands in row {row} already, with {value}"
            for day, row in zip(days, group["first_row"], strict=True)
        ]
        book.tell_rows(group["row"].to_numpy(), whats, mend, code, severity)
    return sound[~again]


def _wide(parsed: pd.DataFrame) -> pd.DataFrame:
    """One column for each site, or the single column ''."""
    if "site_id" not in parsed:
        return parsed.set_index("date")[["rain_mm"]].set_axis([PROGRAMME_WIDE], axis="columns")
    wide = parsed.pivot(index="date", columns="site_id", values="rain_mm")
    return wide.sort_index(axis="columns").rename_axis(columns=None)
