"""One task: a cell of ground through one season, from scenes to a small table and small rasters.

The task reads each overpass of the season once, checks the looks against each other, and keeps
what later stages need: what each look showed of each site, the polygon series, and those composites
of the season's pixels that are asked for. Its result depends on nothing but the task, so its key
names it and a worker anywhere gives the same bytes.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from functools import lru_cache
from typing import Any, Protocol

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import shapely
from numpy.typing import NDArray
from odc.geo.geobox import GeoBox

from afterrains.scenes import (
    Cell,
    Observation,
    Overpass,
    Profiles,
    WindowReader,
    read_overpasses,
)
from afterrains.scenes.season_check import CheckedSeason, check_season
from afterrains.signals.coverage import Coverage, polygon_coverage
from afterrains.signals.looks import polygon_looks, polygon_shares
from afterrains.signals.series import polygon_series
from afterrains.stages.layers import read_layers, write_layers
from afterrains.stages.ledger import Ledger, key_of
from afterrains.stages.readers import BLOCKS, reader_of
from afterrains.stages.stacks import COMPOSITE_INDICES, SeasonStacks, layers_of

__all__ = [
    "COMPOSITES",
    "CellResult",
    "CellTask",
    "Task",
    "identity",
    "load_composites",
    "load_looks",
    "load_series",
    "perform",
    "recorded",
]

COMPOSITES = "composites.parquet"
"""A task's layers, in its folder."""
# Raise when the meaning of a task's result changes, so that older results are not taken for new.
_METHOD = 4
_FLOAT32_BYTES = 4
# Working copies of one layer while it is checked or its composite is made, and the masks.
_SCRATCH_LAYERS = 8


class Task(Protocol):
    """What a task of any kind tells: enough to plan it and to find its record."""

    @property
    def key(self) -> str:
        """Digest of all that its result depends on."""

    @property
    def cell(self) -> Cell:
        """The ground."""

    @property
    def season(self) -> str:
        """Id of the season."""

    @property
    def overpasses(self) -> tuple[Overpass, ...]:
        """What is read."""

    @property
    def profiles(self) -> Profiles:
        """Of the scenes."""

    @property
    def memory_bytes(self) -> int:
        """About the most that it takes at once."""


@dataclass(frozen=True)
class CellTask:
    """Everything the result of one cell and season depends on."""

    cell: Cell
    cores: Mapping[str, bytes]
    """WKB of each site's polygon inside its margin, in the analysis CRS, by site_id."""
    season: str
    kind: str
    start: date
    end: date
    observe_from: date
    """First day whose scenes enter the composites; earlier days enter the series only."""
    overpasses: tuple[Overpass, ...]
    bands: tuple[str, ...]
    indices: tuple[str, ...]
    composites: tuple[str, ...]
    """Names of the composites that later stages need; see `stacks`."""
    dilation_m: float
    profiles: Profiles
    """Profiles of the programme's collections."""
    trusted: frozenset[str] | None = None
    """Hosts that may lie inside this network, None for all; no part of the key."""
    adjust_bandpasses: bool = False
    """Whether reflectance is adjusted between sensors, by the sets that the profiles name."""
    store_bytes: int = 50_000_000_000
    """The most that is kept of remote files; no part of the key."""
    doubted: Mapping[str, str] = field(default_factory=dict)
    """Scenes that are left out because other cells showed that they contradict their metadata, and
    why; see `pull`."""

    @property
    def memory_bytes(self) -> int:
        """About the most that the task takes at once: all looks of its season, layer by layer."""
        height, width = self.cell.geobox.shape
        made = set(layers_of(self.composites)) & set(COMPOSITE_INDICES)
        layers = len(self.bands) + len(made) + _SCRATCH_LAYERS
        return int(height * width * len(self.overpasses) * layers * _FLOAT32_BYTES)

    @property
    def key(self) -> str:
        """Digest of the task: equal tasks, equal results."""
        box = self.cell.geobox
        return key_of(
            _METHOD,
            [str(box.crs), list(box.affine)[:6], list(box.shape)],
            dict(self.cores),
            [self.season, self.kind, self.start, self.end, self.observe_from],
            [identity(overpass) for overpass in self.overpasses],
            [self.bands, self.indices, self.composites, self.dilation_m, self.adjust_bandpasses],
            [profile.model_dump_json() for profile in self.profiles],
            dict(self.doubted),
        )


@dataclass(frozen=True)
class CellResult:
    """What one task reports back; its tables and rasters lie in the ledger under `key`."""

    key: str
    cell_id: str
    season: str
    rows: int
    unreadable: tuple[tuple[str, str, str], ...]
    """(scene_id, band, reason) of every read that failed for good."""
    doubted: tuple[tuple[str, str], ...] = ()
    """(scene_id, reason) of each scene left out because its numbers contradict its metadata."""
    always_masked: tuple[tuple[str, float], ...] = ()
    """(site_id, share) of sites of which a part was masked on nearly every date."""


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
    coverage = _coverage(task.cell.geobox, tuple(task.cores.items()))
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
        series.to_parquet(folder / "series.parquet", index=False)
        looks.to_parquet(folder / "looks.parquet", index=False)
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


@lru_cache(maxsize=4)
def _coverage(geobox: GeoBox, cores: tuple[tuple[str, bytes], ...]) -> Coverage:
    """Of a cell by its sites; the same in all seasons, which follow each other."""
    shapes = gpd.GeoSeries([shapely.from_wkb(core) for _, core in cores], crs=geobox.crs)
    return polygon_coverage(geobox, [site_id for site_id, _ in cores], shapes)


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


def load_series(ledger: Ledger, keys: Iterable[str]) -> pd.DataFrame:
    """The polygon series that finished tasks wrote, one behind the other."""
    return _tables(ledger, keys, "series.parquet")


def load_looks(ledger: Ledger, keys: Iterable[str]) -> pd.DataFrame:
    """What each pass of finished tasks showed of each site; see `polygon_looks`."""
    return _tables(ledger, keys, "looks.parquet")


def _tables(ledger: Ledger, keys: Iterable[str], name: str) -> pd.DataFrame:
    parts = [pq.read_table(ledger.place(key) / name, use_threads=False) for key in keys]
    table: pd.DataFrame = pa.concat_tables(parts).to_pandas()
    return table


def load_composites(
    ledger: Ledger, key: str, names: Collection[str] | None = None
) -> dict[str, NDArray[Any]]:
    """The composites of a finished task, float32 (y, x), NaN where nothing was clear.

    Of `names` those that the task was asked for, or all; `count` and `late_count` are uint16.
    """
    return read_layers(ledger.place(key) / COMPOSITES, names)


def identity(overpass: Overpass) -> list[Any]:
    """What tells one overpass's data from another's: scenes, their versions and scaling."""
    return [
        [
            scene.scene_id,
            scene.collection,
            scene.sensor,
            scene.processed,
            scene.baseline,
            {
                band: [_unsigned(asset.href), asset.scale, asset.offset, asset.nodata]
                for band, asset in sorted(scene.bands.items())
            },
        ]
        for scene in overpass.scenes
    ]


def _unsigned(href: str) -> str:
    """An address without its query string, which a signing service changes from hour to hour."""
    return href.split("?", 1)[0] if "://" in href else href
