"""Bringing values from a file's grid to the analysis grid without letting gaps bleed in.

Where the grids agree, values are copied. Otherwise reflectance is interpolated (bilinear; averaged
where analysis pixels are larger), with two rules: a pixel has a value only where the file's own
pixel under its centre has one, and neighbours without a value get no weight. Class numbers are
never mixed: the nearest wins. Within one projection this is done here, so that a pixel's value does
not depend on where its window ends; between projections GDAL warps by the same rules.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import rasterio
from affine import Affine
from numpy.typing import NDArray
from odc.geo.geobox import GeoBox
from rasterio.enums import Resampling
from rasterio.warp import reproject

__all__ = ["codes_to_geobox", "crs_of", "values_to_geobox"]

_TINY = 1e-6  # of a pixel
_TOLERANCE = 0.01  # of a pixel: the largest shift by which the warp may approximate a projection


def crs_of(geobox: GeoBox) -> rasterio.crs.CRS:
    """The window's CRS as rasterio knows it.

    Raises
    ------
    ValueError
        If the window has none.
    """
    if geobox.crs is None:
        raise ValueError("the window has no coordinate reference system")
    return _rasterio_crs(str(geobox.crs))


@lru_cache(maxsize=64)
def _rasterio_crs(text: str) -> rasterio.crs.CRS:
    return rasterio.crs.CRS.from_user_input(text)


def values_to_geobox(
    values: NDArray[np.float32], transform: Affine, crs: rasterio.crs.CRS, geobox: GeoBox
) -> NDArray[np.float32]:
    """Continuous values on the analysis grid.

    Parameters
    ----------
    values : float32 array, shape (y, x)
        NaN where there is no value.
    transform, crs
        Of `values`.
    geobox : GeoBox
        The analysis window.

    Returns
    -------
    float32 array, shape of the geobox
        NaN outside, where the pixel under the centre is NaN, and – where analysis pixels are
        larger – where any pixel under it is NaN.
    """
    out = np.full(geobox.shape.yx, np.nan, dtype=np.float32)
    target = crs_of(geobox)
    coarser = abs(geobox.resolution.x) > abs(transform.a) * (1 + _TINY)
    if crs == target and (shift := _whole_shift(transform, geobox)) is not None:
        _paste(values, out, shift)
    elif not np.isfinite(values).any():
        pass
    elif crs == target and not coarser:
        _interpolate(values, transform, geobox, out)
    else:
        _warp(values, transform, crs, geobox, target, out, coarser=coarser)
    return out


def _interpolate(
    values: NDArray[np.float32], transform: Affine, geobox: GeoBox, out: NDArray[np.float32]
) -> None:
    """Bilinear interpolation within one projection, into `out`."""
    rows = _places(transform.f, transform.e, geobox.affine.f, geobox.affine.e, out.shape[0])
    columns = _places(transform.c, transform.a, geobox.affine.c, geobox.affine.a, out.shape[1])
    has_value = np.isfinite(values)
    own = _nearest(has_value, rows, columns, outside=0)
    total = _blend(np.where(has_value, values, 0).astype(np.float64), rows, columns)
    if has_value.all():
        out[own] = total[own]
        return
    weight = _blend(has_value.astype(np.float64), rows, columns)
    out[own] = total[own] / weight[own]


def _places(
    first: float, step: float, target_first: float, target_step: float, count: int
) -> NDArray[np.float64]:
    """Where target pixel centres lie on the source's rows or columns; 0 is the first one's centre.

    Rounded to a billionth of a pixel, so that weights are the same whatever window they are for.
    """
    centres = (target_first - first) / step + (np.arange(count) + 0.5) * (target_step / step)
    return np.round(centres - 0.5, 9)


def _blend(
    values: NDArray[np.float64], rows: NDArray[np.float64], columns: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Weighted sums of the two nearest rows, then of the two nearest columns."""
    for axis, places in ((0, rows), (1, columns)):
        low = np.floor(places)
        share = (places - low).reshape((-1, 1) if axis == 0 else (1, -1))
        last = values.shape[axis] - 1
        before = values.take(np.clip(low, 0, last).astype(np.intp), axis=axis)
        after = values.take(np.clip(low + 1, 0, last).astype(np.intp), axis=axis)
        values = before * (1 - share) + after * share
    return values


