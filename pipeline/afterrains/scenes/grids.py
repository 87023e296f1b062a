"""Where a file's pixels lie, and which of them a window needs."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Sequence
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
import rasterio
from affine import Affine
from odc.geo.geobox import GeoBox
from rasterio.warp import transform_bounds
from rasterio.windows import Window

from afterrains.scenes.regrid import crs_of

__all__ = ["Grid", "grid_of", "windows_of"]

_PAD_PIXELS = 2  # beyond the window, so that resampling does not depend on where a window ends


class Grid(NamedTuple):
    """Where a file's pixels lie."""

    crs: rasterio.crs.CRS
    transform: Affine
    width: int
    height: int


def grid_of(dataset: Any) -> Grid:
    """The grid of an open file.

    Raises
    ------
    ValueError
        If the file is not a plain single band of numbers on an upright grid.
    """
    if dataset.count != 1:
        raise ValueError(f"holds {dataset.count} bands, not one")
    if dataset.crs is None:
        raise ValueError("has no coordinate reference system")
    if np.dtype(dataset.dtypes[0]).kind not in "uif":
        raise ValueError(f"holds {dataset.dtypes[0]} numbers")
    transform = dataset.transform
    if transform.b or transform.d or transform.a <= 0 or transform.e >= 0:
        raise ValueError("is rotated or upside down")
    return _same(Grid(dataset.crs, transform, dataset.width, dataset.height))


@lru_cache(maxsize=256)
def _same(grid: Grid) -> Grid:
    """The same object for equal grids, which can then be told apart at once."""
    return grid


def windows_of(grid: Grid, geoboxes: Sequence[GeoBox]) -> list[Window | None]:
    """The file's pixels under each geobox.

    Remembered: the files of a scene, and scenes of a tile, lie on the same grid. To compare the
    reference systems of equal keys would take longer than to decode a block, so the objects
    themselves are the key, and are kept with it.
    """
    asked = tuple(geoboxes)
    key = (id(grid), *map(id, asked))
    with _one_at_a_time:  # files of one grid that are opened together wait for the first
        known = _windows.get(key)
        if known is None:
            known = _windows[key] = (grid, asked, _windows_of(grid, asked))
            if len(_windows) > _WINDOWS_KEPT:
                _windows.popitem(last=False)
    return list(known[2])


_WINDOWS_KEPT = 256
_windows: OrderedDict[
    tuple[int, ...], tuple[Grid, tuple[GeoBox, ...], tuple[Window | None, ...]]
] = OrderedDict()
_one_at_a_time = threading.Lock()


def _windows_of(grid: Grid, geoboxes: tuple[GeoBox, ...]) -> tuple[Window | None, ...]:
    # Comparing two systems takes longer than all else here.
    one_of = {geobox.crs: geobox for geobox in geoboxes}
    alike = {crs: crs_of(geobox) == grid.crs for crs, geobox in one_of.items()}
    return tuple(_needed(grid, geobox, same_crs=alike[geobox.crs]) for geobox in geoboxes)


def _needed(file: Grid, geobox: GeoBox, *, same_crs: bool) -> Window | None:
    """The file's pixels under the geobox, padded and cut at the file's edge."""
    bounds = tuple(geobox.boundingbox.bbox)
    if not same_crs:
        bounds = transform_bounds(crs_of(geobox), file.crs, *bounds, densify_pts=21)
    if not np.isfinite(bounds).all():
        return None
    grid = file.transform
    left, right = (bounds[0] - grid.c) / grid.a, (bounds[2] - grid.c) / grid.a
    top, bottom = (bounds[3] - grid.f) / grid.e, (bounds[1] - grid.f) / grid.e
    # Where pixels of the window are larger than the file's, resampling reaches that much further.
    reach = _PAD_PIXELS + int(np.ceil(abs(geobox.resolution.x / grid.a)))
    if not same_crs:
        reach += 2
    elif _on_grid((left, top, right, bottom)) and _same_size(geobox, grid):
        reach = 0
    x0, y0 = max(0, int(np.floor(left + _TINY)) - reach), max(0, int(np.floor(top + _TINY)) - reach)
    x1 = min(file.width, int(np.ceil(right - _TINY)) + reach)
    y1 = min(file.height, int(np.ceil(bottom - _TINY)) + reach)
    if x1 <= x0 or y1 <= y0:
        return None
    return Window(x0, y0, x1 - x0, y1 - y0)


_TINY = 1e-6  # of a pixel: coordinates are stored in double precision


def _on_grid(values: tuple[float, ...]) -> bool:
    return all(abs(value - round(value)) < _TINY for value in values)


def _same_size(geobox: GeoBox, transform: Affine) -> bool:
    return (
        abs(geobox.resolution.x / transform.a - 1) < _TINY
        and abs(geobox.resolution.y / transform.e - 1) < _TINY
    )
