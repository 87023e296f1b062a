"""Which scenes reach a piece of ground: asked of a tree, as cells times scenes can be millions."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from shapely.geometry import shape
from shapely.geometry.base import BaseGeometry

from afterrains.scenes.model import Scene

__all__ = ["Footprints"]


class Footprints:
    """The outlines of some scenes.

    Parameters
    ----------
    scenes : sequence of Scene
        Answers come in their order.
    """

    def __init__(self, scenes: Sequence[Scene]) -> None:
        self.scenes = tuple(scenes)
        self._tree = shapely.STRtree([shape(scene.footprint) for scene in self.scenes])

    def positions_over(self, outline: BaseGeometry) -> list[int]:
        """Places in `scenes` of those that reach an outline in longitude and latitude."""
        return [int(at) for at in np.sort(self._tree.query(outline, predicate="intersects"))]

    def over(self, outline: BaseGeometry) -> list[Scene]:
        """The scenes that reach an outline in longitude and latitude."""
        return [self.scenes[at] for at in self.positions_over(outline)]
