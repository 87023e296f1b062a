"""What all cells and seasons measured, joined: the longest tables of a run.

They are made, written and let go before anything is judged, so that a large programme's tables are
never held all at once. Until the delivery they lie in the store: results that an earlier run
delivered stay whole if this one ends before.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from afterrains.delivery.atomic import move_to
from afterrains.delivery.look_counts import count_looks
from afterrains.delivery.table_files import write_csv, write_csv_and_parquet
from afterrains.delivery.tables import LOOKS, series_table
from afterrains.results import comparable_table
from afterrains.stages.cell_task import CellResult, CellTask
from afterrains.stages.cellwork import load_looks, load_series
from afterrains.stages.ledger import Ledger
from afterrains.stages.prepare import Prepared
from afterrains.stages.traces import traces

__all__ = ["Measured", "measure"]

_ASIDE = "measured"


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
    look_counts = _looks(prepared.tasks, results, ledger, aside)
    series = load_series(ledger, (task.key for task in prepared.tasks)).sort_values(
        ["site_id", "date", "sensor", "scene_id"], ignore_index=True
    )
    table = series_table(prepared.indices)
    write_csv_and_parquet(table, series, aside)
    sites, drawing = prepared.register.sites, prepared.programme.controls.drawing
    values, unlike = comparable_table(
        series,
        prepared.calendar,
        sites,
        prepared.register.sowing,
        prepared.indices,
        drawn=prepared.register.drawn,
        reach_m=0.0 if drawing is None else drawing.within_m,
    )
    return Measured(
        values,
        unlike,
        look_counts,
        traces(prepared, series),
        tuple(aside / name for name in (table.file, f"{table.name}.parquet", LOOKS.file)),
    )


def _looks(
    tasks: Sequence[CellTask], results: Mapping[str, CellResult], ledger: Ledger, aside: Path
) -> dict[str, Any]:
    """Write what each pass showed of each site; the counts of it."""
    table = load_looks(ledger, (task.key for task in tasks))
    write_csv(LOOKS, table, aside)
    doubted = [scene for result in results.values() for scene in result.doubted]
    always = [
        (site, task.season, share)
        for task in tasks
        for site, share in results[task.key].always_masked
    ]
    return count_looks(table, doubted, always)
