"""Bringing values from a file's grid to the analysis grid without letting gaps bleed in.

Where the grids agree, values are copied. Otherwise reflectance is interpolated (bilinear; averaged
where analysis pixels are larger), with two rules: a pixel has a value only where the file's own
pixel under its centre has one, and neighbours without a value get no weight. Class numbers are
never mixed: the nearest wins.
"""

from __future__ import annotations

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
    return rasterio.crs.CRS.from_user_input(geobox.crs.to_wkt())


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
    if crs == target and (shift := _whole_shift(transform, geobox)) is not None:
        _paste(values, out, shift)
        return out
    coarser = abs(geobox.resolution.x) > abs(transform.a) * (1 + _TINY)
    has_value = np.isfinite(values).astype(np.uint8)
    if not has_value.any():
        return out
    seen = np.zeros(geobox.shape.yx, dtype=np.uint8)
    common = {
        "src_transform": transform,
        "src_crs": crs,
        "dst_transform": geobox.affine,
        "dst_crs": target,
        "num_threads": 1,
        "tolerance": _TOLERANCE,
    }
    way = Resampling.min if coarser else Resampling.nearest
    reproject(has_value, seen, resampling=way, **common)
    reproject(
        values,
        out,
        src_nodata=np.nan,
        dst_nodata=np.nan,
        resampling=Resampling.average if coarser else Resampling.bilinear,
        **common,
    )
    out[seen == 0] = np.nan
    return out


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
