"""Rows of a table of the output folder as typed cells that know where they stand.

An empty cell is None (numbers, dates) or "" (text). What is missing or foreign is told with the
file, the row and the mend.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import MISSING, fields
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any, TypeVar, cast, get_type_hints

import pandas as pd

from afterrains.delivery.columns import Table
from afterrains.delivery.page.next_step import VERDICTS, Verdict
from afterrains.delivery.page.texts import plain
from afterrains.delivery.table_files import read_pieces
from afterrains.errors import OutputError

__all__ = ["MEND", "Row", "by_site", "each_if_there", "rows_if_there", "rows_of"]

MEND = "run the programme again, which rewrites it"
_T = TypeVar("_T")


class Row:
    """One row of a table, which knows where it stands."""

    def __init__(self, file: str, line: int, cells: Mapping[str, Any]) -> None:
        self._place = f"{file}: row {line}"
        self._cells = cells

    def text(self, column: str) -> str:
        """What HTML can hold of a text."""
        return plain(str(self._cells[column]))

    def has(self, column: str) -> bool:
        """Whether the table has the column: some came later than others."""
        return column in self._cells

    def real(self, column: str) -> float | None:
        """A number, also of a column that the file may lack."""
        value = self._cells.get(column)
        return None if value is None or pd.isna(value) else float(value)

    def whole(self, column: str) -> int | None:
        """A count."""
        value = self._cells[column]
        return None if pd.isna(value) else int(value)

    def day(self, column: str) -> date | None:
        """A day."""
        value = self._cells[column]
        return None if pd.isna(value) else value.date()

    def sure_day(self, column: str) -> date:
        """A day that may not be missing."""
        day = self.day(column)
        if day is None:
            raise OutputError(f"{self._place}: {column} is empty; {MEND}")
        return day

    def true(self, column: str) -> bool:
        """Whether it is true; false where empty."""
        value = self._cells[column]
        return False if pd.isna(value) else bool(value)

    def into(self, kind: type[_T]) -> _T:
        """Read as one of the dataclasses of `rows`.

        Each field is read as its type says; a column that the file lacks leaves the default.
        """
        return kind(
            **{
                name: read(self, column)
                for name, column, read, needed in _plan(cast(Any, kind))
                if needed or column in self._cells
            }
        )

    def parts(self, column: str) -> tuple[str, ...]:
        """Texts that stand in one cell, joined by semicolons."""
        return tuple(part.strip() for part in self.text(column).split(";") if part.strip())

    def verdict(self) -> Verdict:
        """One of the six words."""
        text = self.text("verdict")
        for verdict in VERDICTS:
            if text == verdict:
                return verdict
        raise OutputError(f"{self._place}: {text[:40]!r} is not a verdict; {MEND}")


_Reader = Callable[[Row, str], Any]
_READERS: dict[Any, _Reader] = {
    str: Row.text,
    bool: Row.true,
    float: lambda row, column: row.real(column) or 0.0,
    int: lambda row, column: row.whole(column) or 0,
    date: Row.sure_day,
    float | None: Row.real,
    int | None: Row.whole,
    date | None: Row.day,
    tuple[str, ...]: Row.parts,
    Verdict: lambda row, column: row.verdict(),
}


@cache
def _plan(kind: Any) -> tuple[tuple[str, str, _Reader, bool], ...]:
    """How each field of a dataclass is read: its name, column, reader, whether it must be."""
    hints = get_type_hints(kind)
    return tuple(
        (
            each.name,
            each.metadata.get("column", each.name),
            _READERS[hints[each.name]],
            each.default is MISSING,
        )
        for each in fields(kind)
    )


def rows_of(table: Table, path: Path) -> Iterator[Row]:
    """Every row of a table of the output folder `path`, read as they are asked for."""
    line = 2
    for piece in read_pieces(table, path):
        names = [str(name) for name in piece.columns]
        for cells in piece.itertuples(index=False, name=None):
            yield Row(table.file, line, dict(zip(names, cells, strict=True)))
            line += 1


def rows_if_there(table: Table, path: Path) -> Iterator[Row] | None:
    """Every row of a table that need not be there; None where it is not."""
    return rows_of(table, path) if (path / table.file).is_file() else None


def each_if_there(table: Table, path: Path, kind: type[_T]) -> tuple[_T, ...] | None:
    """Every row of a table that need not be there, as `kind`; None where it is not."""
    rows = rows_if_there(table, path)
    return None if rows is None else tuple(row.into(kind) for row in rows)


def by_site(
    rows: Iterable[_T], site_of: Callable[[_T], str], order: Callable[[_T], Any]
) -> dict[str, tuple[_T, ...]]:
    """Rows by site, each site's in order."""
    groups: dict[str, list[_T]] = {}
    for row in rows:
        groups.setdefault(site_of(row), []).append(row)
    return {site: tuple(sorted(group, key=order)) for site, group in sorted(groups.items())}
