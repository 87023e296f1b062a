"""How much of each grid cell a polygon covers, exactly and once for a whole stack of dates.

A pixel on a polygon's edge counts with the share of it that lies inside. The share is geometry
(exactextract), found once for a grid; every date then needs only sums over those few pixels.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from exactextract import exact_extract
from exactextract.raster import NumPyRasterSource
from numpy.typing import NDArray
from odc.geo.geobox import GeoBox
from shapely.affinity import affine_transform
from shapely.geometry import mapping
from shapely.geometry.base import BaseGeometry

from afterrains.signals import indices as spectral

__all__ = [
    "Coverage",
    "PolygonStatistics",
    "polygon_coverage",
    "polygon_statistics",
    "site_coverage",
]


@dataclass(frozen=True)
class Coverage:
    """The pixels of one grid that a set of polygons covers; only polygons that cover some.

    The entries of one site lie together, in the order of `site_ids`; a pixel shared by two sites
    has an entry for each.
    """

    site_ids: tuple[str, ...]
    shape: tuple[int, int]
    """Rows and columns of the grid."""
    pixel: NDArray[np.int64]
    """Flat index, row by row, of each entry's pixel; shape (entries,)."""
    fraction: NDArray[np.float64]
    """Share of the pixel inside the polygon, above 0 and at most 1; shape (entries,)."""
    site: NDArray[np.int64]
    """Position in `site_ids` of each entry's polygon; shape (entries,)."""
    whole: NDArray[np.float64]
    """Area of each polygon in pixels, the part outside the grid too; shape (sites,)."""

    def sums(self, values: NDArray[np.float64] | NDArray[np.bool_]) -> NDArray[np.float64]:
        """Coverage-weighted sum of one number (or truth value) an entry, for each site."""
        weighted = self.fraction * values
        return np.bincount(self.site, weighted, len(self.site_ids)).astype(np.float64)


@dataclass(frozen=True)
class PolygonStatistics:
    """What one date says of each polygon of a `Coverage`; every array has shape (sites,)."""

    pixels: NDArray[np.float64]
    """Clear ground, in pixels."""
    clear_fraction: NDArray[np.float64]
    """Clear ground as a share of the polygon, 0–1."""
    covered_fraction: NDArray[np.float64]
    """Ground that a scene held, clear or not, as a share of the polygon, 0–1."""
    means: dict[str, NDArray[np.float64]]
    """Coverage-weighted mean over clear ground by index; NaN where no clear pixel has a value."""


def polygon_coverage(geobox: GeoBox, site_ids: Sequence[str], polygons: gpd.GeoSeries) -> Coverage:
    """Exact coverage of the grid's pixels by each polygon.

    Parameters
    ----------
    geobox : GeoBox
        The grid; any affine one, rotated too.
    site_ids : sequence of str
        One for each polygon.
    polygons : GeoSeries
        Polygons or multipolygons in the grid's CRS.

    Returns
    -------
    Coverage
        Without the polygons that are empty or lie outside the grid.

    Raises
    ------
    ValueError
        If the CRS differ or the lengths do.
    """
    if len(site_ids) != len(polygons):
        raise ValueError(f"{len(site_ids)} site ids for {len(polygons)} polygons")
    if polygons.crs is None or polygons.crs != geobox.crs:
        raise ValueError(f"the polygons' CRS is {polygons.crs}, the grid's {geobox.crs}")
    rows, columns = geobox.shape
    # In pixels, with y upwards as exactextract has it: any affine grid becomes a plain one, and the
    # small numbers keep more digits than map coordinates.
    back = ~geobox.affine
    to_pixels = (back.a, back.b, -back.d, -back.e, back.c, rows - back.f)
    kept, pixel, fraction, whole = [], [], [], []
    for site_id, polygon in zip(site_ids, polygons, strict=True):
        if polygon is None or polygon.is_empty:
            continue
        local = affine_transform(polygon, to_pixels)
        cells, shares = _cells(local, rows, columns)
        if cells.size:
            kept.append(site_id)
            pixel.append(cells)
            fraction.append(shares)
            whole.append(shapely.area(local))
    return Coverage(
        site_ids=tuple(kept),
        shape=(rows, columns),
        pixel=np.concatenate([np.empty(0, np.int64), *pixel]),
        fraction=np.concatenate([np.empty(0), *fraction]),
        site=np.repeat(np.arange(len(kept)), [cells.size for cells in pixel]),
        whole=np.array(whole, np.float64),
    )


