"""Arrays to cloud-optimised GeoTIFFs.

Every file: DEFLATE (every reader of GeoTIFF has it), 512-pixel tiles, overviews down to one tile,
band names, units and meanings inside, north up on the analysis grid. Overviews are made band by
band: means that leave missing pixels out, or the nearest pixel where a mean would be no value.
The same arrays give the same bytes; no path, time or machine is written.

GeoTIFF has no place for category names. They go into the band's metadata inside the file, and into
a small side file `<name>.tif.aux.xml`, the one that GDAL and desktop programs read them from; a
file that travels without it keeps its pixels, colours and metadata.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from numpy.typing import NDArray
from odc.geo.geobox import GeoBox
from rasterio.enums import Resampling
from rasterio.io import MemoryFile
from rasterio.shutil import copy

from afterrains.delivery.atomic import write_bytes
from afterrains.delivery.cog_recipe import TILE, category_names, overview_factors, recipe_of
from afterrains.delivery.products import Band, Product

__all__ = ["write_cog", "write_product"]

_TYPES = ("float32", "uint8")
_RESAMPLING = {"average": Resampling.average, "nearest": Resampling.nearest}


def write_product(
    folder: Path,
    product: Product,
    block: str,
    season: str,
    values: NDArray[Any],
    geobox: GeoBox,
    *,
    programme_id: str,
    method: str,
    tags: Mapping[str, str] | None = None,
) -> Path:
    """Write one product of a block and season to its place in the output folder.

    Parameters
    ----------
    folder : Path
        The output folder.
    product : Product
        What the bands are.
    block, season : str
        Slugs that name the file.
    values : array, shape (band, y, x)
        In the product's type, or float64 for float32; missing is NaN in numbers, the product's
        nodata in uint8. Infinite values are refused.
    geobox : GeoBox
        The grid of the array.
    programme_id, method : str
        Written into the file, so that a map on its own says where it comes from.
    tags : mapping of str
        Further metadata, e.g. {"index": "ndvi"}.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    ValueError
        When shapes, types or values do not fit.
    OutputError
        When the disk does not take the file.
    """
    path = folder / product.path(block, season)
    own = {
        "programme": programme_id,
        "product": product.name,
        "title": product.title,
        "description": product.description,
        "block": block,
        "season": season,
        "method": method,
    }
    return write_cog(
        path,
        _as_type(values, product.dtype),
        geobox,
        bands=product.bands,
        nodata=product.nodata,
        tags={**own, **(tags or {})},
    )


def write_cog(
    path: Path,
    values: NDArray[Any],
    geobox: GeoBox,
    *,
    bands: Sequence[Band],
    nodata: float,
    tags: Mapping[str, str],
) -> Path:
    """Write an array as a cloud-optimised GeoTIFF, and its category names beside it if it has any.

    Parameters
    ----------
    path : Path
        The file.
    values : array, shape (band, y, x)
        float32 or uint8.
    geobox : GeoBox
        Its grid; any CRS and affine transform.
    bands : sequence of Band
        One for each band of the array. A single uint8 band with classes gets their colour table.
    nodata : float
        The value of missing pixels.
    tags : mapping of str
        Metadata of the whole file.

    Returns
    -------
    Path
        `path`.

    Raises
    ------
    ValueError
        When the array does not fit the grid, the bands or the types.
    OutputError
        When the disk does not take the file.
    """
    if values.ndim != 3 or values.shape != (len(bands), *geobox.shape):
        raise ValueError(
            f"{path.name}: the array has shape {values.shape}, and {len(bands)} bands on a grid "
            f"of {tuple(geobox.shape)} are meant"
        )
    if geobox.crs is None:
        raise ValueError(f"{path.name}: the grid has no CRS")
    if values.dtype.name not in _TYPES:
        raise ValueError(f"{path.name}: {values.dtype} is not one of {', '.join(_TYPES)}")
    if np.isinf(values).any():
        raise ValueError(f"{path.name}: holds infinite values")
    # A NaN has many bit patterns; one of them makes equal arrays equal files.
    if values.dtype == np.float32:
        values = np.where(np.isnan(values), np.float32(np.nan), values)
    write_bytes(path, _encoded(values, geobox, bands, nodata, tags))
    side = path.with_name(f"{path.name}.aux.xml")
    if any(band.classes for band in bands):
        write_bytes(side, category_names(bands))
    else:
        side.unlink(missing_ok=True)
    return path


def _as_type(values: NDArray[Any], dtype: str) -> NDArray[Any]:
    """The array in the product's type where that loses nothing but float precision."""
    if dtype == "uint8" and values.dtype != np.uint8:
        raise ValueError(f"{values.dtype} values are no uint8")
    return np.ascontiguousarray(values, dtype=dtype)


def _encoded(
    values: NDArray[Any],
    geobox: GeoBox,
    bands: Sequence[Band],
    nodata: float,
    tags: Mapping[str, str],
) -> bytes:
    """The bytes of the GeoTIFF, built in memory."""
    with ExitStack() as open_files, rasterio.Env(GDAL_NUM_THREADS="1", GDAL_CACHEMAX=16):
        places: dict[int, tuple[str, int]] = {}
        for method in _RESAMPLING:
            chosen = [i for i, band in enumerate(bands) if band.overview == method]
            if chosen:
                layer = _with_overviews(values[chosen], geobox, nodata, method)
                open_files.enter_context(layer)
                places |= {i: (layer.name, n + 1) for n, i in enumerate(chosen)}
        recipe = recipe_of(values, geobox, bands, nodata, tags, places)
        out = open_files.enter_context(MemoryFile(ext=".tif"))
        with rasterio.open(recipe) as source:
            copy(
                source,
                out.name,
                driver="COG",
                COMPRESS="DEFLATE",
                PREDICTOR="YES",
                BLOCKSIZE=TILE,
                OVERVIEWS="FORCE_USE_EXISTING" if overview_factors(*geobox.shape) else "NONE",
                BIGTIFF="IF_SAFER",
            )
        return bytes(out.read())


def _with_overviews(values: NDArray[Any], geobox: GeoBox, nodata: float, method: str) -> MemoryFile:
    """Bands that share a resampling, in memory, with their overviews built by GDAL."""
    count, height, width = values.shape
    memory = MemoryFile(ext=".tif")
    with memory.open(
        driver="GTiff",
        dtype=values.dtype.name,
        count=count,
        height=height,
        width=width,
        nodata=nodata,
        crs=str(geobox.crs),
        transform=geobox.affine,
        tiled=True,
        blockxsize=TILE,
        blockysize=TILE,
    ) as layer:
        layer.write(values)
    factors = overview_factors(height, width)
    if factors:
        with rasterio.open(memory.name, "r+") as layer:
            layer.build_overviews(factors, _RESAMPLING[method])
    return memory
