"""Rows that tasks wrote cell by cell and season by season, in the order of sites and days.

The looks of a large programme's ten years are millions of rows, more than a laptop should hold at
once. They are laid on the disk in runs, each cut at the same sites, and the parts of all runs that
hold the same sites are read beside each other (external sorting: Knuth, The Art of Computer
Programming, vol. 3, section 5.4).
"""

from __future__ import annotations

import shutil
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from afterrains.delivery.atomic import told_of
from afterrains.stages.cell_task import CellTask
from afterrains.stages.ledger import Ledger

__all__ = ["SiteRows", "gathered"]

_FEWEST_ROWS, _MOST_ROWS, _PARTS = 2_500, 10_000, 24
"""Rows handed on at a time: a part of all, within bounds; a row takes some hundred bytes."""
_PARTS_OF_A_RUN = 5
"""As many times that are sorted in memory at a time.

The disk is asked once for each run and part: time grows with the square of their number.
"""
_ORDER = ["site_id", "date", "sensor", "scene_id"]


class SiteRows:
    """The rows of one kind of table of all tasks; made by `gathered`."""

    def __init__(self, folder: Path, seasons: Sequence[str], first_sites: Sequence[str]) -> None:
        self._folder, self._seasons = folder, list(seasons)
        self._first_sites = np.array(first_sites, dtype=object)
        self._runs: list[int] = []  # of each run, the place of its season
        self._sensors: Counter[str] = Counter()

    def add(self, place: int, table: pa.Table) -> None:
        """Lay down rows of one season, or of days before and after seasons."""
        sites = table["site_id"].to_numpy()
        part = np.searchsorted(self._first_sites, sites, side="right") - 1
        rows = table.take(np.argsort(part, kind="stable")).combine_chunks()
        ends = np.cumsum(np.bincount(part, minlength=len(self._first_sites)))
        path = self._path(len(self._runs))
        options = pa.ipc.IpcWriteOptions(compression="lz4")
        # Python's own file, so that a full disk is told as one.
        with path.open("wb") as file, pa.ipc.new_file(file, table.schema, options=options) as run:
            for start, end in zip([0, *ends[:-1]], ends, strict=True):
                run.write_batch(_one_batch(rows.slice(start, end - start)))
        self._runs.append(place)
        for each in table["sensor"].value_counts().to_pylist():
            self._sensors[each["values"]] += each["counts"]

    def sensors(self) -> Counter[str]:
        """How many rows there are of each sensor."""
        return self._sensors

    def of_season(self, season: str, columns: Sequence[str]) -> pd.DataFrame:
        """Some columns of a season's rows, in no order; days up to the next season among them."""
        place = self._seasons.index(season)
        found = [self._read(run, columns) for run, of in enumerate(self._runs) if of == place]
        if not found:
            found = [self._read(0, columns).slice(0, 0)]
        table: pd.DataFrame = pa.concat_tables(found).to_pandas()
        return table[list(columns)]

    def pieces(self) -> Iterator[pd.DataFrame]:
        """All rows by site, date, sensor and scene; all of a site are in one piece."""
        for part in range(len(self._first_sites)):
            found = [self._read(run, None, part) for run in range(len(self._runs))]
            rows: pd.DataFrame = pa.concat_tables(found).to_pandas()
            yield rows.sort_values(_ORDER, ignore_index=True)

    def _path(self, run: int) -> Path:
        return self._folder / f"{run}.arrow"

    def _read(self, run: int, columns: Sequence[str] | None, part: int | None = None) -> pa.Table:
        with pa.OSFile(str(self._path(run))) as file:
            reader = pa.ipc.open_file(file)
            if columns is not None:
                wanted = [reader.schema.get_field_index(name) for name in columns]
                options = pa.ipc.IpcReadOptions(included_fields=wanted)
                reader = pa.ipc.open_file(file, options=options)
            if part is None:
                return reader.read_all()
            return pa.Table.from_batches([reader.get_batch(part)])


@contextmanager
def gathered(
    ledger: Ledger,
    tasks: Sequence[CellTask],
    name: str,
    calendar: pd.DataFrame,
    site_ids: Iterable[str],
    folder: Path,
) -> Iterator[SiteRows]:
    """The rows of a table of all tasks, laid out in `folder` until the block ends.

    Parameters
    ----------
    ledger : Ledger
    tasks : sequence of CellTask
        All done.
    name : str
        The table's file in the ledger, with columns `site_id, date, sensor, scene_id`.
    calendar : DataFrame
        `season, start`, sorted by start.
    site_ids : iterable of str
        All sites that rows may be of.
    folder : Path
        Emptied before, and gone afterwards.

    Raises
    ------
    OutputError
        If the disk does not take a file.
    """
    sites = sorted(site_ids)
    expected = sum(len(task.overpasses) * len(task.cell.site_ids) for task in tasks)
    at_once = min(max(expected // _PARTS, _FEWEST_ROWS), _MOST_ROWS)
    parts = max(1, min(len(sites), -(-expected // at_once)))
    first_sites = sites[:: -(-len(sites) // parts)]
    shutil.rmtree(folder, ignore_errors=True)
    try:
        with told_of(folder):
            folder.mkdir(parents=True)
            rows = SiteRows(folder, list(calendar["season"]), first_sites)
            run = at_once * _PARTS_OF_A_RUN
            for place, table in _by_season(ledger, tasks, name, calendar, run):
                rows.add(place, table)
        yield rows
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _by_season(
    ledger: Ledger, tasks: Sequence[CellTask], name: str, calendar: pd.DataFrame, run: int
) -> Iterator[tuple[int, pa.Table]]:
    """Tables of some `run` rows, each with the place of its season in the calendar.

    Days that no season holds go with the season before them; the first ones have the place -1.
    """
    starts = calendar["start"].to_numpy()
    days = np.array([task.start for task in tasks], dtype="datetime64[D]")
    places = np.searchsorted(starts, days, side="right") - 1
    for place in np.unique(places):
        held: list[pa.Table] = []
        for at in np.flatnonzero(places == place).tolist():
            held.append(_read(ledger.place(tasks[at].key) / name))
            if sum(table.num_rows for table in held) >= run:
                yield int(place), _in_one_piece(held)
                held = []
        if held:
            yield int(place), _in_one_piece(held)


def _read(place: Path) -> pa.Table:
    # Not `read_table`, which first looks for a dataset of many files: that takes longer.
    with pq.ParquetFile(place) as file:
        return file.read(use_threads=False)


def _in_one_piece(parts: list[pa.Table]) -> pa.Table:
    """Tables one behind the other; as many pieces as files take several times their room."""
    return pa.concat_tables(parts).combine_chunks()


def _one_batch(rows: pa.Table) -> pa.RecordBatch:
    """The rows as one batch, also where there are none."""
    batches = rows.combine_chunks().to_batches()
    return batches[0] if batches else pa.RecordBatch.from_pylist([], schema=rows.schema)
