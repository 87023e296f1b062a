"""Rain from rasters, one for each day or pentad: GeoTIFF files in a folder, or bands of one file.

The day of a file stands in its name (2021-06-01, 20210601, 2021.06.01 …), the day of a band in
the band's description. All rasters lie on one grid.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import rasterio
from rasterio.errors import RasterioError
from rasterio.windows import Window

from afterrains.errors import Finding, ServiceError
from afterrains.rain.gridded import SiteGatherer
from afterrains.rain.lattice import Axis, Lattice, axis_of
from afterrains.rain.record import RainRecord
from afterrains.rain.steps import read_steps
from afterrains.rain.units import RainUnit, parse_unit
from afterrains.scenes.windows import Patience, gdal_settings

__all__ = ["StepRaster", "check_rasters", "check_stack"]

_BLOCK_VALUES = 16_000_000
_FILES_TOLD = 20
_DAY = re.compile(r"(?<!\d)(\d{4})[-._]?(0[1-9]|1[0-2])[-._]?(0[1-9]|[12]\d|3[01])(?!\d)")
_RASTER_ENDINGS = (".tif", ".tiff")


@dataclass(frozen=True)
class StepRaster:
    """One band of one raster: the rain of one time step.

    `last` is the step's end, exclusive, where it is known. `unit`, `scale`, `offset` and `nodata`
    replace what the file itself says where they are not None.
    """

    href: str
    name: str
    first: pd.Timestamp
    last: pd.Timestamp | None = None
    band: int = 1
    unit: str | None = None
    scale: float | None = None
    offset: float | None = None
    nodata: float | None = None


class _UnfitError(Exception):
    """The rasters cannot be used; carries the findings."""

    def __init__(self, *findings: Finding) -> None:
        self.findings = findings
        super().__init__("; ".join(map(str, findings)))


def check_stack(
    path: Path, sites: gpd.GeoDataFrame | None
) -> tuple[RainRecord | None, list[Finding]]:
    """Read the sites' rain from a folder of GeoTIFF files or the bands of one.

    Parameters and results as in `afterrains.rain.netcdf.check_netcdf`.
    """
    try:
        rasters = list(_files_of(path) if path.is_dir() else _bands_of(path))
    except _UnfitError as unfit:
        return None, list(unfit.findings)
    return check_rasters(rasters, path.name, f"grid {path.name}", sites)


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
    except _UnfitError as unfit:
        return None, list(unfit.findings)


def _unfit(file: str, where: str, what: str, mend: str, code: str) -> _UnfitError:
    return _UnfitError(Finding("error", file, where, what, mend, code))


def _files_of(folder: Path) -> Iterator[StepRaster]:
    """One raster for each GeoTIFF of a folder, dated by its name."""
    files = sorted(
        path
        for path in folder.iterdir()
        if path.suffix.lower() in _RASTER_ENDINGS and not path.name.startswith(".")
    )
    if not files:
        what, mend = "holds no GeoTIFF and is no Zarr store", "name the folder of daily rasters"
        raise _unfit(folder.name, "", what, mend, "rain-grid-empty")
    undated = []
    for path in files:
        day = _day_in(path.stem)
        if day is None:
            undated.append(path.name)
        else:
            yield StepRaster(str(path), path.name, day)
    if undated:
        what = f"holds {len(undated)} files without a day in their name, such as {undated[0]!r}"
        mend = "name each file with its day, such as rain-2021-06-01.tif"
        raise _unfit(folder.name, "", what, mend, "rain-grid-no-date")


def _bands_of(path: Path) -> Iterator[StepRaster]:
    """One raster for each band of a GeoTIFF, dated by its description."""
    try:
        with rasterio.open(path, driver="GTiff") as dataset:
            descriptions = dataset.descriptions
    except (RasterioError, OSError) as error:
        what = f"cannot be read as GeoTIFF ({str(error)[:200]})"
        raise _unfit(path.name, "", what, "get the file anew", "rain-grid-unreadable") from error
    undated = []
    for band, text in enumerate(descriptions, start=1):
        day = _day_in(text or "")
        if day is None:
            undated.append(band)
        else:
            yield StepRaster(str(path), f"band {band}", day, band=band)
    if undated:
        what = f"holds {len(undated)} bands without a day in their description, first {undated[0]}"
        mend = "describe each band by its day, such as 2021-06-01"
        raise _unfit(path.name, "", what, mend, "rain-grid-no-date")


def _day_in(text: str) -> pd.Timestamp | None:
    """The last day that a name holds, or None."""
    for match in reversed(list(_DAY.finditer(text))):
        try:
            return pd.Timestamp(int(match[1]), int(match[2]), int(match[3]))
        except ValueError:
            continue
    return None


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
        raise _unfit(file, "", steps, "give one raster a day or a pentad", "rain-grid-time")
    with _open(rasters[0], patience) as dataset:
        lattice = _lattice(dataset, rasters[0].name, file)
        face = _Face.of(dataset)
        unit, findings = _unit(dataset, rasters[0], file)
    if sites is None:
        return None, findings
    gatherer = SiteGatherer(file, sites, lattice, steps, unit)
    if gatherer.rows.size:
        findings += _gather(rasters, gatherer, face, unit, file, patience)
    if any(finding.severity == "error" for finding in findings):
        return None, findings
    record, more = gatherer.record(f"{source}, {steps.kind}")
    return record, findings + more


@dataclass(frozen=True)
class _Face:
    """What all rasters of a stack share."""

    shape: tuple[int, int]
    transform: tuple[float, ...]
    crs: rasterio.crs.CRS

    @classmethod
    def of(cls, dataset: Any) -> _Face:
        return cls(dataset.shape, tuple(dataset.transform)[:6], dataset.crs)

    def like(self, other: _Face) -> bool:
        """The same cells, up to rounding of a hundredth of a cell over the whole raster."""
        cell = abs(self.transform[0])
        size = max(self.shape)
        a, b = np.array(self.transform), np.array(other.transform)
        reach = np.array([size, size, 1, size, size, 1])
        return (
            self.shape == other.shape
            and self.crs == other.crs
            and bool((np.abs(a - b) * reach <= 0.01 * cell).all())
        )


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
    return _unfit(raster.name, "", "cannot be read as GeoTIFF", mend, "rain-grid-unreadable")


def _lattice(dataset: Any, name: str, file: str) -> Lattice:
    transform = dataset.transform
    if transform.b or transform.d or transform.a <= 0 or transform.e == 0:
        what, mend = "is rotated or mirrored", "put the rain on an upright grid"
        raise _unfit(file, name, what, mend, "rain-grid-irregular")
    if dataset.crs is None:
        what, mend = "has no CRS", "give the file its CRS"
        raise _unfit(file, name, what, mend, "rain-grid-crs")
    crs = pyproj.CRS.from_user_input(dataset.crs)
    columns, rows = np.arange(dataset.width), np.arange(dataset.height)
    x = Axis(transform.c, transform.a, columns)
    if crs.is_geographic and x.high > 180 + x.step:
        turned = axis_of(transform.c + (columns + 0.5) * transform.a, longitude=True)
        x = turned if turned is not None else x
    if transform.e > 0:
        return Lattice(x, Axis(transform.f, transform.e, rows), crs)
    low = transform.f + transform.e * dataset.height
    return Lattice(x, Axis(low, -transform.e, rows[::-1].copy()), crs)


def _unit_text(dataset: Any, raster: StepRaster) -> str:
    tags = {key.lower(): value for key, value in dataset.tags(raster.band).items()}
    whole = {key.lower(): value for key, value in dataset.tags().items()}
    named = raster.unit or dataset.units[raster.band - 1]
    return str(named or tags.get("units") or tags.get("unit") or whole.get("units") or "")


def _unit(dataset: Any, raster: StepRaster, file: str) -> tuple[RainUnit, list[Finding]]:
    text = _unit_text(dataset, raster)
    if not text:
        what, mend = "declares no unit, and is taken as mm in each step", "set the band's unit"
        assumed = Finding("warning", file, raster.name, what, mend, "rain-grid-no-unit")
        return RainUnit(1.0, rate=False), [assumed]
    unit = parse_unit(text)
    if unit is None:
        what = f"has the unit {text[:40]!r}"
        mend = "set it to mm/day, kg m-2 s-1, mm or m (the last two for each step)"
        raise _unfit(file, raster.name, what, mend, "rain-grid-unit")
    return unit, []


def _gather(
    rasters: Sequence[StepRaster],
    gatherer: SiteGatherer,
    face: _Face,
    unit: RainUnit,
    file: str,
    patience: Patience,
) -> list[Finding]:
    """Read the window of the needed cells from every raster; faults of single rasters."""
    rows, columns = gatherer.rows, gatherer.columns
    top, left = int(rows.min()), int(columns.min())
    height, width = int(rows.max()) + 1 - top, int(columns.max()) + 1 - left
    window = Window(left, top, width, height)
    everywhere = np.arange(rows.size)
    at_once = max(_BLOCK_VALUES // (height * width), 1)
    findings: list[Finding] = []
    place = 0
    for _, same_file in groupby(rasters, key=lambda raster: raster.href):
        bands = list(same_file)
        try:
            with _open(bands[0], patience) as dataset:
                _require_like(dataset, bands[0], face, unit, file)
                for begin in range(0, len(bands), at_once):
                    some = bands[begin : begin + at_once]
                    block = _read(dataset, some, window, patience)
                    cells = block[:, rows - top, columns - left]
                    gatherer.add(place + begin, everywhere, cells)
        except _UnfitError as unfit:
            findings += unfit.findings
            if len(findings) >= _FILES_TOLD:
                return findings
        place += len(bands)
    return findings


def _require_like(dataset: Any, raster: StepRaster, face: _Face, unit: RainUnit, file: str) -> None:
    if not face.like(_Face.of(dataset)):
        what, mend = "lies on another grid than the first raster", "put all rasters on one grid"
        raise _unfit(file, raster.name, what, mend, "rain-grid-mixed")
    text = _unit_text(dataset, raster)
    if text and parse_unit(text) != unit:
        what, mend = f"has another unit ({text[:40]!r}) than the first", "give all the same unit"
        raise _unfit(file, raster.name, what, mend, "rain-grid-mixed")


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
            layer[layer == raster.nodata] = np.nan
        layer *= dataset.scales[band] if raster.scale is None else raster.scale
        layer += dataset.offsets[band] if raster.offset is None else raster.offset
    return np.asarray(values)
