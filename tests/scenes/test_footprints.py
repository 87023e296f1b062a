"""Which scenes reach which ground: the tree's answer against asking every pair (shapely)."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from shapely import box
from shapely.geometry import mapping, shape

from afterrains.scenes import Footprints, Scene


def test_the_tree_finds_what_asking_every_scene_finds(
    scene: Callable[..., Scene], rng: np.random.Generator
) -> None:
    """Two hundred scenes, many of the same frame, and outlines that touch, cut and miss them."""
    corners = rng.integers(0, 12, (200, 2))
    scenes = [
        scene(scene_id=f"s{number}", footprint=mapping(box(x, y, x + 2, y + 1)))
        for number, (x, y) in enumerate(corners)
    ]
    grounds = Footprints(scenes)
    met = 0
    for x, y in rng.integers(-3, 16, (60, 2)):
        outline = box(x, y, x + 1, y + 0.5)
        found = grounds.over(outline)
        asked = [each for each in scenes if shape(each.footprint).intersects(outline)]
        assert [each.scene_id for each in found] == [each.scene_id for each in asked]
        assert [grounds.scenes[at] for at in grounds.positions_over(outline)] == found
        met += bool(found)
    assert 0 < met < 60


def test_without_scenes_nothing_is_found() -> None:
    """An empty catalogue is no error here."""
    assert Footprints([]).over(box(0, 0, 1, 1)) == []
