"""The form of a CSV file, against Python's csv writer, pandas and RFC 4180."""

from __future__ import annotations

import csv
import io
import unicodedata
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from afterrains.errors import InputError
from afterrains.register.tables import read_csv_strict

_IN_ONE_FOLDER = settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
_CELLS = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=20)


def _write(folder: Path, content: str | bytes) -> Path:
    path = folder / "table.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def test_example_of_the_standard_is_read(tmp_path: Path) -> None:
    """RFC 4180, section 2, rules 5 to 7: line breaks and quotation marks in quoted cells."""
    text = 'field_1,field_2,field_3\r\n"aaa","b\r\nbb","ccc"\r\nzzz,yyy,"b""bb"\r\n'
    table, findings = read_csv_strict(_write(tmp_path, text), ["field_1", "field_2"], ["field_3"])
    assert findings == []
    assert table["field_2"].tolist() == ["b\r\nbb", "yyy"]
    assert table["field_3"].tolist() == ["ccc", 'b"bb']
    assert table.index.tolist() == [2, 3]  # as a spreadsheet counts, not by lines


@_IN_ONE_FOLDER
@given(rows=st.lists(st.tuples(_CELLS, _CELLS, _CELLS), max_size=8))
def test_what_the_csv_module_writes_is_read_back(
    tmp_path: Path, rows: list[tuple[str, str, str]]
) -> None:
    buffer = io.StringIO(newline="")
    csv.writer(buffer).writerows([("a", "b", "c"), *rows])
    table, findings = read_csv_strict(_write(tmp_path, buffer.getvalue()), ["a", "b"], ["c"])
    expected = [tuple(unicodedata.normalize("NFC", cell).strip() for cell in row) for row in rows]
    assert findings == []
    assert list(table.itertuples(index=False, name=None)) == [row for row in expected if any(row)]


@_IN_ONE_FOLDER
@given(content=st.binary(max_size=400))
def test_no_bytes_raise_anything_but_input_error(tmp_path: Path, content: bytes) -> None:
    try:
        read_csv_strict(_write(tmp_path, content), ["site_id"], ["cost"])
    except InputError as error:
        assert error.findings


@_IN_ONE_FOLDER
@given(body=st.text(st.sampled_from('ab,;"\r\n\t 0\ufeffé'), max_size=60))
def test_no_text_under_a_good_header_raises_anything_but_input_error(
    tmp_path: Path, body: str
) -> None:
    try:
        table, findings = read_csv_strict(_write(tmp_path, "site_id,cost\n" + body), ["site_id"])
    except InputError as error:
        assert all(finding.code.startswith("table-") for finding in error.findings)
    else:
        assert list(table.columns) == ["site_id"]
        assert all(finding.file == "table.csv" for finding in findings)


def test_it_reads_what_pandas_reads(tmp_path: Path) -> None:
    path = _write(tmp_path, 'site_id,cost\nnorth,4\n"south, far",\n\nwell,7\n')
    table, findings = read_csv_strict(path, ["site_id", "cost"])
    expected = pd.read_csv(path, dtype=str, keep_default_na=False)
    assert findings == []
    assert table.to_numpy().tolist() == expected.to_numpy().tolist()
    assert table.index.tolist() == [2, 3, 5]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_byte_order_mark_and_line_ends_make_no_difference(
    tmp_path: Path, encoding: str, line_end: str
) -> None:
    text = line_end.join(["site_id,cost", "étang,4", "well,5", ""])
    table, findings = read_csv_strict(_write(tmp_path, text.encode(encoding)), ["site_id", "cost"])
    assert findings == []
    assert table["site_id"].tolist() == ["étang", "well"]


def test_letters_composed_otherwise_are_the_same_letters(tmp_path: Path) -> None:
    """é as one code point and as e with an accent (Unicode normalisation form C)."""
    path = _write(tmp_path, "site_id\ne\u0301tang\n")
    assert read_csv_strict(path, ["site_id"])[0]["site_id"].tolist() == ["\u00e9tang"]


def test_empty_cells_that_spreadsheets_add_are_no_fault(tmp_path: Path) -> None:
    path = _write(tmp_path, "site_id,cost,,\nnorth,4,,\nsouth,5,,,,\n,,,\n")
    table, findings = read_csv_strict(path, ["site_id"], ["cost"])
    assert findings == []
    assert table["cost"].tolist() == ["4", "5"]


def test_a_faulty_row_is_told_and_left_out(tmp_path: Path) -> None:
    path = _write(tmp_path, "site_id,cost\nnorth,4\nsouth\nwell,5,6\n")
    table, findings = read_csv_strict(path, ["site_id", "cost"])
    assert table["site_id"].tolist() == ["north"]
    assert [(finding.where, finding.code) for finding in findings] == [
        ("row 3", "table-ragged-row"),
        ("row 4", "table-ragged-row"),
    ]


def test_columns_that_the_file_lacks_are_empty(tmp_path: Path) -> None:
    table, _ = read_csv_strict(_write(tmp_path, "site_id\nnorth\n"), ["site_id"], ["cost"])
    assert table["cost"].tolist() == [""]


def test_a_table_without_rows_has_text_columns(tmp_path: Path) -> None:
    table, findings = read_csv_strict(_write(tmp_path, "site_id\n"), ["site_id"], ["cost"])
    assert findings == []
    assert table.empty
    assert table["cost"].eq("").dtype == bool


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"", "table-empty"),
        (b"\n\n ,\n", "table-empty"),
        (b"cost\n4\n", "table-missing-column"),
        (b"site_id,site_id\na,b\n", "table-duplicate-column"),
        (b"site_id;cost\na;4\n", "table-delimiter"),
        (b'"site_id";"cost"\na;4\n', "table-delimiter"),
        (b"site_id|cost\na|4\n", "table-delimiter"),
        (b"site_id,cost\n\xff,4\n", "table-encoding"),
        (b"site_id,cost\na,\x00\n", "table-nul"),
        (b'site_id,cost\n"a,4\n', "table-quotes"),
        (b'site_id,cost\n"a"b,4\n', "table-quotes"),
        (b"site_id\n" + b"x" * 200_000 + b"\n", "table-quotes"),
        (b"PK\x03\x04", "table-not-csv"),
    ],
)
def test_files_that_are_no_table_raise(tmp_path: Path, content: bytes, code: str) -> None:
    with pytest.raises(InputError) as raised:
        read_csv_strict(_write(tmp_path, content), ["site_id", "cost"])
    assert code in {finding.code for finding in raised.value.findings}


def test_files_that_cannot_be_opened_raise(tmp_path: Path) -> None:
    for path in (tmp_path / "absent.csv", tmp_path, Path("a\0b")):
        with pytest.raises(InputError, match="cannot be read"):
            read_csv_strict(path, ["site_id"])


def test_a_file_beyond_the_limit_is_refused_unread(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="MB large"):
        read_csv_strict(_write(tmp_path, "site_id\n" * 1000), ["site_id"], largest_bytes=100)
