"""Rain from a NetCDF file or a Zarr store with CF names and units, by way of xarray.

The file is read in blocks that follow its own chunks, so that each is read once and memory stays
bounded whatever the length of the record.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import xarray as xr

from afterrains.errors import Finding
from afterrains.rain.gridded import SiteGatherer
from afterrains.rain.lattice import Axis, Lattice, axis_of
from afterrains.rain.record import RainRecord
from afterrains.rain.steps import Steps, read_steps
from afterrains.rain.units import RainUnit, parse_unit

__all__ = ["check_netcdf"]

_BLOCK_VALUES = 16_000_000
"""Values read at once: 64 MB as float32, twice that while they are unpacked."""

_RAIN_STANDARD_NAMES = {
    # CF standard name table, version 89: names of liquid or all precipitation.
    "precipitation_flux",
    "precipitation_amount",
    "convective_precipitation_flux",
    "lwe_precipitation_rate",
    "lwe_thickness_of_precipitation_amount",
    "thickness_of_rainfall_amount",
    "rainfall_flux",
    "rainfall_rate",
    "rainfall_amount",
}


_REAL_CALENDARS = {"standard", "gregorian", "proleptic_gregorian"}
"""CF calendars whose days are those of the wall calendar in every year of a rain record."""


class _UnfitError(Exception):
    """The file cannot be used; carries the finding."""

    def __init__(self, file: str, where: str, what: str, mend: str, code: str) -> None:
        self.finding = Finding("error", file, where, what, mend, code)
        super().__init__(str(self.finding))


def check_netcdf(
    path: Path, sites: gpd.GeoDataFrame | None
) -> tuple[RainRecord | None, list[Finding]]:
    """Read the sites' rain and find everything that is wrong with the grid.

    Parameters
    ----------
    path : Path
        A NetCDF file or a Zarr folder.
    sites : GeoDataFrame or None
        Polygons with `site_id` and a CRS; without them only the file's face is checked.

    Returns
    -------
    RainRecord or None
        One series a site; None when there are errors, or no sites.
    list of Finding
        Errors and warnings.
    """
    try:
        with _opened(path) as dataset:
            rain = _rain_variable(dataset, path.name)
            axes = _axes(rain, path.name)
            unit = _unit(rain, path.name)
            steps = _steps(dataset, rain, axes[0], path.name)
            lattice = _lattice(dataset, rain, axes, path.name)
            if sites is None:
                return None, []
            gatherer = SiteGatherer(path.name, sites, lattice, steps, unit)
            try:
                _gather(rain.transpose(*axes), gatherer)
            except (OSError, ValueError, RuntimeError, KeyError) as error:
                what = f"cannot be read to the end ({_first_line(error)})"
                raise _broken(path.name, what) from error
            text = f"grid {path.name}, variable {rain.name}, {rain.attrs['units']}, {steps.kind}"
            return gatherer.record(text)
    except _UnfitError as unfit:
        return None, [unfit.finding]


def _first_line(error: BaseException) -> str:
    return str(error).strip().splitlines()[0][:200] if str(error).strip() else type(error).__name__


def _broken(file: str, what: str) -> _UnfitError:
    return _UnfitError(file, "", what, "get the file anew", "rain-grid-unreadable")


def _opened(path: Path) -> xr.Dataset:
    """The dataset, lazily; its values are read only where they are asked for."""
    engine = "zarr" if path.is_dir() else None
    try:
        # Time stamps stay numbers here: `_steps` decodes them and tells what is wrong with them.
        return xr.open_dataset(
            path,
            engine=engine,
            chunks=None,
            cache=False,
            decode_times=False,
            # On a disk, the metadata of a few variables need no consolidating.
            backend_kwargs={"consolidated": False} if engine else None,
        )
    except (OSError, ValueError, KeyError, RuntimeError, TypeError) as error:
        what = f"cannot be read as {'Zarr' if engine else 'NetCDF'} ({_first_line(error)})"
        raise _broken(path.name, what) from error


def _rain_variable(dataset: xr.Dataset, file: str) -> xr.DataArray:
    """The one variable of rain: by its CF standard name, else the only one with a unit of rain."""
    cubes = {str(name): dataset[name] for name in dataset.data_vars if dataset[name].ndim == 3}
    named = [
        name
        for name, cube in cubes.items()
        if str(cube.attrs.get("standard_name", "")) in _RAIN_STANDARD_NAMES
    ]
    measured = [
        name for name, cube in cubes.items() if parse_unit(str(cube.attrs.get("units", "")))
    ]
    for names in (named, measured, list(cubes)):
        if len(names) == 1:
            return cubes[names[0]]
    if not cubes:
        what, code = "holds no variable over time and two directions", "rain-grid-no-variable"
    else:
        shown = ", ".join(sorted(cubes)[:6])
        what, code = f"holds several variables that may be rain ({shown})", "rain-grid-variables"
    mend = "give one variable the standard_name precipitation_flux or precipitation_amount"
    raise _UnfitError(file, "", what, mend, code)


def _axes(rain: xr.DataArray, file: str) -> tuple[str, str, str]:
    """Names of the time, y and x dimensions."""
    found: dict[str, str] = {}
    for dim in map(str, rain.dims):
        if dim not in rain.coords:
            continue
        coordinate = rain[dim]
        name, units = dim.lower(), str(coordinate.attrs.get("units", "")).lower()
        standard = str(coordinate.attrs.get("standard_name", ""))
        axis = str(coordinate.attrs.get("axis", "")).upper()
        if axis == "T" or standard == "time" or " since " in units or name in ("time", "t"):
            found["T"] = dim
        elif (
            axis == "Y"
            or standard in ("latitude", "projection_y_coordinate")
            or (units.startswith("degrees_n") or name in ("lat", "latitude", "y"))
        ):
            found["Y"] = dim
        elif (
            axis == "X"
            or standard in ("longitude", "projection_x_coordinate")
            or (units.startswith("degrees_e") or name in ("lon", "longitude", "x"))
        ):
            found["X"] = dim
    if len(found) < 3:
        shown = ", ".join(map(str, rain.dims))
        what = f"does not say which of {shown} are time, latitude and longitude"
        mend = "name them time, lat and lon, with coordinates"
        raise _UnfitError(file, str(rain.name), what, mend, "rain-grid-axes")
    return found["T"], found["Y"], found["X"]


def _unit(rain: xr.DataArray, file: str) -> RainUnit:
    text = str(rain.attrs.get("units", ""))
    unit = parse_unit(text) if text else None
    if unit is None:
        what = f"has the unit {text[:40]!r}" if text else "has no unit"
        mend = "set its attribute units to mm/day, kg m-2 s-1, mm or m (the last two for each step)"
        raise _UnfitError(file, str(rain.name), what, mend, "rain-grid-unit")
    return unit


def _steps(dataset: xr.Dataset, rain: xr.DataArray, time: str, file: str) -> Steps:
    attributes = rain[time].attrs
    bounds = str(attributes.get("bounds", ""))
    wanted = [time] + ([bounds] if bounds in dataset.variables else [])
    stamps = xr.Dataset({name: dataset[name].variable for name in wanted})
    calendar = str(attributes.get("calendar", "standard")).lower()
    try:
        if calendar not in _REAL_CALENDARS:
            raise ValueError(f"calendar {calendar[:40]!r}")
        decoded = xr.decode_cf(stamps)
        first = pd.DatetimeIndex(decoded[time].to_numpy())
        last = None
        if bounds in wanted:
            edges = decoded[bounds].to_numpy()
            first, last = pd.DatetimeIndex(edges[:, 0]), pd.DatetimeIndex(edges[:, 1])
    except (ValueError, TypeError, OverflowError, IndexError) as error:
        what = f"has times that are no days of the calendar ({_first_line(error)})"
        mend = "give it a time axis in the standard calendar, such as days since 1981-01-01"
        raise _UnfitError(file, time, what, mend, "rain-grid-time") from error
    steps = read_steps(first, last)
    if isinstance(steps, str):
        raise _UnfitError(file, time, steps, "give one step a day or a pentad", "rain-grid-time")
    return steps


def _lattice(
    dataset: xr.Dataset, rain: xr.DataArray, axes: tuple[str, str, str], file: str
) -> Lattice:
    crs = _crs(dataset, rain, axes, file)
    x = axis_of(rain[axes[2]].to_numpy(), longitude=crs.is_geographic)
    y = axis_of(rain[axes[1]].to_numpy())
    for axis, name in ((x, axes[2]), (y, axes[1])):
        if axis is None:
            what, mend = "is not an evenly spaced axis", "put the rain on a regular grid"
            raise _UnfitError(file, name, what, mend, "rain-grid-irregular")
    assert isinstance(x, Axis) and isinstance(y, Axis)
    return Lattice(x, y, crs)


def _crs(
    dataset: xr.Dataset, rain: xr.DataArray, axes: tuple[str, str, str], file: str
) -> pyproj.CRS:
    """CRS of the CF grid mapping; longitude and latitude without one are WGS 84."""
    mapping = str(rain.attrs.get("grid_mapping", rain.encoding.get("grid_mapping", "")))
    if mapping in dataset.variables:
        attributes = dataset[mapping].attrs
        try:
            text = attributes.get("crs_wkt") or attributes.get("spatial_ref")
            if text:
                return pyproj.CRS.from_user_input(text)
            return pyproj.CRS.from_cf(dict(attributes))
        except (pyproj.exceptions.CRSError, KeyError) as error:
            what, mend = "is not a CRS that PROJ knows", "give it a crs_wkt"
            raise _UnfitError(file, mapping, what, mend, "rain-grid-crs") from error
    x = rain[axes[2]]
    if str(x.attrs.get("units", "")).startswith("degree") or axes[2].lower().startswith("lon"):
        return pyproj.CRS.from_epsg(4326)
    what, mend = "has no CRS", "add a CF grid_mapping with crs_wkt"
    raise _UnfitError(file, str(rain.name), what, mend, "rain-grid-crs")


def _gather(rain: xr.DataArray, gatherer: SiteGatherer) -> None:
    """Read every block that holds a cell of some site, once."""
    rows, columns = gatherer.rows, gatherer.columns
    if not rows.size:
        return
    for steps, ys, xs in _blocks(rain, rows, columns):
        inside = np.flatnonzero(
            (rows >= ys.start) & (rows < ys.stop) & (columns >= xs.start) & (columns < xs.stop)
        )
        if not inside.size:
            continue
        block = rain[steps, ys, xs].to_numpy()
        gatherer.add(
            steps.start, inside, block[:, rows[inside] - ys.start, columns[inside] - xs.start]
        )


def _blocks(
    rain: xr.DataArray, rows: np.ndarray, columns: np.ndarray
) -> Iterator[tuple[slice, slice, slice]]:
    """Blocks of whole chunks over the window of the needed cells, bounded in size."""
    encoding = rain.encoding
    stored = (
        encoding.get("chunksizes") or encoding.get("preferred_chunks") or encoding.get("chunks")
    )
    if isinstance(stored, dict):
        stored = tuple(
            stored.get(dim, size) for dim, size in zip(rain.dims, rain.shape, strict=True)
        )
    low = (0, int(rows.min()), int(columns.min()))
    high = (rain.shape[0], int(rows.max()) + 1, int(columns.max()) + 1)
    if stored is None:
        # Contiguous: any window is read as cheaply, so only what is needed.
        height, width = high[1] - low[1], high[2] - low[2]
        sizes = [max(_BLOCK_VALUES // (height * width), 1), height, width]
        begins = [*low]
    else:
        sizes = [int(min(size, whole)) for size, whole in zip(stored, rain.shape, strict=True)]
        begins = [edge // size * size for edge, size in zip(low, sizes, strict=True)]
        # Whole chunks side by side until a block is full: along x, then y, then time.
        for axis in (2, 1, 0):
            chunk, room = sizes[axis], _BLOCK_VALUES // int(np.prod(sizes))
            needed = -(-(high[axis] - begins[axis]) // chunk)
            sizes[axis] = chunk * max(1, min(room, needed))
    ranges = [range(begin, end, size) for begin, end, size in zip(begins, high, sizes, strict=True)]
    for starts in product(*ranges):
        yield tuple(  # type: ignore[misc]
            slice(start, min(start + size, whole))
            for start, size, whole in zip(starts, sizes, rain.shape, strict=True)
        )
