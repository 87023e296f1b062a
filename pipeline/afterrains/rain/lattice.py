"""The cells of a rain grid and how much of each lies in a site.

Per-site rain is the mean of the cells weighted by the part of each cell that the site covers
(exact coverage fractions, by exactextract).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pyproj
import scipy
import shapely
from exactextract import exact_extract
from exactextract.raster import NumPyRasterSource
from numpy.typing import NDArray

__all__ = ["Axis", "Coverage", "Lattice", "Sums", "axis_of", "cover"]

_LEAST_WEIGHT = 0.5
"""A site's rain of a day is not told when cells with more than half of its weight are missing
(rule of thumb, no source)."""


@dataclass(frozen=True)
class Axis:
    """Cell edges along one axis, ascending, and the place of each cell in the file."""

    low: float
    step: float
    places: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.places)

    @property
    def high(self) -> float:
        """Upper edge of the last cell."""
        return self.low + self.step * len(self)

    def cells_between(self, low: float, high: float) -> tuple[int, int]:
        """First cell, and the one after the last, that a stretch touches; one more either side."""
        first = int(np.floor((low - self.low) / self.step)) - 1
        stop = int(np.ceil((high - self.low) / self.step)) + 1
        return max(first, 0), max(min(stop, len(self)), 0)


def axis_of(centres: NDArray[np.floating], *, longitude: bool = False) -> Axis | None:
    """The axis with these cell centres, or None where they are not evenly spaced.

    `longitude` lets longitudes from 0 to 360 be read as -180 to 180.
    """
    values = np.asarray(centres, dtype=np.float64)
    if values.ndim != 1 or values.size < 2 or not np.isfinite(values).all():
        return None
    if longitude and values.max() > 180:
        values = (values + 180) % 360 - 180
    places = np.argsort(values)
    ordered = values[places]
    step = float((ordered[-1] - ordered[0]) / (len(ordered) - 1))
    even = ordered[0] + step * np.arange(len(ordered))
    # Coordinates are often stored as float32: a hundredth of a cell is rounding, not a gap.
    if step <= 0 or np.abs(ordered - even).max() > 0.01 * step:
        return None
    return Axis(float(ordered[0] - step / 2), step, places.astype(np.int64))


@dataclass(frozen=True)
class Lattice:
    """A regular grid of cells: its axes and its CRS."""

    x: Axis
    y: Axis
    crs: pyproj.CRS


@dataclass(frozen=True)
class Coverage:
    """Which cells lie in which sites.

    `rows` and `columns` are the places in the file of the cells used, shape (cells,); `weights`
    (sites x cells, sparse) the covered part of each; `covered_share` (sites,) the part of each
    site that lies on the grid at all.
    """

    rows: NDArray[np.int64]
    columns: NDArray[np.int64]
    weights: scipy.sparse.csr_array
    covered_share: NDArray[np.float64]


def cover(sites: gpd.GeoDataFrame, lattice: Lattice) -> Coverage:
    """Coverage of `sites` (with a CRS) by the cells of `lattice`; row order is kept."""
    ground = sites.geometry.to_crs(lattice.crs)
    west, south, east, north = ground.total_bounds
    left, right = lattice.x.cells_between(west, east)
    bottom, top = lattice.y.cells_between(south, north)
    height, width = max(top - bottom, 0), max(right - left, 0)
    if not height or not width:
        nothing = np.empty(0, dtype=np.int64)
        empty = scipy.sparse.csr_array((len(sites), 0))
        return Coverage(nothing, nothing, empty, np.zeros(len(sites)))
    x, y = lattice.x, lattice.y
    window = NumPyRasterSource(
        np.zeros((height, width), dtype=np.float32),
        x.low + x.step * left,
        y.low + y.step * bottom,
        x.low + x.step * right,
        y.low + y.step * top,
        srs_wkt=lattice.crs.to_wkt(),
    )
    shapes = gpd.GeoDataFrame(geometry=ground.reset_index(drop=True), crs=lattice.crs)
    found = exact_extract(window, shapes, ["cell_id", "coverage"], output="pandas")
    counts = [len(cells) for cells in found["cell_id"]]
    site = np.repeat(np.arange(len(sites)), counts)
    cell = np.concatenate([*found["cell_id"], np.empty(0)]).astype(np.int64)
    part = np.concatenate([*found["coverage"], np.empty(0)]).astype(np.float64)
    used, place = np.unique(cell, return_inverse=True)
    weights = scipy.sparse.csr_array((part, (site, place)), shape=(len(sites), len(used)))
    on_grid = np.asarray(weights.sum(axis=1)).ravel() * x.step * y.step
    return Coverage(
        rows=y.places[top - 1 - used // width],
        columns=x.places[left + used % width],
        weights=weights,
        covered_share=on_grid / shapely.area(ground.to_numpy()),
    )


class Sums:
    """Weighted sums of cells for each time step and site, gathered block by block."""

    def __init__(self, steps: int, coverage: Coverage) -> None:
        self._coverage = coverage
        self._total = np.zeros((steps, coverage.weights.shape[0]))
        self._weight = np.zeros_like(self._total)

    def add(
        self, steps: slice, cells: Sequence[int] | NDArray[np.integer], values: NDArray[np.floating]
    ) -> None:
        """Add the values (steps, cells) of some of the coverage's cells, NaN where missing."""
        weights = self._coverage.weights[:, cells].T
        known = np.isfinite(values)
        self._total[steps] += np.where(known, values, 0.0) @ weights
        self._weight[steps] += known.astype(np.float64) @ weights

    def mean(self) -> NDArray[np.float64]:
        """Mean over the known cells, shape (steps, sites); NaN where too few are known."""
        whole = np.asarray(self._coverage.weights.sum(axis=1)).ravel()
        told = (self._weight >= _LEAST_WEIGHT * whole) & (self._weight > 0)
        mean = np.full(self._total.shape, np.nan)
        np.divide(self._total, self._weight, out=mean, where=told)
        return mean
