"""Values on the analysis grid: copied where grids agree, else interpolated without bleeding."""

from __future__ import annotations

import numpy as np
import pytest
import rasterio
from affine import Affine
from odc.geo.geobox import GeoBox
from scipy.ndimage import map_coordinates

from afterrains.scenes.regrid import codes_to_geobox, values_to_geobox

UTM31 = rasterio.crs.CRS.from_epsg(32631)


def window(rows: int, columns: int, left: float = 0, top: float = 0, size: float = 10) -> GeoBox:
    return GeoBox((rows, columns), Affine(size, 0, left, 0, -size, top), "EPSG:32631")


def grid(left: float = 0, top: float = 0, size: float = 10) -> Affine:
    return Affine(size, 0, left, 0, -size, top)


def test_same_grid_is_copied_bit_for_bit(rng: np.random.Generator):
    values = rng.random((6, 7), dtype=np.float32)
    found = values_to_geobox(values, grid(-20, 30), UTM31, window(4, 9))
    assert np.array_equal(found[:3, :5], values[3:, 2:])
    assert np.isnan(found[3:]).all()
    assert np.isnan(found[:, 5:]).all()


def test_twenty_metres_to_ten_is_bilinear(rng: np.random.Generator):
    """Against scipy's linear interpolation between pixel centres, which shares no code with it."""
    values = rng.random((8, 8), dtype=np.float32)
    found = values_to_geobox(values, grid(size=20), UTM31, window(12, 12, left=20, top=-20))
    rows, columns = np.mgrid[0:12, 0:12]
    centres = [(20 + 10 * rows + 5) / 20 - 0.5, (20 + 10 * columns + 5) / 20 - 0.5]
    expected = map_coordinates(values, centres, order=1)
    np.testing.assert_allclose(found, expected, rtol=1e-6, atol=1e-6)


def test_gaps_do_not_bleed_and_do_not_grow():
    """By hand: a pixel beside a gap keeps its own value, the gap's four pixels have none."""
    values = np.full((3, 3), 0.2, dtype=np.float32)
    values[1, 1] = np.nan
    found = values_to_geobox(values, grid(size=20), UTM31, window(6, 6))
    assert np.isnan(found[2:4, 2:4]).all()
    others = np.ones((6, 6), bool)
    others[2:4, 2:4] = False
    np.testing.assert_allclose(found[others], 0.2, rtol=1e-6)


def test_a_bright_masked_neighbour_has_no_weight():
    """A cloud of 0.9 that was masked must not brighten the ground beside it."""
    values = np.full((4, 4), 0.1, dtype=np.float32)
    values[:, 2:] = 0.9
    clear = values.copy()
    clear[:, 2:] = np.nan
    bled = values_to_geobox(values, grid(size=20), UTM31, window(8, 8))
    kept = values_to_geobox(clear, grid(size=20), UTM31, window(8, 8))
    assert bled[4, 3] == pytest.approx(0.3)  # three quarters of its own, one of the neighbour's
    assert kept[4, 3] == pytest.approx(0.1)


def test_coarser_pixels_are_means_and_need_all_their_parts():
    values = np.arange(16, dtype=np.float32).reshape(4, 4)
    values[0, 3] = np.nan
    found = values_to_geobox(values, grid(), UTM31, window(2, 2, size=20))
    np.testing.assert_allclose(found, [[2.5, np.nan], [10.5, 12.5]])


def test_other_zone_keeps_a_plane_and_its_gap():
    """A plane in longitude and latitude, seen from the next UTM zone, is the same plane."""
    from pyproj import Transformer

    here = window(40, 40, left=780_000, top=1_600_400)
    to_lonlat = Transformer.from_crs(32631, 4326, always_xy=True)
    to_32 = Transformer.from_crs(32631, 32632, always_xy=True)
    left, top = to_32.transform(779_800, 1_600_600)
    source = Affine(10, 0, round(left, -1), 0, -10, round(top, -1))
    rows, columns = np.mgrid[0:90, 0:90]
    x, y = source.c + 10 * (columns + 0.5), source.f - 10 * (rows + 0.5)
    lon, lat = Transformer.from_crs(32632, 4326, always_xy=True).transform(x, y)
    values = (0.1 + (lon - 5.5) + (lat - 14)).astype(np.float32)
    found = values_to_geobox(values, source, rasterio.crs.CRS.from_epsg(32632), here)
    rows, columns = np.mgrid[0:40, 0:40]
    x, y = 780_000 + 10 * (columns + 0.5), 1_600_400 - 10 * (rows + 0.5)
    lon, lat = to_lonlat.transform(x, y)
    expected = 0.1 + (lon - 5.5) + (lat - 14)
    # a hundredth of a pixel is 0.1 m, or 1e-6 degrees
    np.testing.assert_allclose(found, expected, atol=3e-6)
    values[45, 45] = np.nan
    gap = values_to_geobox(values, source, rasterio.crs.CRS.from_epsg(32632), here)
    assert np.isnan(gap).sum() in (1, 2)
    finite = np.isfinite(gap)
    # beside the gap the plane is leaned on from one side only: at most one pixel of its slope
    np.testing.assert_allclose(gap[finite], expected[finite], atol=2e-4)


def test_no_values_at_all():
    found = values_to_geobox(
        np.full((3, 3), np.nan, np.float32), grid(size=20), UTM31, window(6, 6)
    )
    assert np.isnan(found).all()


def test_classes_are_never_mixed():
    codes = np.array([[4, 8], [5, 0]], dtype=np.uint8)
    found = codes_to_geobox(codes, grid(size=20), UTM31, window(4, 6), empty=0)
    assert found[:, :4].tolist() == [[4, 4, 8, 8], [4, 4, 8, 8], [5, 5, 0, 0], [5, 5, 0, 0]]
    assert (found[:, 4:] == 0).all()


def test_outside_is_the_empty_code():
    """For QA_PIXEL the fill flag is 1, not 0."""
    codes = np.full((2, 2), 21824, dtype=np.uint16)
    same = codes_to_geobox(codes, grid(), UTM31, window(3, 3), empty=1)
    other = codes_to_geobox(codes, grid(size=30), UTM31, window(9, 9, size=10), empty=1)
    assert (same[2] == 1).all()
    assert (other[6:] == 1).all()
    assert (other[:6, :6] == 21824).all()
