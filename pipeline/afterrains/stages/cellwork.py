"""Doing one task: a cell of ground through one season, from scenes to small tables and rasters.

It reads each overpass of the season once, checks the looks against each other, and keeps
what later stages need: what each look showed of each site, the polygon series, and those composites
of the season's pixels that are asked for. Its result depends on nothing but the task, so its key
names it and a worker anywhere gives the same bytes.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from odc.geo.geobox import GeoBox

from afterrains.scenes import Observation, WindowReader, read_overpasses
from afterrains.scenes.season_check import CheckedSeason, check_season
from afterrains.signals.coverage import Coverage, polygon_coverage
from afterrains.signals.looks import polygon_looks, polygon_shares
from afterrains.signals.series import polygon_series
from afterrains.stages.cell_task import CellResult, CellTask, Task
from afterrains.stages.layers import read_layers, write_layers
from afterrains.stages.ledger import Ledger
from afterrains.stages.readers import BLOCKS, reader_of
from afterrains.stages.stacks import SeasonStacks

__all__ = [
    "COMPOSITES",
    "LOOKS_OF_TASK",
    "SERIES_OF_TASK",
    "load_composites",
    "perform",
    "recorded",
]

COMPOSITES = "composites.parquet"
"""A task's layers, in its folder."""
SERIES_OF_TASK, LOOKS_OF_TASK = "series.parquet", "looks.parquet"
"""Its tables: the polygon series, and what each pass showed of each site (`polygon_looks`)."""


def perform(task: CellTask, ledger: Ledger, *, reader: WindowReader | None = None) -> CellResult:
    """Do the task and record it; a failed read is reported in the result, never zero.

    Without a `reader`, that of this process and programme, which keeps what it pulls beside the
    ledger.

    Raises
    ------
    OutputError
        If the result cannot be written.
    """
    checked = check_season(
        list(
            read_overpasses(
                task.overpasses,
                task.cell.geobox,
                task.bands,
                task.profiles,
                dilation_m=task.dilation_m,
                reader=reader or reader_of(ledger.folder / BLOCKS, task),
                adjust_bandpasses=task.adjust_bandpasses,
            )
        ),
        task.doubted,
    )
    stacks = SeasonStacks(task.composites, task.observe_from, task.end, task.cell.geobox.shape)
    for look in checked.looks:
        stacks.add(look)
    coverage = _coverage(task.cell.geobox, task.cores)
    series = polygon_series(checked.looks, coverage, task.indices)
    looks = polygon_looks(_named(task, checked), coverage)
    always = polygon_shares(checked.always_masked, coverage)
    composites = stacks.composites()
    result = CellResult(
        task.key,
        task.cell.cell_id,
        task.season,
        len(series),
        tuple(sorted({read for look in checked.looks for read in look.unreadable})),
        tuple(sorted({scene for look in checked.looks for scene in look.doubted})),
        tuple(sorted(always.items())),
    )
    with ledger.record(task.key) as folder:
        series.to_parquet(folder / SERIES_OF_TASK, index=False)
        looks.to_parquet(folder / LOOKS_OF_TASK, index=False)
        write_layers(folder / COMPOSITES, composites)
        (folder / "result.json").write_text(
            json.dumps(
                {
                    "unreadable": result.unreadable,
                    "doubted": result.doubted,
                    "always_masked": result.always_masked,
                    "rows": result.rows,
                }
            ),
            encoding="utf-8",
        )
    return result


def _coverage(geobox: GeoBox, cores: Mapping[str, bytes]) -> Coverage:
    """Of a cell by its sites."""
    shapes = gpd.GeoSeries(shapely.from_wkb(list(cores.values())), crs=geobox.crs)
    return polygon_coverage(geobox, list(cores), shapes)


def _named(
    task: CellTask, checked: CheckedSeason
) -> Iterator[tuple[Observation, NDArray[np.bool_]]]:
    """Each look with what was taken out of it; one that covers nothing bears its scenes' names."""
    for overpass, look, leftover in zip(
        task.overpasses, checked.looks, checked.leftover, strict=True
    ):
        names = look.scene_ids or tuple(scene.scene_id for scene in overpass.scenes)
        yield replace(look, scene_ids=names), leftover


def recorded(task: Task, ledger: Ledger) -> CellResult | None:
    """The result of an earlier run, or None where there is none."""
    if not ledger.has(task.key):
        return None
    text = (ledger.place(task.key) / "result.json").read_text(encoding="utf-8")
    stored: dict[str, Any] = json.loads(text)
    return CellResult(
        task.key,
        task.cell.cell_id,
        task.season,
        int(stored["rows"]),
        tuple((str(s), str(b), str(r)) for s, b, r in stored["unreadable"]),
        tuple((str(s), str(r)) for s, r in stored["doubted"]),
        tuple((str(s), float(share)) for s, share in stored["always_masked"]),
    )


def load_composites(
    ledger: Ledger, key: str, names: Collection[str] | None = None
) -> dict[str, NDArray[Any]]:
    """The composites of a finished task, float32 (y, x), NaN where nothing was clear.

    Of `names` those that the task was asked for, or all; `count` and `late_count` are uint16.
    """
    return read_layers(ledger.place(key) / COMPOSITES, names)
