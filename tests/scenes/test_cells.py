"""Cells on the scenes' own lattice of pixels and blocks."""

from __future__ import annotations

import re
from collections.abc import Callable

import geopandas as gpd
import numpy as np
import pytest
from pyproj import CRS
from shapely.geometry import Polygon, box

from afterrains.scenes import PixelGrid, Scene, lattice_origin, lay_cells

MakeScene = Callable[..., Scene]
UTM31 = CRS.from_epsg(32631)


def sites(*polygons: Polygon) -> gpd.GeoDataFrame:
    names = [f"s{number:03d}" for number in range(len(polygons))]
    return gpd.GeoDataFrame({"site_id": names}, geometry=list(polygons), crs=UTM31)


def test_window_is_the_pixels_that_hold_the_sites_and_their_margin():
    """By hand: 500 003 to 500 097 m with 20 m around, on whole 10 m pixels."""
    (cell,) = lay_cells(
        sites(box(500_003, 1_600_001, 500_097, 1_600_050)), UTM31, 10.0, lattice=(0, 0), halo_m=20
    )
    assert tuple(cell.geobox.boundingbox.bbox) == (499_980, 1_599_980, 500_120, 1_600_070)
    assert tuple(cell.geobox.shape) == (9, 14)
    assert cell.site_ids == ("s000",)


def test_sites_of_one_block_share_a_cell_and_far_ones_do_not():
    """By hand: blocks of 5120 m from (0, 0); 500 000 / 5120 = 97.66, 502 000 / 5120 = 98.05."""
    found = lay_cells(
        sites(
            box(500_000, 1_600_000, 500_100, 1_600_100),
            box(501_000, 1_601_000, 501_100, 1_601_100),
            box(502_000, 1_600_000, 502_100, 1_600_100),
        ),
        UTM31,
        10.0,
        lattice=(0, 0),
    )
    assert [(cell.cell_id, cell.site_ids) for cell in found] == [
        ("e097n312", ("s000", "s001")),
        ("e098n312", ("s002",)),
    ]


def test_a_site_larger_than_a_block_still_fits():
    big = box(500_000, 1_600_000, 512_000, 1_606_000)
    (cell,) = lay_cells(sites(big), UTM31, 10.0, lattice=(0, 0))
    assert box(*cell.geobox.boundingbox.bbox).contains(big)


def test_every_site_is_in_one_cell_and_inside_it(rng: np.random.Generator):
    """Two hundred scattered sites, also west of and south of the lattice's origin."""
    corners = rng.uniform(-50_000, 50_000, size=(200, 2))
    ground = sites(*(box(x, y, x + 300, y + 200) for x, y in corners))
    found = lay_cells(ground, UTM31, 10.0, lattice=(0, 0), halo_m=60)
    placed = [site for cell in found for site in cell.site_ids]
    assert sorted(placed) == ground["site_id"].tolist()
    by_id = ground.set_index("site_id").geometry
    for cell in found:
        window = box(*cell.geobox.boundingbox.bbox)
        assert all(window.contains(by_id[site].buffer(60).envelope) for site in cell.site_ids)
        assert re.fullmatch(r"[ew]\d{3}[ns]\d{3}", cell.cell_id)
        # a block, a site that sticks out on either side, a margin, and rounding to pixels
        assert max(cell.geobox.shape) * 10 <= 5120 + 300 + 120 + 20
    assert len({cell.cell_id for cell in found}) == len(found)


def test_the_answer_does_not_depend_on_the_order_of_sites(rng: np.random.Generator):
    corners = rng.uniform(0, 20_000, size=(30, 2))
    ground = sites(*(box(x, y, x + 300, y + 200) for x, y in corners))
    assert lay_cells(ground, UTM31, 10.0) == lay_cells(ground.iloc[::-1], UTM31, 10.0)


def test_pixels_are_the_scenes_own(scene: MakeScene):
    """Landsat grids lie half a pixel off: 353685 is 15 beyond a multiple of 30."""
    landsat = scene("l", grid=PixelGrid("EPSG:32631", 353_685.0, 1_674_215.0, 30.0, 7861, 7971))
    ground = sites(box(400_000, 1_600_000, 400_500, 1_600_500))
    (cell,) = lay_cells(ground, UTM31, 30.0, scenes=[landsat])
    left, _, _, top = cell.geobox.boundingbox.bbox
    assert (left - 353_685) % 30 == 0
    assert (top - 1_674_215) % 30 == 0


def test_lattice_follows_the_grid_under_the_sites_not_the_number_of_scenes(scene: MakeScene):
    """More scenes of another tile must not move the cells from one season to the next."""
    here, beside = (
        scene("x", grid=PixelGrid("EPSG:32631", left, 1_700_040.0, 10.0, 10980, 10980))
        for left in (499_980.0, 600_000.0)
    )
    ground = (500_000.0, 1_600_000.0, 510_000.0, 1_610_000.0)
    for scenes in ([here, beside], [here, beside, beside, beside]):
        assert lattice_origin(scenes, UTM31, ground, 10.0) == (499_980 % 5120, 1_700_040 % 5120)


def test_lattice_of_other_projections_and_none(scene: MakeScene):
    ground = (500_000.0, 1_600_000.0, 510_000.0, 1_610_000.0)
    other = scene("o", grid=PixelGrid("EPSG:32630", 499_980.0, 1_700_040.0, 10.0, 10980, 10980))
    far = scene("f", grid=PixelGrid("EPSG:32631", 100_000.0, 100_000.0, 10.0, 1098, 1098))
    assert lattice_origin([other, far, scene("no grid")], UTM31, ground, 10.0) == (0.0, 0.0)


def test_empty_sites_are_left_out():
    ground = sites(box(0, 0, 10, 10), Polygon())
    assert [cell.site_ids for cell in lay_cells(ground, UTM31, 10.0)] == [("s000",)]
    assert lay_cells(ground.iloc[1:], UTM31, 10.0) == []


def test_wrong_arguments_are_named():
    ground = sites(box(0, 0, 10, 10))
    with pytest.raises(ValueError, match="not in the analysis CRS"):
        lay_cells(ground, CRS.from_epsg(32630), 10.0)
    with pytest.raises(ValueError, match="whole number"):
        lay_cells(ground, UTM31, 10.0, block_m=5125)
    with pytest.raises(ValueError, match="margin cannot be negative"):
        lay_cells(ground, UTM31, 10.0, halo_m=-1)