def site_coverage(geobox: GeoBox, sites: gpd.GeoDataFrame) -> Coverage:
    """`polygon_coverage` of sites: of the column `core` where there is one, else their outlines.

    Parameters
    ----------
    geobox : GeoBox
        The grid.
    sites : GeoDataFrame
        With `site_id`, in the grid's CRS.
    """
    cores = gpd.GeoSeries(sites["core"]) if "core" in sites else sites.geometry
    return polygon_coverage(geobox, list(sites["site_id"]), cores)


def polygon_statistics(
    coverage: Coverage,
    reflectance: Mapping[str, NDArray[np.floating]],
    clear: NDArray[np.bool_],
    covered: NDArray[np.bool_],
    indices: Sequence[str] = spectral.DEFAULT_INDICES,
) -> PolygonStatistics:
    """Clear ground and mean indices of each polygon on one date.

    Parameters
    ----------
    coverage : Coverage
        Of the grid that the arrays lie on.
    reflectance : mapping of str to array, shape (y, x)
        By our band names, 0–1; NaN where not known.
    clear, covered : bool array, shape (y, x)
        Ground seen without cloud or shadow; ground that a scene held at all.
    indices : sequence of str
        Keys of `INDICES`. One whose bands are missing comes out NaN.

    Returns
    -------
    PolygonStatistics
        A mean leaves out the clear pixels where its index is NaN; `pixels` counts them.

    Raises
    ------
    ValueError
        If an array has not the grid's shape, an index is unknown or values are not reflectance.
    """
    for name, array in (*reflectance.items(), ("clear", clear), ("covered", covered)):
        if array.shape != coverage.shape:
            raise ValueError(f"{name} has shape {array.shape}, the grid {coverage.shape}")
    seen = clear.ravel()[coverage.pixel]
    # Float64 before the arithmetic: the same numbers whatever the width of the bands.
    bands = {
        name: np.where(seen, band.ravel()[coverage.pixel].astype(np.float64), np.nan)
        for name, band in reflectance.items()
    }
    for name, values in bands.items():
        spectral.require_reflectance(values, name)
    means = {}
    for name in indices:
        if name in spectral.available(bands):
            values = spectral.compute(name, bands)
            known = np.isfinite(values)
            weight = coverage.sums(known)
            total = coverage.sums(np.where(known, values, 0.0))
            means[name] = np.divide(
                total, weight, out=np.full(weight.shape, np.nan), where=weight > 0
            )
        elif name in spectral.INDICES:
            means[name] = np.full(len(coverage.site_ids), np.nan)
        else:
            raise ValueError(f"no index {name!r}; there are {', '.join(spectral.INDICES)}")
    pixels = coverage.sums(seen)
    held = coverage.sums(covered.ravel()[coverage.pixel])
    return PolygonStatistics(
        pixels=pixels,
        # The two areas are summed in different orders; rounding must not show as more than 1.
        clear_fraction=np.minimum(pixels / coverage.whole, 1.0),
        covered_fraction=np.minimum(held / coverage.whole, 1.0),
        means=means,
    )


def _cells(
    polygon: BaseGeometry, rows: int, columns: int
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Flat indices and covered shares of a polygon given in pixels, y upwards."""
    blank = np.broadcast_to(np.uint8(0), (rows, columns))
    grid = NumPyRasterSource(blank, 0, 0, columns, rows)
    feature = {"type": "Feature", "geometry": mapping(polygon), "properties": {}}
    found = exact_extract(grid, [feature], ["cell_id", "coverage"])[0]["properties"]
    cells = np.asarray(found["cell_id"], np.int64)
    shares = np.asarray(found["coverage"], np.float64)
    inside = shares > 0
    return cells[inside], shares[inside]
