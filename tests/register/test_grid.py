"""Analysis CRS, areas and cores, against published geodesy and by hand."""

from __future__ import annotations

import math
from collections.abc import Callable

import geopandas as gpd
import numpy as np
import pytest
from pyproj import CRS
from shapely import MultiPolygon, Point, Polygon, box
from shapely.affinity import translate
from shapely.geometry.base import BaseGeometry

from afterrains.register.grid import (
    area_by_utm_zone as _area_by_utm_zone,
)
from afterrains.register.grid import (
    cores,
    geodesic_area_ha,
    scale_error,
    utm_crs_of_most_area,
)


def area_by_utm_zone(shapes: list[BaseGeometry]) -> dict[int, float]:
    return _area_by_utm_zone(shapes, [geodesic_area_ha(shape) for shape in shapes])


def _authalic_area_ha(west: float, south: float, east: float, north: float) -> float:
    """Area between two meridians and two parallels of the WGS 84 ellipsoid.

    Snyder, J. P. (1987). Map projections: a working manual. USGS Professional Paper 1395, eq. 3-12
    (q); the area is a² q Δλ / 2. doi:10.3133/pp1395
    """
    a, f = 6_378_137.0, 1 / 298.257223563
    e = math.sqrt(f * (2 - f))

    def q(lat: float) -> float:
        s = math.sin(math.radians(lat))
        return (1 - e**2) * (s / (1 - (e * s) ** 2) - math.log((1 - e * s) / (1 + e * s)) / (2 * e))

    return a**2 * math.radians(east - west) * (q(north) - q(south)) / 2 / 10_000


@pytest.mark.parametrize("south", [-33.0, -1.0, 0.0, 14.0, 48.0])
def test_area_equals_the_closed_formula_of_the_ellipsoid(south: float) -> None:
    """A geodesic edge leaves the parallel by millimetres over 300 m, hence 1e-5."""
    bounds = (20.0, south, 20.003, south + 0.003)
    assert geodesic_area_ha(box(*bounds)) == pytest.approx(_authalic_area_ha(*bounds), rel=1e-5)


def test_area_of_a_large_polygon_is_the_published_one() -> None:
    """From the manual of pyproj, Geod.geometry_area_perimeter: 944373881400 m²."""
    corners, hole = [(1, 1), (10, 1), (10, 10), (1, 10)], [(1, 2), (3, 4), (5, 2)]
    assert geodesic_area_ha(Polygon(corners, [hole])) == pytest.approx(
        94_437_388.1400339, rel=1e-12
    )


def test_holes_are_taken_out_whichever_way_they_wind() -> None:
    whole, hole = box(20, 14, 20.01, 14.01), box(20.002, 14.002, 20.004, 14.004)
    expected = geodesic_area_ha(whole) - geodesic_area_ha(hole)
    for ring in (hole.exterior.coords, hole.exterior.coords[::-1]):
        with_hole = Polygon(whole.exterior.coords, [ring])
        assert geodesic_area_ha(with_hole) == pytest.approx(expected, rel=1e-12)


def test_parts_of_a_multipolygon_add_up_and_a_cut_at_180_changes_nothing() -> None:
    east, west = box(179.99, 14, 180, 14.01), box(-180, 14, -179.99, 14.01)
    moved = box(19.99, 14, 20.01, 14.01)
    # Cutting a polygon puts a point on its parallel, where the geodesic edge ran millimetres aside.
    assert geodesic_area_ha(MultiPolygon([east, west])) == pytest.approx(
        geodesic_area_ha(moved), rel=1e-5
    )


@pytest.mark.parametrize(
    ("lon", "lat", "epsg"),
    [
        (-2.0, 14.0, 32630),
        (0.0, 14.0, 32631),
        (5.9, -14.0, 32731),
        (20.0, -14.0, 32734),
        (-179.9, 10.0, 32601),
        (179.9, -10.0, 32760),
        (36.9, 0.3, 32637),
    ],
)
def test_zone_is_the_one_of_the_definition_and_of_geopandas(
    lon: float, lat: float, epsg: int
) -> None:
    """By hand, zone = floor((lon + 180) / 6) + 1; geopandas asks PROJ's table of areas of use."""
    square = box(lon, lat, lon + 0.01, lat + 0.01)
    crs = utm_crs_of_most_area(area_by_utm_zone([square]))
    assert crs == CRS.from_epsg(epsg)
    assert crs == gpd.GeoSeries([square], crs=4326).estimate_utm_crs()


