"""Tables to files and back, by the definitions in `tables`.

CSV as in RFC 4180: comma, double quotes only where needed, CRLF between records (the line end of
that standard, which every spreadsheet, pandas and frictionless read), UTF-8 without a byte order
mark, one header row. Numbers have a fixed count of decimals, days are ISO 8601, an empty cell is
missing. The same table gives the same bytes.

What a cell may hold and how text is made harmless is in `cells`.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import TextIO, TypeAlias

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from afterrains.delivery.atomic import atomic_path
from afterrains.delivery.cells import checked_pieces, difference, typed
from afterrains.delivery.columns import Table
from afterrains.delivery.tables import all_tables, seasons_table, series_table
from afterrains.errors import OutputError

__all__ = [
    "read_csv",
    "read_pieces",
    "read_tables",
    "table_of_file",
    "write_csv",
    "write_csv_and_parquet",
    "write_parquet",
]

Rows: TypeAlias = pd.DataFrame | Iterable[pd.DataFrame]
_MEDIAN = "_median"
_CONTROL = "control_"
_BY_INDEX = ("series", "seasons")


def write_csv(table: Table, frame: Rows, folder: Path) -> Path:
    """Check `frame` against the definition and write it as `folder/<table>.csv`.

    Parameters
    ----------
    table : Table
        The definition.
    frame : DataFrame, or several
        Exactly the table's columns, in any order; rows in any order (they are sorted by the
        table's key). Of a table too long to be held, frames that lie behind each other in that
        order, as an iterable. Days are midnight datetime64 without a time zone; missing is NaN,
        NaT, None, or "" in text.
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
    _write(table, frame, folder, parquet=False)
    return folder / table.file


def write_parquet(table: Table, frame: Rows, folder: Path) -> Path:
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
    _write(table, frame, folder, csv=False)
    return folder / _parquet_file(table)


def write_csv_and_parquet(table: Table, frame: Rows, folder: Path) -> None:
    """`write_csv` and `write_parquet` of one frame, which is checked and rounded once."""
    _write(table, frame, folder)


def _write(
    table: Table, frame: Rows, folder: Path, *, csv: bool = True, parquet: bool = True
) -> None:
    """Checked cells to one file or both, piece by piece; neither is there unless all fit."""
    with ExitStack() as stack:
        writers: list[Callable[[pd.DataFrame], None]] = []
        if csv:
            path = stack.enter_context(atomic_path(folder / table.file))
            writers.append(
                _csv_writer(stack.enter_context(path.open("w", encoding="utf-8", newline="")))
            )
        if parquet:
            path = stack.enter_context(atomic_path(folder / _parquet_file(table)))
            writers.append(_parquet_writer(table, stack, path))
        frames = [frame] if isinstance(frame, pd.DataFrame) else frame
        for text in checked_pieces(table, frames):
            for write in writers:
                write(text)


def _parquet_file(table: Table) -> str:
    return f"{table.name}.parquet"


def _csv_writer(file: TextIO) -> Callable[[pd.DataFrame], None]:
    """Appends cells to an open file, the names of the columns before the first."""

    def write(text: pd.DataFrame) -> None:
        text.to_csv(file, index=False, header=file.tell() == 0, lineterminator="\r\n")

    return write


def _parquet_writer(table: Table, stack: ExitStack, path: Path) -> Callable[[pd.DataFrame], None]:
    """Appends cells to a Parquet file, a group of rows each time."""
    types = {
        "string": pa.string(),
        "number": pa.float64(),
        "integer": pa.int64(),
        "date": pa.date32(),
        "boolean": pa.bool_(),
    }
    schema = pa.schema(
        [
            pa.field(
                column.name,
                types[column.type],
                nullable=not column.required,
                metadata={"description": column.description, "unit": column.unit},
            )
            for column in table.columns
        ]
    )
    # Python's own file, so that a full disk is told as one.
    opened = stack.enter_context(path.open("wb"))
    file = stack.enter_context(
        pq.ParquetWriter(opened, schema, compression="snappy", version="2.6")
    )

    def write(text: pd.DataFrame) -> None:
        values = typed(table.columns, text)
        arrays = [
            pa.array(values[field.name].replace("", None), type=field.type, from_pandas=True)
            if pa.types.is_string(field.type)
            else pa.array(values[field.name], type=field.type, from_pandas=True)
            for field in schema
        ]
        file.write_table(pa.Table.from_arrays(arrays, schema=schema))

    return write


