"""Rain from GeoTIFF rasters on one grid, one band for each day or pentad, near or far."""

from __future__ import annotations

from collections.abc import Generator, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass
from itertools import groupby

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from rasterio.windows import Window

from afterrains.errors import Finding
from afterrains.rain.gridded import SiteGatherer
from afterrains.rain.open_raster import OpenRaster, open_raster
from afterrains.rain.raster_face import (
    Face,
    StepRaster,
    UnfitError,
    lattice_of,
    require_like,
    unfit,
    unit_of,
)
from afterrains.rain.record import RainRecord
from afterrains.rain.steps import read_steps
from afterrains.rain.units import RainUnit
from afterrains.scenes.failures import Patience
from afterrains.scenes.ranges import RangeClient

__all__ = ["check_rasters"]

_BLOCK_VALUES = 16_000_000
_FILES_TOLD = 20
_REMOTE_READERS = 16


def check_rasters(
    rasters: Sequence[StepRaster],
    file: str,
    source: str,
    sites: gpd.GeoDataFrame | None,
    *,
    patience: Patience | None = None,
    trusted: frozenset[str] | None = None,
) -> tuple[RainRecord | None, list[Finding]]:
    """Read the sites' rain from rasters on one grid.

    Parameters
    ----------
    rasters : sequence of StepRaster
        In any order.
    file, source : str
        How findings, and the record, call them.
    sites : GeoDataFrame or None
        Polygons with `site_id` and a CRS; without them only the first raster's face is checked.
    patience : Patience, optional
        Tries and pauses of failed reads of remote files.
    trusted : frozenset of str, optional
        The only hosts that may lie inside this network; None lets every server be asked. See
        `scenes.inside`.

    Raises
    ------
    ServiceError
        If a remote raster could not be read after the retries.
    """
    ordered = sorted(rasters, key=lambda raster: (raster.first, raster.name))
    try:
        client = RangeClient(patience or Patience(), trusted=trusted)
        return _check(ordered, file, source, sites, client)
    except UnfitError as failure:
        return None, list(failure.findings)


def _check(
    rasters: Sequence[StepRaster],
    file: str,
    source: str,
    sites: gpd.GeoDataFrame | None,
    client: RangeClient,
) -> tuple[RainRecord | None, list[Finding]]:
    ends = [raster.last for raster in rasters]
    steps = read_steps(
        pd.DatetimeIndex([raster.first for raster in rasters]),
        None if None in ends else pd.DatetimeIndex(ends),
    )
    if isinstance(steps, str):
        raise unfit(file, "", steps, "give one raster a day or a pentad", "rain-grid-time")
    with open_raster(rasters[0], client) as opened:
        lattice = lattice_of(opened.dataset, rasters[0].name, file)
        face = Face.of(opened.dataset)
        unit, findings = unit_of(opened.dataset, rasters[0], file)
    if sites is None:
        return None, findings
    gatherer = SiteGatherer(file, sites, lattice, steps, unit)
    if gatherer.rows.size:
        findings += _gather(rasters, gatherer, face, unit, file, client)
    if any(finding.severity == "error" for finding in findings):
        return None, findings
    record, more = gatherer.record(f"{source}, {steps.kind}")
    return record, findings + more


def _gather(
    rasters: Sequence[StepRaster],
    gatherer: SiteGatherer,
    face: Face,
    unit: RainUnit,
    file: str,
    client: RangeClient,
) -> list[Finding]:
    """Read the window of the needed cells from every raster; faults of single rasters."""
    files = [list(bands) for _, bands in groupby(rasters, key=lambda raster: raster.href)]
    rows, columns = gatherer.rows, gatherer.columns
    reader = _Reader(face, unit, file, client, rows, columns)
    findings: list[Finding] = []
    place = 0
    with closing(_in_turn(files, reader)) as blocks:
        for bands, parts in zip(files, blocks, strict=True):
            try:
                if isinstance(parts, UnfitError):
                    raise parts
                for begin, cells in parts:
                    gatherer.add(place + begin, np.arange(rows.size), cells)
            except UnfitError as failure:
                findings += failure.findings
                if len(findings) >= _FILES_TOLD:
                    break
            place += len(bands)
    return findings


_Blocks = Iterable[tuple[int, np.ndarray]] | UnfitError


def _in_turn(files: Sequence[list[StepRaster]], reader: _Reader) -> Generator[_Blocks, None, None]:
    """What is read of each file, in order; many remote files at once, because each only waits."""
    if "://" not in files[0][0].href:
        yield from map(reader.blocks, files)
        return
    pool = ThreadPoolExecutor(_REMOTE_READERS)
    try:
        yield from pool.map(reader.blocks_at_once, files)
    finally:
        pool.shutdown(cancel_futures=True)


@dataclass(frozen=True)
class _Reader:
    """Reads the cells that are needed from rasters that share a face."""

    face: Face
    unit: RainUnit
    file: str
    client: RangeClient
    rows: np.ndarray
    columns: np.ndarray

    def blocks(self, bands: list[StepRaster]) -> Iterator[tuple[int, np.ndarray]]:
        """Place of the first band, and values (bands, cells), of stretches of one file's bands."""
        top, left = int(self.rows.min()), int(self.columns.min())
        height, width = int(self.rows.max()) + 1 - top, int(self.columns.max()) + 1 - left
        at_once = max(_BLOCK_VALUES // (height * width), 1)
        with open_raster(bands[0], self.client) as opened:
            require_like(opened.dataset, bands[0], self.face, self.unit, self.file)
            for begin in range(0, len(bands), at_once):
                some = bands[begin : begin + at_once]
                block = _read(opened, some, Window(left, top, width, height))
                yield begin, block[:, self.rows - top, self.columns - left]

    def blocks_at_once(self, bands: list[StepRaster]) -> _Blocks:
        """The same, read now; a fault is handed on, so that the other files' are told too."""
        try:
            return list(self.blocks(bands))
        except UnfitError as failure:
            return failure


def _read(opened: OpenRaster, rasters: Sequence[StepRaster], window: Window) -> NDArray[np.float64]:
    """Rain of some bands in the unit of the stack, NaN where the raster has none."""
    stored = opened.read([raster.band for raster in rasters], window)
    dataset = opened.dataset
    values = np.ma.filled(stored.astype(np.float64), np.nan)
    for layer, raster in zip(values, rasters, strict=True):
        band = raster.band - 1
        if raster.nodata is not None:
            # Written in JSON, a float32 nodata may have lost its last digits.
            layer[np.isclose(layer, raster.nodata, rtol=1e-6, atol=0)] = np.nan
        layer *= dataset.scales[band] if raster.scale is None else raster.scale
        layer += dataset.offsets[band] if raster.offset is None else raster.offset
    return np.asarray(values)
