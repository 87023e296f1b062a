"""The same windows read as an analyst would with the field's usual libraries."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime

import dask
import numpy as np
import odc.stac
import rasterio
from affine import Affine
from numpy.typing import NDArray
from odc.geo.geobox import GeoBox
from pystac import Asset, Item
from pystac.extensions.projection import ProjectionExtension
from pystac.extensions.raster import DataType, RasterBand, RasterExtension
from rasterio.warp import transform_bounds
from rasterio.windows import Window
from shapely.geometry import box, mapping

from scenes import BANDS, CRS, DATES, LEFT, PIXEL_M, SIDE, TOP, Ground, transform

# What each library's own guide asks for over HTTP.
ENVIRONMENT = {
    "GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR",
    "GDAL_HTTP_MULTIRANGE": "YES",
    "GDAL_HTTP_MERGE_CONSECUTIVE_RANGES": "YES",
    "CPL_VSIL_CURL_ALLOWED_EXTENSIONS": ".tif",
    "VSI_CACHE": "FALSE",
}
Pixels = dict[tuple[str, str, int], NDArray[np.uint16]]
"""By date, band and number of the polygon."""


def items(address: str) -> list[Item]:
    """The scenes as STAC items that say all that odc-stac can use."""
    bounds = (LEFT, TOP - SIDE * PIXEL_M, LEFT + SIDE * PIXEL_M, TOP)
    lonlat = transform_bounds(CRS, "EPSG:4326", *bounds)
    found = []
    for date in DATES:
        when = datetime.fromisoformat(date).replace(tzinfo=UTC)
        item = Item(date, mapping(box(*lonlat)), list(lonlat), when, {}, collection="ground")
        projection = ProjectionExtension.ext(item, add_if_missing=True)
        projection.apply(epsg=32630, shape=[SIDE, SIDE], transform=list(transform())[:6])
        for band in BANDS:
            asset = Asset(f"{address}/{date}/{band}.tif", media_type="image/tiff", roles=["data"])
            item.add_asset(band, asset)
            RasterExtension.ext(asset, add_if_missing=True).bands = [
                RasterBand.create(nodata=0, data_type=DataType.UINT16)
            ]
        found.append(item)
    return found


def with_odc_stac(address: str, ground: Ground) -> Pixels:
    """odc-stac: the polygons' bounding box, lazily, in 512-pixel chunks; then each polygon."""
    windows = ground.windows()
    left, top = min(w.col_off for w in windows), min(w.row_off for w in windows)
    width = max(w.col_off + w.width for w in windows) - left
    height = max(w.row_off + w.height for w in windows) - top
    geobox = GeoBox((height, width), transform() * Affine.translation(left, top), CRS)
    odc.stac.configure_rio(**ENVIRONMENT)
    cube = odc.stac.load(items(address), BANDS, geobox=geobox, chunks={"x": 512, "y": 512})
    lazy = {
        (date, band, number): cube[band].data[
            time,
            window.row_off - top : window.row_off - top + window.height,
            window.col_off - left : window.col_off - left + window.width,
        ]
        for time, date in enumerate(DATES)
        for band in BANDS
        for number, window in enumerate(windows)
    }
    (read,) = dask.compute(lazy, scheduler="threads", num_workers=8)
    return read


def with_rasterio(address: str, ground: Ground) -> Pixels:
    """Rasterio: eight threads, a windowed read for each polygon of each file."""
    windows = ground.windows()
    jobs = [(d, b, n, w) for d in DATES for b in BANDS for n, w in enumerate(windows)]

    def one(job: tuple[str, str, int, Window]) -> NDArray[np.uint16]:
        date, band, _, window = job
        with rasterio.Env(**ENVIRONMENT), rasterio.open(f"{address}/{date}/{band}.tif") as file:
            return file.read(1, window=window)

    with ThreadPoolExecutor(8) as pool:
        return dict(zip(((d, b, n) for d, b, n, _ in jobs), pool.map(one, jobs), strict=True))
