"""Blocks of ground: their rasters, and the sites that lie on them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyproj
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from afterrains.delivery.page.folder import Folder
from afterrains.delivery.page.next_step import Verdict
from afterrains.delivery.page.pictures import Bounds, find_rasters, open_raster
from afterrains.delivery.page.seasons import SeasonNames
from afterrains.delivery.products import GREENNESS_TREND, PICTURE, WOODY_CHANGE, WOODY_PERCENT

__all__ = ["Block", "SiteKey", "find_blocks", "newest"]


@dataclass(frozen=True)
class SiteKey:
    """What a map needs to know of a sown site."""

    site_id: str
    number: int
    verdict: Verdict
    first_sown: str
    """ISO date of the first sowing; "" when not known."""


@dataclass(frozen=True)
class Block:
    """A block's rasters, by season, and the sites on it, in the rasters' CRS."""

    name: str
    pictures: Mapping[str, Path]
    trends: Mapping[str, Path]
    changes: Mapping[str, Path]
    covers: Mapping[str, Path]
    """Woody cover, whose last band tells where the model may be used."""
    bounds: Bounds
    shapes: Mapping[str, BaseGeometry]


def newest(paths: Mapping[str, Path], names: SeasonNames) -> str:
    """The newest season of a block's rasters."""
    return max(paths, key=names.order)


def find_blocks(folder: Folder) -> list[Block]:
    """Every block that holds a site, by name.

    A site belongs to the first block whose rasters hold a point inside it; a site on none is on no
    block.
    """
    pictures = find_rasters(folder.path, PICTURE.name)
    trends = find_rasters(folder.path, GREENNESS_TREND.name)
    changes = find_rasters(folder.path, WOODY_CHANGE.name)
    covers = find_rasters(folder.path, WOODY_PERCENT.name)
    site_ids = list(folder.grounds)
    geometries = [folder.grounds[site_id].geometry for site_id in site_ids]
    free = np.ones(len(site_ids), dtype=bool)
    projections: dict[str, _Projection] = {}
    blocks = []
    for name in sorted({*pictures, *trends, *changes}):
        here_pictures, here_trends = pictures.get(name, {}), trends.get(name, {})
        here_changes = changes.get(name, {})
        some_raster = next(
            path for kind in (here_pictures, here_trends, here_changes) for path in kind.values()
        )
        with open_raster(some_raster) as raster:
            bounds, crs = raster.bounds, raster.crs
        if crs not in projections:
            projections[crs] = _Projection(crs, geometries)
        projection = projections[crs]
        here = np.flatnonzero(free & projection.inside(bounds))
        free[here] = False
        shapes = {site_ids[at]: projection.shape(geometries[at]) for at in here}
        if shapes:
            blocks.append(
                Block(
                    name,
                    here_pictures,
                    here_trends,
                    here_changes,
                    covers.get(name, {}),
                    bounds,
                    shapes,
                )
            )
    return blocks


class _Projection:
    """Sites in one CRS; a point inside each is projected at once, as most blocks share a CRS."""

    def __init__(self, crs: str, geometries: list[BaseGeometry]) -> None:
        self._to_crs = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True)
        points = shapely.get_coordinates(shapely.point_on_surface(geometries))
        self._points = self._project(points) if len(points) else points

    def _project(self, places: NDArray[np.float64]) -> NDArray[np.float64]:
        """Longitudes and latitudes, shape (n, 2), as coordinates of the CRS."""
        return np.column_stack(self._to_crs.transform(places[:, 0], places[:, 1]))

    def inside(self, bounds: Bounds) -> NDArray[np.bool_]:
        """Which sites have their point within the bounds."""
        low, high = np.array(bounds[:2]), np.array(bounds[2:])
        inside = (self._points >= low) & (self._points <= high)
        return np.asarray(inside[:, 0] & inside[:, 1])

    def shape(self, geometry: BaseGeometry) -> BaseGeometry:
        """The polygon in the CRS."""
        return shapely.transform(geometry, self._project)