def _nearest(
    codes: NDArray[np.generic],
    rows: NDArray[np.float64],
    columns: NDArray[np.float64],
    *,
    outside: int,
) -> NDArray[np.generic]:
    """The source pixel under each target centre; `outside` where there is none."""
    row, column = (np.floor(places + 0.5).astype(np.intp) for places in (rows, columns))
    height, width = codes.shape
    found = codes[np.clip(row, 0, height - 1)[:, None], np.clip(column, 0, width - 1)]
    found[(row < 0) | (row >= height)] = outside
    found[:, (column < 0) | (column >= width)] = outside
    return found


def _warp(
    values: NDArray[np.float32],
    transform: Affine,
    crs: rasterio.crs.CRS,
    geobox: GeoBox,
    target: rasterio.crs.CRS,
    out: NDArray[np.float32],
    *,
    coarser: bool,
) -> None:
    """GDAL's warp between projections or to larger pixels, into `out`."""
    common = {
        "src_transform": transform,
        "src_crs": crs,
        "dst_transform": geobox.affine,
        "dst_crs": target,
        "num_threads": 1,
        "tolerance": _TOLERANCE,
    }
    seen = np.zeros(out.shape, dtype=np.uint8)
    way = Resampling.min if coarser else Resampling.nearest
    reproject(np.isfinite(values).astype(np.uint8), seen, resampling=way, **common)
    reproject(
        values,
        out,
        src_nodata=np.nan,
        dst_nodata=np.nan,
        resampling=Resampling.average if coarser else Resampling.bilinear,
        **common,
    )
    out[seen == 0] = np.nan


def codes_to_geobox(
    codes: NDArray[np.integer],
    transform: Affine,
    crs: rasterio.crs.CRS,
    geobox: GeoBox,
    *,
    empty: int,
) -> NDArray[np.integer]:
    """Class numbers or bit fields on the analysis grid, by the nearest pixel.

    `empty` fills ground outside the file.
    """
    out = np.full(geobox.shape.yx, empty, dtype=codes.dtype)
    target = crs_of(geobox)
    if crs == target and (shift := _whole_shift(transform, geobox)) is not None:
        _paste(codes, out, shift)
        return out
    if crs == target:
        rows = _places(transform.f, transform.e, geobox.affine.f, geobox.affine.e, out.shape[0])
        columns = _places(transform.c, transform.a, geobox.affine.c, geobox.affine.a, out.shape[1])
        out[:] = _nearest(codes, rows, columns, outside=empty)
        return out
    reproject(
        codes,
        out,
        src_transform=transform,
        src_crs=crs,
        dst_transform=geobox.affine,
        dst_crs=target,
        init_dest_nodata=False,
        resampling=Resampling.nearest,
        num_threads=1,
        tolerance=_TOLERANCE,
    )
    return out


def _whole_shift(transform: Affine, geobox: GeoBox) -> tuple[int, int] | None:
    """Rows and columns from the geobox's corner to the file window's, if pixels coincide."""
    own = geobox.affine
    if abs(transform.a / own.a - 1) > _TINY or abs(transform.e / own.e - 1) > _TINY:
        return None
    column, row = (transform.c - own.c) / own.a, (transform.f - own.f) / own.e
    if abs(column - round(column)) > _TINY or abs(row - round(row)) > _TINY:
        return None
    return round(row), round(column)


def _paste(source: NDArray[np.generic], out: NDArray[np.generic], shift: tuple[int, int]) -> None:
    """Copy where the two windows overlap."""
    row, column = shift
    top, left = max(0, row), max(0, column)
    bottom = min(out.shape[0], row + source.shape[0])
    right = min(out.shape[1], column + source.shape[1])
    if bottom > top and right > left:
        out[top:bottom, left:right] = source[
            top - row : bottom - row, left - column : right - column
        ]
