"""How many scenes cover a place: drawn ground seen less often than its site tells little."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence

import numpy as np
import shapely
from pyproj import CRS
from shapely import Polygon
from shapely.geometry import shape as from_geojson
from shapely.geometry.base import BaseGeometry

from afterrains.delivery.drawn_layer import as_written
from afterrains.scenes import Scene

__all__ = ["Coverage"]

_SEEN_AS_OFTEN = 0.5
"""Share of the scenes over its site that must cover a patch whole; our own choice."""


class Coverage:
    """The scenes over some sites and the ground around them.

    Parameters
    ----------
    scenes : sequence of Scene
    points : sequence of Point
        One in each site, longitude and latitude.
    crs : CRS
        Of the patches that are asked about.
    """

    def __init__(self, scenes: Sequence[Scene], points: Sequence[BaseGeometry], crs: CRS) -> None:
        counts = Counter(json.dumps(scene.footprint, sort_keys=True) for scene in scenes)
        self._outlines = np.array([from_geojson(json.loads(text)) for text in counts], dtype=object)
        shapely.prepare(self._outlines)
        self._counts = np.array(list(counts.values()), dtype=int)
        self._points, self._crs = points, crs
        self._of_site: dict[int, int] = {}

    def serves(self, site: int, patch: Polygon) -> bool:
        """Whether at least half as many scenes cover the patch as its site."""
        if site not in self._of_site:
            self._of_site[site] = self._over(self._points[site])
        return self._over(as_written(patch, self._crs)) >= _SEEN_AS_OFTEN * self._of_site[site]

    def _over(self, place: BaseGeometry) -> int:
        return int(self._counts[shapely.covers(self._outlines, place)].sum())
