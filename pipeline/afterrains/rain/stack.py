"""Rain from a stack of GeoTIFF: a folder with a file for each day or pentad, or a band for each.

The day of a file stands in its name (2021-06-01, 20210601, 2021.06.01 …), the day of a band in
the band's description.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import geopandas as gpd
import pandas as pd
import rasterio
from rasterio.errors import RasterioError

from afterrains.errors import Finding
from afterrains.rain.raster_face import StepRaster, UnfitError, unfit
from afterrains.rain.rasters import check_rasters
from afterrains.rain.record import RainRecord

__all__ = ["check_stack"]

_DAY = re.compile(r"(?<!\d)(\d{4})[-._]?(0[1-9]|1[0-2])[-._]?(0[1-9]|[12]\d|3[01])(?!\d)")
_RASTER_ENDINGS = (".tif", ".tiff")


def check_stack(
    path: Path, sites: gpd.GeoDataFrame | None
) -> tuple[RainRecord | None, list[Finding]]:
    """Read the sites' rain from a folder of GeoTIFF files or the bands of one.

    Parameters and results as in `afterrains.rain.netcdf.check_netcdf`.
    """
    try:
        rasters = list(_files_of(path) if path.is_dir() else _bands_of(path))
    except UnfitError as failure:
        return None, list(failure.findings)
    return check_rasters(rasters, path.name, f"grid {path.name}", sites)


def _files_of(folder: Path) -> Iterator[StepRaster]:
    """One raster for each GeoTIFF of a folder, dated by its name."""
    files = sorted(
        path
        for path in folder.iterdir()
        if path.suffix.lower() in _RASTER_ENDINGS and not path.name.startswith(".")
    )
    if not files:
        what, mend = "holds no GeoTIFF and is no Zarr store", "name the folder of daily rasters"
        raise unfit(folder.name, "", what, mend, "rain-grid-empty")
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
        raise unfit(folder.name, "", what, mend, "rain-grid-no-date")


def _bands_of(path: Path) -> Iterator[StepRaster]:
    """One raster for each band of a GeoTIFF, dated by its description."""
    try:
        with rasterio.open(path, driver="GTiff") as dataset:
            descriptions = dataset.descriptions
    except (RasterioError, OSError) as error:
        what = f"cannot be read as GeoTIFF ({str(error)[:200]})"
        raise unfit(path.name, "", what, "get the file anew", "rain-grid-unreadable") from error
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
        raise unfit(path.name, "", what, mend, "rain-grid-no-date")


def _day_in(text: str) -> pd.Timestamp | None:
    """The last day that a name holds, or None."""
    for match in reversed(list(_DAY.finditer(text))):
        try:
            return pd.Timestamp(int(match[1]), int(match[2]), int(match[3]))
        except ValueError:
            continue
    return None
