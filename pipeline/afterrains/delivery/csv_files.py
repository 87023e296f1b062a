"""Tables to files and back, by the definitions in `tables`.

CSV as in RFC 4180: comma, double quotes only where needed, CRLF between records (the line end of
that standard, which every spreadsheet, pandas and frictionless read), UTF-8 without a byte order
mark, one header row. Numbers have a fixed count of decimals, days are ISO 8601, an empty cell is
missing. The same table gives the same bytes.

Text from outside is never left as a spreadsheet formula: a cell that begins with one of
``= + - @``, their full-width forms, a tab or a line end gets an apostrophe before it, unless it is
a plain number. `read_csv` takes that apostrophe away again. Control characters other than tab and
line ends are no text in RFC 4180 and become U+FFFD.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from afterrains.delivery.atomic import write_bytes
from afterrains.delivery.tables import Column, Table, all_tables, seasons_table, series_table
from afterrains.errors import OutputError

__all__ = ["read_csv", "read_tables", "table_of_file", "write_csv", "write_parquet"]

_STARTS_A_FORMULA = re.compile(r"'*[=+\-@\t\r\n＝＋－＠]")
_PLAIN_NUMBER = re.compile(r"[+-]?[0-9]+([.,][0-9]+)?")
_NO_TEXT = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff]")
_MEDIAN = "_median"
_CONTROL = "control_"


def write_csv(table: Table, frame: pd.DataFrame, folder: Path) -> Path:
    """Check `frame` against the definition and write it as `folder/<table>.csv`.

    Parameters
    ----------
    table : Table
        The definition.
    frame : DataFrame
        Exactly the table's columns, in any order; rows in any order (they are sorted by the
        table's key). Days are midnight datetime64 without a time zone; missing is NaN, NaT, None,
        or "" in text.
    folder : Path
        The output folder.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    ValueError
        When the frame does not fit the definition: a mistake of ours, not of the user. The
        message names every misfit.
    OutputError
        When the disk does not take the file.
    """
    text = _checked_text(table, frame)
    buffer = io.StringIO()
    text.to_csv(buffer, index=False, lineterminator="\r\n")
    return write_bytes(folder / table.file, buffer.getvalue().encode())


def write_parquet(table: Table, frame: pd.DataFrame, folder: Path) -> Path:
    """Write the same rows and the same rounded numbers as `write_csv`, as Parquet.

    Types are kept (days are date32, text is text, without the apostrophes of the CSV), and each
    column's unit and description go along as field metadata. One codec (Snappy, which every
    reader of the format has), no index, no times: equal tables are equal bytes.

    Returns
    -------
    Path
        `folder/<table>.parquet`.

    Raises
    ------
    ValueError, OutputError
        As `write_csv`.
    """
    typed = _typed(table, _checked_text(table, frame))
    types = {
        "string": pa.string(),
        "number": pa.float64(),
        "integer": pa.int64(),
        "date": pa.date32(),
        "boolean": pa.bool_(),
    }
    fields = [
        pa.field(
            column.name,
            types[column.type],
            nullable=not column.required,
            metadata={"description": column.description, "unit": column.unit},
        )
        for column in table.columns
    ]
    arrays = [
        pa.array(typed[field.name].replace("", None), type=field.type, from_pandas=True)
        if pa.types.is_string(field.type)
        else pa.array(typed[field.name], type=field.type, from_pandas=True)
        for field in fields
    ]
    buffer = io.BytesIO()
    rows = pa.Table.from_arrays(arrays, schema=pa.schema(fields))
    pq.write_table(rows, buffer, compression="snappy", row_group_size=1_000_000, version="2.6")
    return write_bytes(folder / f"{table.name}.parquet", buffer.getvalue())


def read_csv(table: Table, path: Path) -> pd.DataFrame:
    """Read a file that `write_csv` wrote, with its types.

    Parameters
    ----------
    table : Table
        The definition.
    path : Path
        The file, or the folder that holds it.

    Returns
    -------
    DataFrame
        The table's columns in order: text as str ("" where missing), numbers as float64 (NaN),
        whole numbers as int64, or nullable Int64 where a cell may be missing, days as datetime64
        (NaT), true and false as nullable boolean.

    Raises
    ------
    OutputError
        When the file is missing, is not such a table or was changed beyond reading.
    """
    file = path / table.file if path.is_dir() else path
    mend = "run the programme again, or restore the file as it was written"
    text = _raw(file, mend)
    if list(text.columns) != table.column_names:
        raise OutputError(
            f"{file}: line 1: the columns are not those of this table "
            f"({_difference(list(text.columns), table.column_names)}); {mend}"
        )
    try:
        return _typed(table, text)
    except ValueError as error:
        raise OutputError(f"{file}: {error}; {mend}") from error


def table_of_file(name: str, path: Path) -> Table:
    """The definition of `series` or `seasons` that fits the file's own index columns.

    Raises
    ------
    OutputError
        When the file cannot be read.
    ValueError
        When `name` is another table's, which needs no file to be known.
    """
    header = list(_raw(path, "run the programme again", rows=0).columns)
    if name == "series":
        fixed = set(series_table(()).column_names)
        return series_table([column for column in header if column not in fixed])
    if name == "seasons":
        return seasons_table(
            [
                column.removesuffix(_MEDIAN)
                for column in header
                if column.endswith(_MEDIAN) and not column.startswith(_CONTROL)
            ]
        )
    raise ValueError(f"{name} has one definition for every run")


def read_tables(folder: Path) -> dict[str, pd.DataFrame]:
    """Every table that stands in an output folder, by name; see `read_csv`."""
    found: dict[str, pd.DataFrame] = {}
    for table in all_tables(()):
        file = folder / table.file
        if file.is_file():
            fitting = table_of_file(table.name, file) if table.name in _BY_INDEX else table
            found[table.name] = read_csv(fitting, file)
    return found


_BY_INDEX = ("series", "seasons")


def _raw(file: Path, mend: str, rows: int | None = None) -> pd.DataFrame:
    """Cells as text, nothing taken for missing."""
    try:
        return pd.read_csv(
            file, dtype=str, keep_default_na=False, na_filter=False, encoding="utf-8", nrows=rows
        )
    except OSError as error:
        raise OutputError(f"{file}: cannot be read ({error.strerror}); {mend}") from error
    except (UnicodeDecodeError, pd.errors.ParserError, pd.errors.EmptyDataError) as error:
        raise OutputError(f"{file}: is no CSV table ({error}); {mend}") from error


def _difference(found: list[str], expected: list[str]) -> str:
    """How two lists of columns differ, in words."""
    missing = [name for name in expected if name not in found]
    further = [name for name in found if name not in expected]
    parts = []
    if missing:
        parts.append(f"missing: {', '.join(missing)}")
    if further:
        parts.append(f"not in the definition: {', '.join(further)}")
    return "; ".join(parts) or "in another order, or twice"


def _checked_text(table: Table, frame: pd.DataFrame) -> pd.DataFrame:
    """The frame's cells as the file holds them, in the file's order, or a ValueError."""
    if sorted(frame.columns) != sorted(table.column_names):
        raise ValueError(f"{table.name}: {_difference(list(frame.columns), table.column_names)}")
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
    return text.map({value: _harmless(value) for value in distinct})


def _harmless(value: str) -> str:
    """The text as a cell that no spreadsheet runs."""
    value = _NO_TEXT.sub("�", value)
    if _STARTS_A_FORMULA.match(value) and not _PLAIN_NUMBER.fullmatch(value):
        return f"'{value}"
    return value


def _as_given(cell: str) -> str:
    """The text that `_harmless` made the cell from."""
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
    rounded = np.round(numbers, column.decimals or 0) + 0.0
    _in_range(column, rounded)
    text = np.char.mod(f"%.{column.decimals}f", rounded).astype(object)
    return pd.Series(np.where(np.isnan(rounded), "", text), dtype=object)


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


def _typed(table: Table, text: pd.DataFrame) -> pd.DataFrame:
    """Cells as `_checked_text` gives them, back to values."""
    typed: dict[str, pd.Series] = {}
    for column in table.columns:
        cells = text[column.name]
        present = cells.where(cells != "", None)
        try:
            match column.type:
                case "string":
                    typed[column.name] = cells.map(_as_given).astype(object)
                case "number":
                    typed[column.name] = present.astype("float64")
                case "integer":
                    typed[column.name] = pd.to_numeric(present).astype(
                        "int64" if column.required else "Int64"
                    )
                case "date":
                    typed[column.name] = pd.to_datetime(present, format="%Y-%m-%d")
                case "boolean":
                    typed[column.name] = present.map({"true": True, "false": False}).astype(
                        "boolean"
                    )
        except (TypeError, ValueError) as error:
            raise ValueError(f"column {column.name}: {error}") from error
    return pd.DataFrame(typed)
