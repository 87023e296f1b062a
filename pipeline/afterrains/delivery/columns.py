"""The words in which a table is defined: what a column may hold, how rows are told apart."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["Column", "ColumnType", "ForeignKey", "Table"]

ColumnType = Literal["string", "number", "integer", "date", "boolean"]


@dataclass(frozen=True)
class Column:
    """One column: its name, type, unit, meaning and what a value may be."""

    name: str
    type: ColumnType
    description: str
    unit: str = ""
    """"" where a value has no unit."""
    required: bool = False
    """True where a cell may never be empty."""
    minimum: float | None = None
    maximum: float | None = None
    enum: tuple[str, ...] = ()
    pattern: str = ""
    """Regular expression that the whole text matches."""
    decimals: int | None = None
    """Digits written after the point; numbers only."""
    significant: bool = False
    """Whether `decimals` counts significant digits instead, so that a tiny number is not nought."""

    def __post_init__(self) -> None:
        if (self.type == "number") != (self.decimals is not None):
            raise ValueError(f"{self.name}: decimals belong to numbers, and to every number")

    @property
    def free_text(self) -> bool:
        """True where the words come from outside, so that a spreadsheet might run them."""
        return self.type == "string" and not self.enum and not self.pattern


@dataclass(frozen=True)
class ForeignKey:
    """Columns whose values are rows of another table."""

    columns: tuple[str, ...]
    table: str
    table_columns: tuple[str, ...]


@dataclass(frozen=True)
class Table:
    """One file: what a row is, how rows are told apart and ordered, and its columns in order."""

    name: str
    title: str
    row: str
    """What one row is."""
    columns: tuple[Column, ...]
    primary_key: tuple[str, ...] = ()
    order: tuple[str, ...] = ()
    """Columns by which rows are sorted; the primary key where empty."""
    foreign_keys: tuple[ForeignKey, ...] = ()
    caution: str = ""
    """What must be read with the figures; shown wherever the table is."""

    @property
    def file(self) -> str:
        """File name in the output folder."""
        return f"{self.name}.csv"

    @property
    def column_names(self) -> list[str]:
        """Names of the columns in the order of the file."""
        return [column.name for column in self.columns]

    @property
    def sort_by(self) -> list[str]:
        """Columns that order the rows, so that equal results are equal files."""
        return list(self.order or self.primary_key or self.column_names)
