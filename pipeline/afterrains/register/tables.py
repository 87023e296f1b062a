"""Reading a CSV file that people keep by hand or save from a spreadsheet.

`read_csv_strict` gives every cell as trimmed text under its row number, or says what is wrong with
the file and how to save it anew. What the cells mean is the business of `values` and of the table's
own module. The dialect is that of RFC 4180: comma, double quotes, one header row, UTF-8.
"""

from __future__ import annotations

import csv
import io
import unicodedata
from collections.abc import Callable, Sequence
from pathlib import Path

import pandas as pd

from afterrains.errors import Finding, InputError
from afterrains.register.findings import FindingList
from afterrains.register.values import folded_name, near_miss

__all__ = ["read_csv_strict", "row_label"]

_LARGEST_BYTES = 200_000_000
_LONGEST_CELL = 10_000
_LONGEST_PARSED_CELL = 131_072
_SAVE_AS = 'save it from the spreadsheet as "CSV UTF-8 (comma delimited)"'
_OTHER_DELIMITERS = {";": "semicolons", "\t": "tabs", "|": "bars"}


def row_label(row: int) -> str:
    """The place of a row as a spreadsheet counts it: the header is row 1."""
    return f"row {row}"


def read_csv_strict(
    path: Path,
    required: Sequence[str],
    optional: Sequence[str] = (),
    *,
    largest_bytes: int = _LARGEST_BYTES,
    folded: Callable[[str], str] = folded_name,
    past_header: bool = False,
) -> tuple[pd.DataFrame, list[Finding]]:
    """Read a CSV file as text, with everything that is wrong with its form.

    Parameters
    ----------
    path : Path
        The file.
    required, optional : sequence of str
        Column names; further columns are named in a warning and not read. Case, surrounding
        space, and spaces or hyphens for underscores are forgiven with a warning.
    largest_bytes : int
        A larger file is refused unread.
    folded : callable, optional
        What a column's name is taken for where it is none of those above.
    past_header : bool, optional
        Whether to go on where the header lacks a required column or has a known one twice, so that
        the caller can tell what else is wrong; such columns are then not in the frame.

    Returns
    -------
    DataFrame
        Text columns `required` then `optional` (a column that the file lacks is all ""), trimmed,
        in Unicode NFC. The index "row" is the row as a spreadsheet counts it, the header being row
        1. Rows without any text are left out, and so are rows with a finding of severity "error".
    list of Finding
        What is wrong with single rows and columns; errors mean that rows are missing from the
        frame.

    Raises
    ------
    InputError
        If the file cannot be read as a table at all: unreadable, too large, not UTF-8, not CSV,
        another delimiter, no header, quotation marks that do not close; and, unless `past_header`,
        a required column missing or a known one twice. Rows of the wrong form are told with it.
    """
    found = FindingList(path.name)
    text = _decoded(path, largest_bytes, found)
    _refuse_other_delimiter(text, required, found)
    rows = _rows(text, found)
    if not rows:
        found.error("", "is empty", f"give it a header row: {','.join(required)}", "table-empty")
        raise InputError(found.all())
    header_row, header = rows[0]
    where = f"{row_label(header_row)} (header)"
    places, unsound = _columns(header, where, required, optional, found, folded)
    width = len(header)
    numbers: list[int] = []
    cells: dict[str, list[str]] = {
        name: [] for name in (*required, *optional) if name not in unsound
    }
    for number, row in rows[1:]:
        if not any(row) or not _sound_row(number, row, width, found):
            continue
        numbers.append(number)
        for name, column in cells.items():
            place = places.get(name)
            column.append("" if place is None else row[place])
    if unsound and not past_header:
        raise InputError(found.all())
    frame = pd.DataFrame(cells, index=pd.Index(numbers, name="row", dtype="int64"), dtype=str)
    return frame, found.all()


def _fatal(found: FindingList, where: str, what: str, mend: str, code: str) -> InputError:
    found.error(where, what, mend, code)
    return InputError(found.all())


def _decoded(path: Path, largest_bytes: int, found: FindingList) -> str:
    """The file's text in NFC, without a byte-order mark."""
    try:
        size = path.stat().st_size
        if size > largest_bytes:
            raise _fatal(
                found,
                "",
                f"is {size / 1e6:.0f} MB large, more than the {largest_bytes / 1e6:.0f} MB allowed",
                "check that it is the right file",
                "table-too-large",
            )
        raw = path.read_bytes()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise _fatal(
            found, "", f"cannot be read ({reason})", f"check the path {path}", "table-unreadable"
        ) from error
    if raw.startswith(b"PK\x03\x04") or raw.startswith(b"\xd0\xcf\x11\xe0"):
        raise _fatal(found, "", "is a workbook or archive, not CSV", _SAVE_AS, "table-not-csv")
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise _fatal(found, "", "is UTF-16, not UTF-8", _SAVE_AS, "table-encoding")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        what = f"holds the byte 0x{raw[error.start]:02X}, which is not UTF-8"
        raise _fatal(found, row_label(line), what, _SAVE_AS, "table-encoding") from error
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        what = "holds a NUL character, so the file is damaged or not text"
        raise _fatal(found, row_label(line), what, _SAVE_AS, "table-nul")
    return unicodedata.normalize("NFC", text)


