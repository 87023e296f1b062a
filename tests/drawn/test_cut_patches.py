"""Where drawn patches lie and what they look like: by hand, and for any layout of ground."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Polygon, box

from afterrains.drawn import draw_patches, patch_like

# 200 m by 100 m: quotient 4 pi 20,000 / 600² = 0.70. A strip of 1,000 m by 20 m: 0.06.
FIELD, STRIP = box(0, 0, 200, 100), box(0, 0, 1000, 20)
PLAIN = {
    "number": 5, "apart_m": 50.0, "within_m": 1000.0, "most": 100, "seed": 1, "least_side_m": 40.0,
}  # fmt: skip


def test_a_compact_outline_is_copied_about_the_origin() -> None:
    copy = patch_like(shapely.affinity.translate(FIELD, 5000, 700), least_side_m=40)
    assert copy.equals(box(-100, -50, 100, 50))


@pytest.mark.parametrize(
    ("outline", "side_m"),
    [
        (STRIP, math.sqrt(20_000)),
        (shapely.union(box(0, 0, 100, 100), box(300, 0, 400, 100)), math.sqrt(20_000)),
        (box(0, 0, 200, 200).difference(box(50, 50, 150, 150)), math.sqrt(30_000)),
        (box(0, 0, 10, 10), 40.0),  # smaller than the least
        (box(0, 0, 3000, 3000), 1000.0),  # larger than 100 ha
    ],
)
def test_other_outlines_get_a_square_of_their_area(outline: Polygon, side_m: float) -> None:
    """By hand: the side is the root of the area, within the least and 100 ha."""
    half = side_m / 2
    square = patch_like(outline, least_side_m=40)
    assert square.symmetric_difference(box(-half, -half, half, half)).area < 1e-6


def test_an_outline_of_a_thousand_corners_becomes_a_plain_one_of_the_same_area() -> None:
    circle = shapely.Point(0, 0).buffer(150, quad_segs=500)
    copy = patch_like(circle, least_side_m=40)
    assert len(copy.exterior.coords) < 100
    assert copy.area == pytest.approx(circle.area, rel=1e-9)


def test_the_only_gap_is_found() -> None:
    """A 100 m site in a yard walled by known ground: only the yard's other half is free."""
    site = box(0, 0, 100, 100)
    wall = box(-2000, -2000, 2000, 2000).difference(box(-100, -100, 600, 200))
    found = draw_patches([site], ["a"], [site, wall], **{**PLAIN, "within_m": 500})
    assert 1 <= len(found) <= 3
    for patch in found:
        # The wall's inner rim less 50 m; what lies left of the site leaves no room.
        assert box(150, -50, 550, 150).covers(patch.outline)


def test_no_room_gives_no_patch() -> None:
    site = box(0, 0, 100, 100)
    assert draw_patches([site], ["a"], [box(-5000, -5000, 5000, 5000)], **PLAIN) == []
    assert draw_patches([], [], [], **PLAIN) == []


def test_sites_take_turns_where_patches_run_out() -> None:
    """Two sites 50 km apart and four patches: two each."""
    sites = [box(0, 0, 100, 100), box(50_000, 0, 50_100, 100)]
    found = draw_patches(sites, ["a", "b"], sites, **{**PLAIN, "most": 4})
    assert sorted(patch.site for patch in found) == [0, 0, 1, 1]


def test_neighbours_share_their_patches() -> None:
    """Two sites 100 m apart: nearly every patch within reach of one is so of the other."""
    sites = [box(0, 0, 100, 100), box(200, 0, 300, 100)]
    assert 5 <= len(draw_patches(sites, ["a", "b"], sites, **PLAIN)) <= 7


def test_patches_drawn_before_count_and_are_kept_away_from() -> None:
    site = box(0, 0, 100, 100)
    first = [patch.outline for patch in draw_patches([site], ["a"], [site], **PLAIN)]
    assert draw_patches([site], ["a"], [site], first, **PLAIN) == []
    more = draw_patches([site], ["a"], [site], first, **{**PLAIN, "number": 7})
    assert len(more) == 2
    for patch in more:
        assert min(patch.outline.distance(other) for other in first) >= 50


def test_ground_that_is_read_anyway_comes_first() -> None:
    site, read = box(0, 0, 100, 100), box(-600, -600, 700, 700)
    inside = draw_patches([site], ["a"], [site], near_by=read, **PLAIN)
    assert all(read.covers(patch.outline) for patch in inside)
    # Without room for all in there, the others lie outside.
    few = draw_patches([site], ["a"], [site], near_by=box(150, 0, 350, 200), **PLAIN)
    assert len(few) == 5


def test_a_place_that_may_not_serve_is_passed_over() -> None:
    site = box(0, 0, 100, 100)
    east = draw_patches(
        [site], ["a"], [site], may_serve=lambda _, patch: patch.centroid.x > 0, **PLAIN
    )
    assert len(east) == 5
    assert all(patch.outline.centroid.x > 0 for patch in east)


def test_another_site_or_order_moves_no_patch() -> None:
    """Far-apart sites are each drawn by their own id and the seed."""
    a, b = box(0, 0, 100, 100), box(50_000, 0, 50_100, 100)
    both = draw_patches([a, b], ["a", "b"], [a, b], **PLAIN)
    alone = draw_patches([b], ["b"], [a, b], **PLAIN)
    assert [p.outline for p in both if p.site == 1] == [p.outline for p in alone]
    other = draw_patches([b], ["b"], [b], **{**PLAIN, "seed": 2})
    assert [p.outline for p in other] != [p.outline for p in alone]


def test_patches_lie_all_round_the_site() -> None:
    """The directions of 60 patches, as unit vectors, average near nothing.

    Of directions drawn evenly the mean has length about sqrt(1 / 60) = 0.13, over 0.31 in one case
    of 300 (Rayleigh's distribution: exp(-60 r²)); the seed is fixed.
    """
    site = box(0, 0, 100, 100)
    wide = {**PLAIN, "number": 60, "within_m": 3000, "most": 60}
    middles = [patch.outline.centroid for patch in draw_patches([site], ["a"], [site], **wide)]
    angle = np.arctan2([m.y - 50 for m in middles], [m.x - 50 for m in middles])
    assert np.hypot(np.cos(angle).mean(), np.sin(angle).mean()) < 0.31


@settings(max_examples=25)
@given(
    corners=st.lists(st.tuples(st.integers(0, 40), st.integers(0, 40)), min_size=1, max_size=5),
    apart=st.sampled_from([0.0, 30.0, 120.0]),
    within=st.sampled_from([150.0, 600.0]),
    seed=st.integers(0, 3),
)
def test_distances_hold_for_any_layout(
    corners: list[tuple[int, int]], apart: float, within: float, seed: int
) -> None:
    """Every patch keeps its distance from all ground and the others, and is within reach."""
    ground = [box(60 * x, 60 * y, 60 * x + 110, 60 * y + 70) for x, y in corners]
    names = [str(number) for number in range(len(ground))]
    rule = {**PLAIN, "apart_m": apart, "within_m": within, "seed": seed, "number": 3}
    found = draw_patches(ground, names, ground, **rule)
    outlines = [patch.outline for patch in found]
    for at, patch in enumerate(found):
        assert patch.outline.distance(ground[patch.site]) <= within
        assert patch.outline.area == pytest.approx(110 * 70)
        others = [*ground, *outlines[:at], *outlines[at + 1 :]]
        assert min(map(patch.outline.distance, others), default=apart) >= apart
    assert outlines == [patch.outline for patch in draw_patches(ground, names, ground, **rule)]
