"""Rain from GeoTIFF rasters on one grid, one band for each day or pentad, near or far."""

from __future__ import annotations

from collections.abc import Generator, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from dataclasses import dataclass
from itertools import groupby
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
from rasterio.errors import RasterioError
from rasterio.windows import Window

from afterrains.errors import Finding, ServiceError
from afterrains.rain.gridded import SiteGatherer
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
from afterrains.scenes.windows import Patience, gdal_settings

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

    Raises
    ------
    ServiceError
        If a remote raster could not be read after the retries.
    """
    ordered = sorted(rasters, key=lambda raster: (raster.first, raster.name))
    try:
        return _check(ordered, file, source, sites, patience or Patience())
    except UnfitError as failure:
        return None, list(failure.findings)


def _check(
    rasters: Sequence[StepRaster],
    file: str,
    source: str,
    sites: gpd.GeoDataFrame | None,
    patience: Patience,
) -> tuple[RainRecord | None, list[Finding]]:
    ends = [raster.last for raster in rasters]
    steps = read_steps(
        pd.DatetimeIndex([raster.first for raster in rasters]),
        None if None in ends else pd.DatetimeIndex(ends),
    )
    if isinstance(steps, str):
        raise unfit(file, "", steps, "give one raster a day or a pentad", "rain-grid-time")
    with _open(rasters[0], patience) as dataset:
        lattice = lattice_of(dataset, rasters[0].name, file)
        face = Face.of(dataset)
        unit, findings = unit_of(dataset, rasters[0], file)
    if sites is None:
        return None, findings
    gatherer = SiteGatherer(file, sites, lattice, steps, unit)
    if gatherer.rows.size:
        findings += _gather(rasters, gatherer, face, unit, file, patience)
    if any(finding.severity == "error" for finding in findings):
        return None, findings
    record, more = gatherer.record(f"{source}, {steps.kind}")
    return record, findings + more


@contextmanager
def _open(raster: StepRaster, patience: Patience) -> Iterator[Any]:
    """The raster's file; a remote one that stays shut after the retries is a ServiceError."""
    remote = "://" in raster.href
    for attempt in range(1, (patience.tries if remote else 1) + 1):
        try:
            with rasterio.Env(**gdal_settings(afresh=attempt > 1)):
                dataset = rasterio.open(raster.href, driver="GTiff", sharing=False)
            break
        except (RasterioError, OSError) as error:
            if not remote or attempt == patience.tries:
                raise _unreadable(raster, remote) from error
            patience.pause(attempt)
    with rasterio.Env(**gdal_settings()), dataset:
        yield dataset


def _unreadable(raster: StepRaster, remote: bool) -> Exception:
    if remote:
        return ServiceError(
            f"the rain raster {raster.name} could not be read after several tries; "
            "run the same command again later"
        )
    mend = "get the file anew, or take it away (its day is then a gap)"
    return unfit(raster.name, "", "cannot be read as GeoTIFF", mend, "rain-grid-unreadable")


def _gather(
    rasters: Sequence[StepRaster],
    gatherer: SiteGatherer,
    face: Face,
    unit: RainUnit,
    file: str,
    patience: Patience,
) -> list[Finding]:
    """Read the window of the needed cells from every raster; faults of single rasters."""
    files = [list(bands) for _, bands in groupby(rasters, key=lambda raster: raster.href)]
    rows, columns = gatherer.rows, gatherer.columns
    reader = _Reader(face, unit, file, patience, rows, columns)
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
    patience: Patience
    rows: np.ndarray
    columns: np.ndarray

    def blocks(self, bands: list[StepRaster]) -> Iterator[tuple[int, np.ndarray]]:
        """Place of the first band, and values (bands, cells), of stretches of one file's bands."""
        top, left = int(self.rows.min()), int(self.columns.min())
        height, width = int(self.rows.max()) + 1 - top, int(self.columns.max()) + 1 - left
        at_once = max(_BLOCK_VALUES // (height * width), 1)
        with _open(bands[0], self.patience) as dataset:
            require_like(dataset, bands[0], self.face, self.unit, self.file)
            for begin in range(0, len(bands), at_once):
                some = bands[begin : begin + at_once]
                block = _read(dataset, some, Window(left, top, width, height), self.patience)
                yield begin, block[:, self.rows - top, self.columns - left]

    def blocks_at_once(self, bands: list[StepRaster]) -> _Blocks:
        """The same, read now; a fault is handed on, so that the other files' are told too."""
        try:
            return list(self.blocks(bands))
        except UnfitError as failure:
            return failure


def _read(
    dataset: Any, rasters: Sequence[StepRaster], window: Window, patience: Patience
) -> np.ndarray:
    """Rain of some bands in the unit of the stack, NaN where the raster has none."""
    remote = "://" in rasters[0].href
    for attempt in range(1, (patience.tries if remote else 1) + 1):
        try:
            stored = dataset.read([raster.band for raster in rasters], window=window, masked=True)
            break
        except (RasterioError, OSError) as error:
            if not remote or attempt == patience.tries:
                raise _unreadable(rasters[0], remote) from error
            patience.pause(attempt)
    values = stored.astype(np.float64).filled(np.nan)
    for layer, raster in zip(values, rasters, strict=True):
        band = raster.band - 1
        if raster.nodata is not None:
            # Written in JSON, a float32 nodata may have lost its last digits.
            layer[np.isclose(layer, raster.nodata, rtol=1e-6, atol=0)] = np.nan
        layer *= dataset.scales[band] if raster.scale is None else raster.scale
        layer += dataset.offsets[band] if raster.offset is None else raster.offset
    return np.asarray(values)