def _rows(text: str, found: FindingList) -> list[tuple[int, list[str]]]:
    """Rows of trimmed cells under their numbers, from the first row that holds text."""
    # Python's own limit, set anew: it is one for the whole process, and libraries lift it.
    csv.field_size_limit(_LONGEST_PARSED_CELL)
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows: list[tuple[int, list[str]]] = []
    number = 0
    try:
        for number, row in enumerate(reader, start=1):
            trimmed = [cell.strip() for cell in row]
            if rows or any(trimmed):
                rows.append((number, trimmed))
    except csv.Error as error:
        what = f"cannot be read on from here: {error}"
        mend = "look for a quotation mark that does not close; inside quotes double it"
        raise _fatal(found, row_label(number + 1), what, mend, "table-quotes") from error
    return rows


def _columns(
    header: list[str],
    where: str,
    required: Sequence[str],
    optional: Sequence[str],
    found: FindingList,
    folded: Callable[[str], str],
) -> tuple[dict[str, int], set[str]]:
    """Where each known column stands; and those that are required and missing, or stand twice."""
    known = [*required, *optional]
    places: dict[str, int] = {}
    extra: list[str] = []
    unsound: set[str] = set()
    for place, written in enumerate(header):
        name = written if written in known else folded(written)
        if name not in known:
            extra += [written] if written else []
            continue
        if name in places:
            mend = "keep one of them"
            found.error(where, f"the column {name!r} stands twice", mend, "table-duplicate-column")
            unsound.add(name)
            continue
        if name != written:
            what = f"the column {written[:40]!r} is taken for {name!r}"
            found.warning(where, what, f"rename it to {name}", "table-renamed-column")
        places[name] = place
    missing = [name for name in required if name not in places]
    unsound.update(missing)
    for name in missing:
        hint = near_miss(name, [folded_name(written) for written in extra])
        what = f"the column {name!r} is missing{hint}"
        found.error(where, what, f"add a column {name}", "table-missing-column")
    if extra:
        hints = [
            f"{written[:40]!r}{near_miss(folded_name(written), known)}" for written in extra[:10]
        ]
        more = f" and {len(extra) - 10} more" if len(extra) > 10 else ""
        what = f"these columns are not read: {', '.join(hints)}{more}"
        mend = f"nothing to do, unless one is meant to be one of {', '.join(known)}"
        found.warning(where, what, mend, "table-extra-column")
    return places, unsound


def _refuse_other_delimiter(text: str, required: Sequence[str], found: FindingList) -> None:
    """Look at the header before it is parsed: quotes around other delimiters are no CSV at all."""
    lines = text.split("\n", 20)[:20]
    number, header = next(((at, line) for at, line in enumerate(lines, 1) if line.strip()), (1, ""))
    for delimiter, words in _OTHER_DELIMITERS.items():
        parts = [folded_name(part.strip().strip('"')) for part in header.split(delimiter)]
        by_commas = {folded_name(part.strip().strip('"')) for part in header.split(",")}
        if len(parts) > 1 and set(required) & set(parts) and not set(required) & by_commas:
            where = f"{row_label(number)} (header)"
            what = f"its cells are parted by {words}, not commas"
            mend = f"{_SAVE_AS}, with decimal points"
            raise _fatal(found, where, what, mend, "table-delimiter")


def _sound_row(number: int, row: list[str], width: int, found: FindingList) -> bool:
    """Whether the row has the header's width (spreadsheets may add empty cells at its end)."""
    if len(row) < width or any(row[width:]):
        what = f"has {len(row)} cells where the header has {width}"
        mend = "add the missing commas"
        if len(row) > width:
            mend = "put a cell that holds a comma in double quotes; write decimals with a point"
        found.error(row_label(number), what, mend, "table-ragged-row")
        return False
    longest = max(map(len, row))
    if longest > _LONGEST_CELL:
        what = f"has a cell of {longest} characters"
        mend = "shorten it, or look for a quotation mark that does not close"
        found.error(row_label(number), what, mend, "table-long-cell")
        return False
    return True