def test_a_site_across_two_zones_is_shared_by_its_ground() -> None:
    """By hand: of 5.9 to 6.3° east a quarter lies in zone 31 and three quarters in zone 32."""
    areas = area_by_utm_zone([box(5.9, 14, 6.3, 14.1)])
    assert set(areas) == {32631, 32632}
    # A cut edge has a point more, so that geodesic edges run a little elsewhere.
    assert areas[32631] / sum(areas.values()) == pytest.approx(0.25, rel=1e-3)


def test_area_decides_not_the_number_of_sites() -> None:
    small = [box(5.0 + 0.01 * at, 14, 5.005 + 0.01 * at, 14.005) for at in range(20)]
    large = [box(7, 14, 7.1, 14.1)]
    assert utm_crs_of_most_area(area_by_utm_zone(small)) == CRS.from_epsg(32631)
    assert utm_crs_of_most_area(area_by_utm_zone(small + large)) == CRS.from_epsg(32632)


def test_the_equator_parts_hemispheres_but_not_zones() -> None:
    """Three areas of one: zone 37 wins with both its halves, and the larger half names it."""
    areas = area_by_utm_zone(
        [box(37, 0.0, 37.1, 0.03), box(37, -0.05, 37.1, 0.0), box(31, 0.0, 31.1, 0.07)]
    )
    assert set(areas) == {32637, 32737, 32636}
    assert utm_crs_of_most_area(areas) == CRS.from_epsg(32737)


def test_a_site_across_the_equator_is_cut_there() -> None:
    areas = area_by_utm_zone([box(37, -0.01, 37.1, 0.03)])
    assert areas[32637] / areas[32737] == pytest.approx(3, rel=1e-3)


def test_beyond_the_zones_there_is_none() -> None:
    assert area_by_utm_zone([box(20, 85, 21, 86)]) == {}
    assert utm_crs_of_most_area({}) is None


def _scale_error(epsg: int, lon: float, lat: float) -> float:
    # Beside another place, whose error must not touch this one's.
    errors = scale_error(CRS.from_epsg(epsg), np.array([lon, -9.0]), np.array([lat, 5.0]))
    return float(errors[0])


def test_scale_on_the_central_meridian_is_that_of_utm() -> None:
    """UTM's scale factor there is 0.9996 by definition (EPSG method 9807, zone parameters)."""
    assert _scale_error(32630, -3.0, 14.0) == pytest.approx(0.0004, rel=1e-6)


def test_scale_of_web_mercator_grows_with_latitude() -> None:
    """On a sphere it is 1 / cos(lat); the ellipsoid moves it by less than its flattening."""
    assert _scale_error(3857, 20.0, 60.0) == pytest.approx(1.0, abs=1.5 / 298)


def test_scale_out_of_reach_is_infinite() -> None:
    assert _scale_error(32630, 177.0, 0.0) == math.inf


def test_core_of_a_square_is_the_smaller_square() -> None:
    square, strip = box(0, 0, 100, 100), box(0, 0, 1000, 19)
    core, nothing = cores([square, strip], 10.0)
    assert core.equals(box(10, 10, 90, 90))
    assert nothing.is_empty


def test_core_keeps_away_from_holes_too() -> None:
    ring = Point(0, 0).buffer(100).difference(Point(0, 0).buffer(20))
    (core,) = cores([ring], 10.0)
    assert core.distance(Point(0, 0)) == pytest.approx(30, rel=1e-3)  # circles are polygons here


def test_no_margin_leaves_the_polygon() -> None:
    (core,) = cores([box(0, 0, 5, 5)], 0.0)
    assert core.equals(box(0, 0, 5, 5))


def test_zone_areas_add_up_to_the_sites(
    squares: Callable[..., gpd.GeoDataFrame], rng: np.random.Generator
) -> None:
    """Cut edges get points in between, where geodesics run a little elsewhere: hence 1e-6."""
    shapes = [
        translate(shape, *rng.uniform(-1e-3, 1e-3, 2)) for shape in squares(40, west=5.8).geometry
    ]
    total = sum(geodesic_area_ha(shape) for shape in shapes)
    assert sum(area_by_utm_zone(shapes).values()) == pytest.approx(total, rel=1e-6)
