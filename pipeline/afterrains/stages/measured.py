"""What all cells and seasons measured, joined: the longest tables of a run.

They are laid out and written some thousand rows at a time, and summed up season by season: a large
programme's are never held at once. Until the delivery they lie in the store: results that an
earlier run delivered stay whole if this one ends before.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd

from afterrains.delivery.atomic import move_to
from afterrains.delivery.look_counts import LookCounts
from afterrains.delivery.table_files import write_csv, write_csv_and_parquet
from afterrains.delivery.tables import LOOKS, series_table
from afterrains.results import comparable_table
from afterrains.stages.cell_task import CellResult, CellTask
from afterrains.stages.cellwork import LOOKS_OF_TASK, SERIES_OF_TASK
from afterrains.stages.ledger import Ledger
from afterrains.stages.prepare import Prepared
from afterrains.stages.site_rows import gathered
from afterrains.stages.traces import scene_traces, traces

__all__ = ["Measured", "measure"]

_ASIDE, _ROWS = "measured", "rows"


@dataclass(frozen=True)
class Measured:
    """What later stages need of it."""

    values: pd.DataFrame
    """Season values of the sites, of `comparable_table`."""
    unlike: pd.Series
    """Drawn patches that nothing is compared with, and why."""
    look_counts: Mapping[str, Any]
    traces: Mapping[str, Any]
    files: tuple[Path, ...]
    """series.csv, series.parquet and looks.csv, where they lie until they are delivered."""

    def once_judged(self) -> Measured:
        """What delivering needs of it."""
        return replace(self, values=self.values.iloc[:0].copy())

    def deliver(self, folder: Path) -> None:
        """Move the files to `folder`."""
        for file in self.files:
            move_to(file, folder / file.name)


def measure(prepared: Prepared, results: Mapping[str, CellResult], ledger: Ledger) -> Measured:
    """Join what the tasks recorded.

    Parameters
    ----------
    prepared : Prepared
        With the tasks as they were done at last.
    results : mapping
        The tasks' results by key.
    ledger : Ledger

    Raises
    ------
    OutputError
        If the disk does not take a file.
    """
    aside = ledger.folder / _ASIDE
    calendar, sites = prepared.calendar, prepared.register.sites
    gather = partial(
        gathered, ledger, prepared.tasks, calendar=calendar, site_ids=sites["site_id"],
        folder=aside / _ROWS,
    )  # fmt: skip
    counts, scenes = LookCounts(), dict[str, dict[str, str]]()
    with gather(LOOKS_OF_TASK) as looks:
        write_csv(LOOKS, _passing(looks.pieces(), counts.add), aside)
    table = series_table(prepared.indices)
    drawing = prepared.programme.controls.drawing
    with gather(SERIES_OF_TASK) as series:
        pieces = _passing(
            series.pieces(), lambda piece: scenes.update(scene_traces(piece, calendar))
        )
        write_csv_and_parquet(table, pieces, aside)
        values, unlike = comparable_table(
            series,
            calendar,
            sites,
            prepared.register.sowing,
            prepared.indices,
            drawn=prepared.register.drawn,
            reach_m=0.0 if drawing is None else drawing.within_m,
        )
    return Measured(
        values,
        unlike,
        _told(counts, prepared.tasks, results),
        traces(prepared, scenes),
        tuple(aside / name for name in (table.file, f"{table.name}.parquet", LOOKS.file)),
    )


def _passing(
    pieces: Iterable[pd.DataFrame], see: Callable[[pd.DataFrame], object]
) -> Iterator[pd.DataFrame]:
    """The pieces, each seen before it is handed on."""
    for piece in pieces:
        see(piece)
        yield piece


def _told(
    counts: LookCounts, tasks: Sequence[CellTask], results: Mapping[str, CellResult]
) -> dict[str, Any]:
    """The counts of looks, with what the tasks reported beside their tables."""
    doubted = [scene for result in results.values() for scene in result.doubted]
    always = [
        (site, task.season, share)
        for task in tasks
        for site, share in results[task.key].always_masked
    ]
    return counts.told(doubted, always)
