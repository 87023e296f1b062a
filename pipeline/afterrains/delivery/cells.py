"""Values to the cells of a table, checked against its definition, and back.

Text from outside is never left as a spreadsheet formula: a cell that begins with one of
``= + - @``, their full-width forms, a tab or a line end gets an apostrophe before it, unless it is
a plain number; `as_given` takes it away again. Control characters other than tab and line ends are
no text in RFC 4180 and become U+FFFD, as do halves of surrogate pairs, which UTF-8 cannot hold.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from typing import Any

import numpy as np
import pandas as pd

from afterrains.delivery.columns import Column, Table

__all__ = ["as_given", "checked_pieces", "checked_text", "difference", "typed"]

_STARTS_A_FORMULA = re.compile(r"'*[=+\-@\t\r\n＝＋－＠]")
_PLAIN_NUMBER = re.compile(r"[+-]?[0-9]+([.,][0-9]+)?")
_ROWS_AT_ONCE = 5_000
"""As text a row takes ten times the room that its values do."""
_NO_TEXT = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff]")


def difference(found: list[str], expected: list[str]) -> str:
    """How two lists of columns differ, in words."""
    missing = [name for name in expected if name not in found]
    further = [name for name in found if name not in expected]
    parts = []
    if missing:
        parts.append(f"missing: {', '.join(missing)}")
    if further:
        parts.append(f"not in the definition: {', '.join(further)}")
    return "; ".join(parts) or "in another order, or twice"


def checked_text(table: Table, frame: pd.DataFrame) -> pd.DataFrame:
    """The frame's cells as a file holds them, with the columns and rows in the file's order.

    Raises
    ------
    ValueError
        Naming every column that does not fit the definition, or a key that stands twice.
    """
    if sorted(frame.columns) != sorted(table.column_names):
        raise ValueError(f"{table.name}: {difference(list(frame.columns), table.column_names)}")
    faults: list[str] = []
    cells: dict[str, Any] = {}
    for column in table.columns:
        try:
            text = _FORMATS[column.type](column, frame[column.name])
        except (TypeError, ValueError) as error:
            faults.append(f"{table.name}.{column.name}: {error}")
            continue
        cells[column.name] = text
        if column.required and (text == "").any():
            faults.append(f"{table.name}.{column.name}: is missing in {(text == '').sum()} rows")
    if faults:
        raise ValueError("\n".join(faults))
    out = pd.DataFrame(cells, dtype=object)
    key = list(table.primary_key)
    if key and out.duplicated(key).any():
        first = out.loc[out.duplicated(key), key].iloc[0].tolist()
        raise ValueError(f"{table.name}: two rows with the same {', '.join(key)}: {first}")
    order = frame[table.sort_by].reset_index(drop=True).sort_values(table.sort_by, kind="stable")
    return out.loc[order.index].reset_index(drop=True)


def checked_pieces(table: Table, frames: Iterable[pd.DataFrame]) -> Iterator[pd.DataFrame]:
    """`checked_text` of a table that may be long, some thousand rows at a time, at least one piece.

    `frames` are its rows, those of one behind those of the one before in the order of the file.

    Raises
    ------
    ValueError
        As `checked_text`, of the first piece that does not fit; a key that stands twice in a frame
        before the first piece of it; a frame whose rows do not lie behind those before.
    """
    before: pd.DataFrame | None = None
    for frame in frames:
        yield from _checked_frame(table, frame)
        if len(frame):
            keys = frame[table.sort_by].reset_index(drop=True)
            if before is not None:
                _require_behind(table, before, keys)
            before = keys


def _require_behind(table: Table, before: pd.DataFrame, keys: pd.DataFrame) -> None:
    """Refuse rows that do not lie behind all of those before."""
    last = tuple(before.sort_values(table.sort_by).iloc[-1])
    first = tuple(keys.sort_values(table.sort_by).iloc[0])
    if first <= last:
        raise ValueError(f"{table.name}: rows out of order: {first} behind {last}")


def _checked_frame(table: Table, frame: pd.DataFrame) -> Iterator[pd.DataFrame]:
    """`checked_text` of one frame."""
    short = len(frame) <= _ROWS_AT_ONCE
    if short or sorted(frame.columns) != sorted(table.column_names):
        yield checked_text(table, frame)
        return
    key = list(table.primary_key)
    if key and (twice := frame.duplicated(key)).any():
        first = frame.loc[twice, key].iloc[0].tolist()
        raise ValueError(f"{table.name}: two rows with the same {', '.join(key)}: {first}")
    order = frame[table.sort_by].reset_index(drop=True).sort_values(table.sort_by, kind="stable")
    for start in range(0, len(frame), _ROWS_AT_ONCE):
        yield checked_text(table, frame.iloc[order.index[start : start + _ROWS_AT_ONCE]])


def _text_cells(column: Column, values: pd.Series) -> pd.Series:
    """Text, checked and made harmless."""
    missing = values.isna()
    kind = pd.api.types.infer_dtype(values.astype(object), skipna=True)
    if kind not in ("string", "empty"):
        raise TypeError(f"holds {kind} where text is meant")
    text = values.astype(object).where(~missing, "").reset_index(drop=True)
    distinct = pd.unique(text)
    if column.enum and (odd := [v for v in distinct if v and v not in column.enum]):
        raise ValueError(f"holds {odd[:3]}, and may be {', '.join(column.enum)}")
    if column.pattern and (
        odd := [v for v in distinct if v and not re.fullmatch(column.pattern, v)]
    ):
        raise ValueError(f"holds {odd[:3]}, which do not fit {column.pattern}")
    if not column.free_text:
        return text
    safe = {value: _harmless(value) for value in distinct}
    return pd.Series([safe[value] for value in text], dtype=object)


def _harmless(value: str) -> str:
    """The text as a cell that no spreadsheet runs."""
    value = _NO_TEXT.sub("�", value)
    if _STARTS_A_FORMULA.match(value) and not _PLAIN_NUMBER.fullmatch(value):
        return f"'{value}"
    return value


def as_given(cell: str) -> str:
    """The text that a cell stands for: without the apostrophe that keeps it from being run."""
    if cell.startswith("'") and _STARTS_A_FORMULA.match(cell):
        return cell[1:]
    return cell


def _in_range(column: Column, numbers: np.ndarray[Any, np.dtype[np.float64]]) -> None:
    """Refuse infinite numbers and those outside the column's bounds."""
    if np.isinf(numbers).any():
        raise ValueError("holds an infinite number")
    present = numbers[~np.isnan(numbers)]
    if column.minimum is not None and (present < column.minimum).any():
        raise ValueError(f"holds {present.min()}, below {column.minimum}")
    if column.maximum is not None and (present > column.maximum).any():
        raise ValueError(f"holds {present.max()}, above {column.maximum}")