def read_csv(table: Table, path: Path, columns: Collection[str] | None = None) -> pd.DataFrame:
    """Read a file that `write_csv` wrote, with its types.

    Parameters
    ----------
    table : Table
        The definition.
    path : Path
        The file, or the folder that holds it.
    columns : collection of str, optional
        Those that are wanted; of a long table the others would take memory for nothing.

    Returns
    -------
    DataFrame
        The table's columns, or those wanted, in the table's order: text as str ("" where missing),
        numbers as float64 (NaN), whole numbers as int64, or nullable Int64 where a cell may be
        missing, days as datetime64 (NaT), true and false as nullable boolean.

    Raises
    ------
    OutputError
        When the file is missing, is not such a table or was changed beyond reading.
    """
    pieces = list(read_pieces(table, path, columns))
    return pieces[0] if len(pieces) == 1 else pd.concat(pieces, ignore_index=True)


def read_pieces(
    table: Table, path: Path, columns: Collection[str] | None = None
) -> Iterator[pd.DataFrame]:
    """`read_csv` of a table that may be long, some thousand rows at a time, at least one piece."""
    file = path / table.file if path.is_dir() else path
    mend = "run the programme again, or restore the file as it was written"
    header = _header(file, mend)
    if len(set(header)) != len(header):
        raise OutputError(f"{file}: line 1: a column stands twice; {mend}")
    if header != table.column_names:
        raise OutputError(
            f"{file}: line 1: the columns are not those of this table "
            f"({difference(header, table.column_names)}); {mend}"
        )
    wanted = [each for each in table.columns if columns is None or each.name in columns]
    for cells in _raw(file, [each.name for each in wanted], mend):
        try:
            yield typed(wanted, cells)
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
    header = _header(path, "run the programme again")
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


def _raw(file: Path, columns: list[str], mend: str) -> Iterator[pd.DataFrame]:
    """Cells of some columns as text, nothing taken for missing, lines as long as the header."""
    pieces = 0
    try:
        with pa_csv.open_csv(
            file,
            parse_options=pa_csv.ParseOptions(newlines_in_values=True),
            convert_options=pa_csv.ConvertOptions(
                column_types={name: pa.string() for name in columns},
                include_columns=columns,
                strings_can_be_null=False,
            ),
        ) as rows:
            for piece in rows:
                pieces += 1
                yield _as_objects(piece, columns)
    except OSError as error:
        raise OutputError(f"{file}: cannot be read ({error.strerror}); {mend}") from error
    except pa.ArrowInvalid as error:
        raise OutputError(f"{file}: is no CSV table ({error}); {mend}") from error
    if not pieces:
        yield pd.DataFrame({name: pd.Series([], dtype=object) for name in columns})


def _as_objects(piece: pa.RecordBatch, columns: list[str]) -> pd.DataFrame:
    """Text as Python's own, what stands in many rows once."""
    cells = {}
    for name in columns:
        coded = piece[name].dictionary_encode()
        distinct = np.array(coded.dictionary.to_pylist(), dtype=object)
        cells[name] = pd.Series(distinct[coded.indices.to_numpy()], dtype=object)
    return pd.DataFrame(cells, columns=pd.Index(columns))


def _header(file: Path, mend: str) -> list[str]:
    """Names of the columns as the file has them."""
    try:
        with file.open(encoding="utf-8", newline="") as opened:
            columns = next(csv.reader(opened), [])
    except OSError as error:
        raise OutputError(f"{file}: cannot be read ({error.strerror}); {mend}") from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise OutputError(f"{file}: is no CSV table ({error}); {mend}") from error
    if not columns:
        raise OutputError(f"{file}: is no CSV table (it is empty); {mend}")
    return columns
