"""What is repaired, what is refused, and that nothing else comes through."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import GeometryCollection, LineString, MultiPolygon, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

from afterrains.register.findings import FindingList, has_errors
from afterrains.register.geometry import polygon_parts, sound_polygon


def _checked(
    geometry: BaseGeometry | None, *, in_degrees: bool = False
) -> tuple[BaseGeometry | None, list[str]]:
    found = FindingList("sites")
    sound = sound_polygon(geometry, "feature 1", in_degrees=in_degrees, found=found)
    return sound, [finding.code for finding in found.all()]


def test_a_valid_polygon_is_left_as_it_is() -> None:
    square = box(0, 0, 100, 100)
    sound, codes = _checked(square)
    assert sound is square
    assert codes == []


def test_a_small_self_crossing_is_repaired_by_hand_computed_area() -> None:
    """A loop of some m² on the edge of a hectare: below the thousandth allowed."""
    loop = Polygon(
        [(0, 0), (100, 0), (100, 100), (1, 100), (-1, 102), (-1, 100), (1, 102), (0, 100)]
    )
    assert not loop.is_valid
    sound, codes = _checked(loop)
    assert codes == ["site-repaired"]
    assert sound is not None
    assert sound.is_valid
    assert abs(sound.area - loop.area) / loop.area < 0.001


@pytest.mark.parametrize("width", [0.5, 5.0])
def test_the_limit_of_repair_is_a_thousandth_of_the_area(width: float) -> None:
    """By hand: a tail of two crossed triangles on a square hectare, each 5 m long and `width` wide.

    Its signed area is nothing, its ground 2 * 5 * width / 2: 0.00025 and 0.0025 of the square.
    """
    tail = [(100, 50), (110, 50 + width), (110, 50), (100, 50 + width)]
    shape = Polygon([(0, 0), (100, 0), *tail, (100, 100), (0, 100)])
    assert not shape.is_valid
    sound, codes = _checked(shape)
    assert codes == (["site-repaired"] if width < 1 else ["site-self-crossing"])
    assert (sound is not None) == (width < 1)


def test_a_figure_of_eight_is_never_repaired() -> None:
    """Its signed area is zero: which half was meant cannot be known."""
    assert _checked(Polygon([(0, 0), (100, 100), (100, 0), (0, 100)])) == (
        None,
        ["site-self-crossing"],
    )


def test_a_collection_of_polygons_becomes_one_site() -> None:
    sound, codes = _checked(GeometryCollection([box(0, 0, 1, 1), MultiPolygon([box(2, 0, 3, 1)])]))
    assert codes == []
    assert sound is not None
    assert sound.geom_type == "MultiPolygon"
    assert sound.area == 2


@pytest.mark.parametrize(
    ("geometry", "code"),
    [
        (None, "site-no-geometry"),
        (Polygon(), "site-no-geometry"),
        (Point(0, 0), "site-not-polygon"),
        (LineString([(0, 0), (1, 1)]), "site-not-polygon"),
        (GeometryCollection([box(0, 0, 1, 1), Point(0, 0)]), "site-not-polygon"),
        (Polygon([(0, 0), (1, 1), (2, 2)]), "site-self-crossing"),
    ],
)
def test_what_is_no_ground_is_refused(geometry: BaseGeometry | None, code: str) -> None:
    assert _checked(geometry) == (None, [code])


@pytest.mark.parametrize(
    ("bounds", "words"),
    [
        ((14, -100, 15, -99), "swapped"),
        ((500_000, 1_500_000, 500_100, 1_500_100), "metres"),
        ((190, 10, 191, 11), "take 360"),
        ((-181, 10, -179, 11), "correct"),
    ],
)
def test_places_outside_the_world_are_refused_with_a_guess(
    bounds: tuple[float, float, float, float], words: str
) -> None:
    found = FindingList("sites")
    assert sound_polygon(box(*bounds), "feature 1", in_degrees=True, found=found) is None
    (finding,) = found.all()
    assert finding.code == "site-outside-world"
    assert words in finding.mend


def test_a_cut_polygon_on_both_sides_of_180_is_whole() -> None:
    """RFC 7946, section 3.1.9: a feature across the antimeridian is cut in two."""
    cut = MultiPolygon([box(179.99, 10, 180, 10.01), box(-180, 10, -179.99, 10.01)])
    assert _checked(cut, in_degrees=True) == (cut, [])
    assert _checked(box(-179.99, 10, 179.99, 10.01), in_degrees=True) == (
        None,
        ["site-antimeridian"],
    )


_FINITE = st.one_of(st.integers(-5, 5).map(float), st.floats(-200, 200), st.just(1e308))
_ANY = st.one_of(_FINITE, st.sampled_from([math.nan, math.inf]))


@st.composite
def _rings(draw: st.DrawFn) -> list[tuple[float, float]]:
    start = draw(st.tuples(_FINITE, _FINITE))
    between = draw(st.lists(st.tuples(_ANY, _ANY), min_size=2, max_size=6))
    return [start, *between, start]


@given(rings=st.lists(_rings(), min_size=1, max_size=3), in_degrees=st.booleans())
def test_whatever_is_drawn_comes_out_sound_or_refused(
    rings: list[list[tuple[float, float]]], in_degrees: bool
) -> None:
    with np.errstate(invalid="ignore"):  # of building them, not of checking them
        shapes = [Polygon(ring) for ring in rings]
        geometry = shapes[0] if len(shapes) == 1 else MultiPolygon(shapes)
    found = FindingList("sites")
    sound = sound_polygon(geometry, "feature 1", in_degrees=in_degrees, found=found)
    assert (sound is None) == has_errors(found.all())
    if sound is not None:
        assert sound.is_valid
        assert sound.area > 0
        assert sound.geom_type in ("Polygon", "MultiPolygon")
        assert shapely.area(polygon_parts(sound)).sum() == pytest.approx(sound.area)