def _floats(values: pd.Series) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Numbers as float64, NaN where missing; text and times are refused."""
    if values.isna().all():
        return np.full(len(values), np.nan)
    if pd.api.types.is_bool_dtype(values) or not pd.api.types.is_numeric_dtype(
        values.convert_dtypes() if values.dtype == object else values
    ):
        raise TypeError(f"holds {values.dtype} where numbers are meant")
    return np.asarray(values.astype("Float64").to_numpy(dtype=np.float64, na_value=np.nan))


def _number_cells(column: Column, values: pd.Series) -> pd.Series:
    """Numbers with the column's decimals; bounds are checked as written."""
    numbers = _floats(values)
    # Adding zero turns the minus zero that rounding leaves behind into a plain one.
    if column.significant:
        text = np.char.mod(f"%.{column.decimals}g", numbers + 0.0)
        rounded = text.astype(np.float64)
    else:
        rounded = np.round(numbers, column.decimals or 0) + 0.0
        text = np.char.mod(f"%.{column.decimals}f", rounded)
    _in_range(column, rounded)
    return pd.Series(np.where(np.isnan(rounded), "", text.astype(object)), dtype=object)


def _integer_cells(column: Column, values: pd.Series) -> pd.Series:
    """Whole numbers; floats pass when they are whole."""
    numbers = _floats(values)
    _in_range(column, numbers)
    present = ~np.isnan(numbers)
    if (numbers[present] != np.floor(numbers[present])).any():
        raise ValueError("holds a fraction where whole numbers are meant")
    text = np.char.mod("%d", np.where(present, numbers, 0).astype(np.int64)).astype(object)
    return pd.Series(np.where(present, text, ""), dtype=object)


def _date_cells(_column: Column, values: pd.Series) -> pd.Series:
    """Days as ISO 8601."""
    days = values if not values.isna().all() else pd.to_datetime(values.astype(object))
    if not pd.api.types.is_datetime64_dtype(days):
        raise TypeError(f"holds {values.dtype} where days without a time zone are meant")
    present = days.dropna()
    if (present != present.dt.normalize()).any():
        raise ValueError("holds a time of day where days are meant")
    text = days.dt.strftime("%Y-%m-%d").astype(object)
    return text.where(days.notna(), "").reset_index(drop=True)


def _boolean_cells(_column: Column, values: pd.Series) -> pd.Series:
    """True and false, as the Frictionless table schema spells them."""
    flags = values.astype("boolean").reset_index(drop=True)
    return flags.map({True: "true", False: "false"}).astype(object).where(flags.notna(), "")


_FORMATS: dict[str, Callable[[Column, pd.Series], pd.Series]] = {
    "string": _text_cells,
    "number": _number_cells,
    "integer": _integer_cells,
    "date": _date_cells,
    "boolean": _boolean_cells,
}


def typed(columns: Iterable[Column], text: pd.DataFrame) -> pd.DataFrame:
    """Cells as `checked_text` gives them, back to values; see `table_files.read_csv` for types.

    Raises
    ------
    ValueError
        Naming the first column that holds what it cannot.
    """
    values: dict[str, pd.Series] = {}
    for column in columns:
        cells = text[column.name]
        present = cells.where(cells != "", None)
        try:
            match column.type:
                case "string":
                    values[column.name] = cells.map(as_given).astype(object)
                case "number":
                    values[column.name] = present.astype("float64")
                case "integer":
                    values[column.name] = pd.to_numeric(present).astype(
                        "int64" if column.required else "Int64"
                    )
                case "date":
                    values[column.name] = pd.to_datetime(present, format="%Y-%m-%d")
                case "boolean":
                    values[column.name] = present.map({"true": True, "false": False}).astype(
                        "boolean"
                    )
        except (TypeError, ValueError) as error:
            raise ValueError(f"column {column.name}: {error}") from error
    return pd.DataFrame(values)
