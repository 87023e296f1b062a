"""Cells: windows on the analysis grid that hold neighbouring sites, the unit of all pixel work.

The ground is cut into the square blocks in which scene files are stored inside. A site belongs to
the block that holds its centroid; the sites of a block share one cell, whose window is the smallest
on the pixel grid that holds them with a margin. Where the analysis grid is the scenes' own, reading
a cell is slicing; memory is bounded by the window, however many sites there are.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

import geopandas as gpd
from affine import Affine
from odc.geo.geobox import GeoBox
from pyproj import CRS
from shapely import Polygon, box

from afterrains.scenes.model import PixelGrid, Scene

__all__ = ["Cell", "block_boxes", "lattice_origin", "lay_cells"]

_BLOCK_PIXELS = 512  # the common internal block of cloud-optimised GeoTIFFs


@dataclass(frozen=True)
class Cell:
    """One window and the sites in it."""

    cell_id: str
    """Column and row of the block, as "e012n034"; stable while the lattice is."""
    geobox: GeoBox
    site_ids: tuple[str, ...]
    """Sorted."""


def lay_cells(
    sites: gpd.GeoDataFrame,
    crs: CRS,
    resolution_m: float,
    *,
    scenes: Iterable[Scene] = (),
    lattice: tuple[float, float] | None = None,
    block_m: float | None = None,
    halo_m: float = 0.0,
) -> list[Cell]:
    """The cells that hold all sites, sorted by id.

    Parameters
    ----------
    sites : GeoDataFrame
        With `site_id`; geometry in the analysis CRS. Sites with empty geometry are left out.
    crs : pyproj.CRS
        The analysis CRS, in metres.
    resolution_m : float
        Pixel size.
    scenes : iterable of Scene
        Whose grids say where pixels and blocks begin; see `lattice_origin`.
    lattice : (x, y), optional
        A corner of a pixel and of a block, where it is not to be taken from the scenes.
    block_m : float, optional
        Side of a block, a whole number of pixels; 512 pixels unless given.
    halo_m : float
        Margin around the sites, for widened masks and texture.

    Raises
    ------
    ValueError
        If the sites are in another CRS, or a size is not above zero or not whole pixels.
    """
    block_m = _BLOCK_PIXELS * resolution_m if block_m is None else block_m
    _check_sizes(resolution_m, block_m, halo_m)
    if sites.crs is None or CRS.from_user_input(sites.crs) != crs:
        raise ValueError("the sites are not in the analysis CRS")
    present = sites[~(sites.geometry.is_empty | sites.geometry.isna())]
    if present.empty:
        return []
    if lattice is None:
        lattice = lattice_origin(scenes, crs, tuple(present.total_bounds), resolution_m, block_m)
    x0, y0 = lattice
    centres = present.geometry.centroid
    blocks: dict[tuple[int, int], list[int]] = defaultdict(list)
    for position, (x, y) in enumerate(zip(centres.x, centres.y, strict=True)):
        blocks[math.floor((x - x0) / block_m), math.floor((y - y0) / block_m)].append(position)
    bounds = present.geometry.bounds.to_numpy()
    ids = present["site_id"].tolist()
    cells = []
    for (column, row), members in blocks.items():
        left, bottom = bounds[members, :2].min(axis=0)
        right, top = bounds[members, 2:].max(axis=0)
        window = (left - halo_m, bottom - halo_m, right + halo_m, top + halo_m)
        geobox = _pixel_window(window, lattice, resolution_m, crs)
        site_ids = tuple(sorted(ids[member] for member in members))
        cells.append(Cell(_cell_id(column, row), geobox, site_ids))
    return sorted(cells, key=lambda cell: cell.cell_id)


def block_boxes(
    sites: gpd.GeoDataFrame, crs: CRS, resolution_m: float, *, scenes: Iterable[Scene] = ()
) -> list[Polygon]:
    """The stored blocks in which the sites' middles lie: ground that is read with them."""
    block_m = _BLOCK_PIXELS * resolution_m
    x0, y0 = lattice_origin(scenes, crs, tuple(sites.total_bounds), resolution_m, block_m)
    middles = sites.geometry.centroid
    places = {
        (math.floor((x - x0) / block_m), math.floor((y - y0) / block_m))
        for x, y in zip(middles.x, middles.y, strict=True)
    }
    return [
        box(x0 + c * block_m, y0 + r * block_m, x0 + (c + 1) * block_m, y0 + (r + 1) * block_m)
        for c, r in sorted(places)
    ]


def _check_sizes(resolution_m: float, block_m: float, halo_m: float) -> None:
    if resolution_m <= 0 or block_m <= 0 or halo_m < 0:
        raise ValueError("pixels and blocks need a size, and the margin cannot be negative")
    pixels = block_m / resolution_m
    if abs(pixels - round(pixels)) > 1e-9 * pixels:
        raise ValueError(f"a block of {block_m} m is not a whole number of {resolution_m} m pixels")


def _cell_id(column: int, row: int) -> str:
    east = f"{'e' if column >= 0 else 'w'}{abs(column):03d}"
    return f"{east}{'n' if row >= 0 else 's'}{abs(row):03d}"


def _pixel_window(
    bounds: tuple[float, float, float, float],
    origin: tuple[float, float],
    resolution_m: float,
    crs: CRS,
) -> GeoBox:
    """The smallest window of whole pixels that holds the bounds."""
    left, bottom, right, top = bounds
    x0, y0 = origin
    first_column = math.floor((left - x0) / resolution_m)
    last_column = math.ceil((right - x0) / resolution_m)
    first_row = math.floor((bottom - y0) / resolution_m)
    last_row = math.ceil((top - y0) / resolution_m)
    shape = (max(1, last_row - first_row), max(1, last_column - first_column))
    corner = (x0 + first_column * resolution_m, y0 + last_row * resolution_m)
    affine = Affine(resolution_m, 0.0, corner[0], 0.0, -resolution_m, corner[1])
    return GeoBox(shape, affine, crs)


def lattice_origin(
    scenes: Iterable[Scene],
    crs: CRS,
    bounds: tuple[float, float, float, float],
    resolution_m: float,
    block_m: float | None = None,
) -> tuple[float, float]:
    """Where blocks begin, taken from the scene grid that holds most of the ground.

    Only grids in the analysis CRS count; (0, 0) where there is none. The answer depends on where
    the sites and tiles lie, not on how many scenes each tile has, so that it does not change from
    season to season; and it is reduced to lie within one block of (0, 0), so that cell ids count
    from the CRS's own origin.

    Parameters
    ----------
    scenes : iterable of Scene
    crs : pyproj.CRS
    bounds : (left, bottom, right, top)
        Of all sites, in the analysis CRS.
    resolution_m, block_m : float
        As for `lay_cells`.
    """
    block_m = _BLOCK_PIXELS * resolution_m if block_m is None else block_m
    grids = {scene.grid for scene in scenes if scene.grid is not None}
    same = {
        grid: _shared_area(grid, bounds) for grid in grids if CRS.from_user_input(grid.crs) == crs
    }
    if not same or not max(same.values()):
        return 0.0, 0.0
    best = min(same, key=lambda grid: (-same[grid], grid))
    return best.left % block_m, best.top % block_m


def _shared_area(grid: PixelGrid, bounds: tuple[float, float, float, float]) -> float:
    left, bottom, right, top = bounds
    width = min(right, grid.left + grid.width * grid.resolution_m) - max(left, grid.left)
    height = min(top, grid.top) - max(bottom, grid.top - grid.height * grid.resolution_m)
    return max(0.0, width) * max(0.0, height)
