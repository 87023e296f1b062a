"""Polygon series against half-covered pixels worked by hand and exactextract on masked rasters."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import exactextract
import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
import xarray as xr
from affine import Affine
from exactextract.raster import NumPyRasterSource
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from odc.geo.geobox import GeoBox
from shapely.geometry.base import BaseGeometry

from afterrains.signals.coverage import (
    Coverage,
    polygon_coverage,
    polygon_statistics,
    site_coverage,
)
from afterrains.signals.series import polygon_series

CRS = "EPSG:32630"
# Four columns and three rows of 10 m; the north-west corner lies at 500000 E, 1600030 N.
GRID = GeoBox((3, 4), Affine(10, 0, 500_000, 0, -10, 1_600_030), CRS)


@dataclass(frozen=True)
class Look:
    """An observation as the scenes room hands it on."""

    reflectance: dict[str, NDArray[np.float32]]
    clear: NDArray[np.bool_]
    covered: NDArray[np.bool_]
    date: date = date(2021, 2, 3)
    sensor: str = "sentinel-2a"
    scene_ids: tuple[str, ...] = ("one",)
    unreadable: tuple[tuple[str, str, str], ...] = field(default=())


def square(west: float, south: float, east: float, north: float) -> BaseGeometry:
    """A box in pixels of `GRID`, counted from its south-west corner."""
    return shapely.box(
        *(500_000 + 10 * west, 1_600_000 + 10 * south, 500_000 + 10 * east, 1_600_000 + 10 * north)
    )


def sites(**cores: BaseGeometry) -> gpd.GeoDataFrame:
    """Sites whose core is the given polygon and whose outer polygon is larger."""
    core = gpd.GeoSeries(list(cores.values()), crs=CRS)
    return gpd.GeoDataFrame({"site_id": list(cores), "core": core}, geometry=core.buffer(10))


def look(red: NDArray[np.floating], nir: NDArray[np.floating], clear: NDArray[np.bool_]) -> Look:
    """A look without other bands; a scene held the whole grid."""
    bands = {"red": red, "nir": nir}
    shown = {k: np.where(clear, v, np.nan).astype(np.float32) for k, v in bands.items()}
    return Look(shown, clear, np.ones(clear.shape, bool))


def test_half_covered_pixels_count_half() -> None:
    """By hand: pixel A wholly in (NDVI 0), B half in (NDVI 1/3): mean (0 + 1/6)/1.5 = 1/9."""
    red = np.full((3, 4), 0.1, np.float32)
    nir = np.full((3, 4), 0.1, np.float32)
    nir[2, 1] = 0.2  # pixel B, second column of the southern row
    clear = np.ones((3, 4), bool)
    one = polygon_series(
        [look(red, nir, clear)], site_coverage(GRID, sites(a=square(0, 0, 1.5, 1)))
    )
    assert one["ndvi"].item() == pytest.approx(1 / 9, abs=1e-8)  # reflectance is float32
    assert one["pixels"].item() == pytest.approx(1.5)
    assert one["clear_fraction"].item() == pytest.approx(1.0)
    assert np.isnan(one["ndmi"].item())  # no shortwave band was read


def test_clear_part_alone_is_summed() -> None:
    """By hand: with A under cloud, B's half pixel is left of 1.5: one third."""
    red = np.full((3, 4), 0.1, np.float32)
    nir = np.full((3, 4), 0.2, np.float32)
    clear = np.ones((3, 4), bool)
    clear[2, 0] = False
    one = polygon_series(
        [look(red, nir, clear)], site_coverage(GRID, sites(a=square(0, 0, 1.5, 1)))
    )
    assert one["pixels"].item() == pytest.approx(0.5)
    assert one["clear_fraction"].item() == pytest.approx(1 / 3)
    assert one["ndvi"].item() == pytest.approx(1 / 3, abs=1e-7)


def test_ground_outside_the_grid_is_not_clear() -> None:
    """By hand: a quarter of a 4 by 1 polygon lies in the grid; its one pixel is all it can show."""
    coverage = polygon_coverage(GRID, ["a"], gpd.GeoSeries([square(-3, 0, 1, 1)], crs=CRS))
    clear = np.ones((3, 4), bool)
    said = polygon_statistics(coverage, {}, clear, clear)
    assert coverage.whole == pytest.approx([4])
    assert said.clear_fraction == pytest.approx([0.25])
    assert said.covered_fraction == pytest.approx([0.25])


def test_covered_ground_is_told_from_clear_ground() -> None:
    """By hand: two pixels, a scene held one of them, none is clear."""
    coverage = polygon_coverage(GRID, ["a"], gpd.GeoSeries([square(0, 0, 2, 1)], crs=CRS))
    covered = np.zeros((3, 4), bool)
    covered[2, 0] = True
    said = polygon_statistics(coverage, {}, np.zeros((3, 4), bool), covered)
    assert said.covered_fraction == pytest.approx([0.5])
    assert said.pixels == pytest.approx([0.0])


def test_sites_without_ground_have_no_rows() -> None:
    """Empty core, outside the grid, never clear: no row; the others keep theirs."""
    red, nir = np.full((3, 4), 0.1), np.full((3, 4), 0.2)
    clear = np.ones((3, 4), bool)
    clear[0] = False
    ground = sites(
        empty=shapely.Polygon(), far=square(9, 9, 10, 10), dark=square(0, 2, 1, 3), seen=GRID_CORE
    )
    series = polygon_series([look(red, nir, clear)], site_coverage(GRID, ground))
    assert list(series["site_id"]) == ["seen"]


GRID_CORE = square(1, 0.5, 2.5, 1.5)


def test_columns_types_and_order_hold_without_rows() -> None:
    """The table has one shape, whatever was seen; rows come by site, date and sensor."""
    red, nir, clear = np.full((3, 4), 0.1), np.full((3, 4), 0.2), np.ones((3, 4), bool)
    seen = look(red, nir, clear)
    looks = [
        Look(seen.reflectance, clear, clear, date(2021, 3, 1), "sentinel-2b", ("x", "y")),
        Look(seen.reflectance, clear, clear, date(2021, 2, 1), "sentinel-2a", ("z",)),
    ]
    ground = sites(b=GRID_CORE, a=GRID_CORE)
    full, empty = (
        polygon_series(iter(looks), site_coverage(GRID, ground)),
        polygon_series([], site_coverage(GRID, ground)),
    )
    assert list(full.columns) == list(empty.columns)
    assert list(full.columns[:6]) == [
        *("site_id", "date", "sensor", "scene_id", "clear_fraction", "pixels")
    ]
    pd.testing.assert_series_equal(full.dtypes, empty.dtypes)
    assert list(full["site_id"]) == ["a", "a", "b", "b"]
    assert list(full["scene_id"]) == ["z", "x;y", "z", "x;y"]
    assert full["date"].iloc[0] == pd.Timestamp("2021-02-01")


def test_only_one_date_is_held_at_a_time() -> None:
    """Each look is asked for after the one before it has been dropped."""
    red, nir, clear = np.full((3, 4), 0.1), np.full((3, 4), 0.2), np.ones((3, 4), bool)
    alive = 0

    class Counted(Look):
        def __del__(self) -> None:
            nonlocal alive
            alive -= 1

    def looks() -> Iterator[Look]:
        nonlocal alive
        for day in range(1, 6):
            alive += 1
            assert alive <= 2  # the new one and the one that the loop still names
            yield Counted(look(red, nir, clear).reflectance, clear, clear, date(2021, 1, day))

    assert len(polygon_series(looks(), site_coverage(GRID, sites(a=GRID_CORE)))) == 5


def test_mistakes_of_the_caller_are_named() -> None:
    red, nir, clear = np.full((3, 4), 0.1), np.full((3, 4), 0.2), np.ones((3, 4), bool)
    ground = sites(a=GRID_CORE)
    with pytest.raises(ValueError, match=r"polygons' CRS is EPSG:32631, the grid's EPSG:32630"):
        polygon_series([], site_coverage(GRID, ground.set_geometry("core").to_crs("EPSG:32631")))
    with pytest.raises(ValueError, match=r"clear has shape \(2, 4\), the grid \(3, 4\)"):
        polygon_series([Look({}, clear[:2], clear)], site_coverage(GRID, ground))
    with pytest.raises(ValueError, match="no index 'ndvy'"):
        polygon_series([look(red, nir, clear)], site_coverage(GRID, ground), indices=["ndvy"])
    with pytest.raises(ValueError, match="red has a median of 1000"):
        polygon_series([look(red * 1e4, nir * 1e4, clear)], site_coverage(GRID, ground))


# A grid of 30 by 40 pixels for random shapes.
FIELD = GeoBox((30, 40), Affine(10, 0, 600_000, 0, -10, 1_500_300), CRS)


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 2**32 - 1))
def test_means_equal_exactextract_on_the_masked_raster(seed: int) -> None:
    """Exactextract's own mean and count of a NaN-masked NDVI raster in map coordinates.

    Random multipolygons with holes, across the grid's edge too; the coverage is theirs in both,
    what is checked is everything around it: place, masking, weights.
    """
    rng = np.random.default_rng(seed)
    centres = shapely.points(rng.uniform((600_000, 1_500_000), (600_400, 1_500_300), (3, 2)))
    blob = shapely.union_all(shapely.buffer(centres, rng.uniform(20, 90, 3)))
    polygon = shapely.difference(blob, shapely.buffer(centres[0], 15))
    red, nir = rng.uniform(0.05, 0.3, (2, 30, 40)).astype(np.float32)
    clear = rng.random((30, 40)) > 0.4
    series = polygon_series([look(red, nir, clear)], site_coverage(FIELD, sites(a=polygon)))
    ndvi = np.where(clear, (nir - red) / (nir + red), np.nan).astype(np.float64)
    raster = NumPyRasterSource(ndvi, 600_000, 1_500_000, 600_400, 1_500_300, nodata=np.nan)
    feature = {"type": "Feature", "geometry": shapely.geometry.mapping(polygon), "properties": {}}
    expected = exactextract.exact_extract(raster, [feature], ["mean", "count"])[0]["properties"]
    assert series["pixels"].item() == pytest.approx(expected["count"], rel=1e-9)
    assert series["clear_fraction"].item() == pytest.approx(
        expected["count"] * 100 / polygon.area, rel=1e-9
    )
    # 1e-6: the reference's raster was made in float32, ours computes in float64.
    assert series["ndvi"].item() == pytest.approx(expected["mean"], abs=1e-6)


def test_turned_grid_gives_the_same_as_a_turned_polygon() -> None:
    """Geometry: turning grid and polygon together changes nothing."""
    turn = Affine.rotation(30, (600_000, 1_500_300))
    turned = GeoBox(FIELD.shape, Affine(*_product(turn, FIELD.affine)), CRS)
    plain = shapely.Point(600_200, 1_500_150).buffer(70)
    moved = shapely.affinity.affine_transform(plain, turn.to_shapely())
    one = polygon_coverage(FIELD, ["a"], gpd.GeoSeries([plain], crs=CRS))
    other = polygon_coverage(turned, ["a"], gpd.GeoSeries([moved], crs=CRS))
    # 1e-6: the turn rounds coordinates of a million metres.
    np.testing.assert_allclose(_dense(one), _dense(other), atol=1e-6)
    assert _dense(one).sum() == pytest.approx(plain.area / 100)


def _dense(coverage: Coverage) -> NDArray[np.float64]:
    """Share of every pixel of the grid."""
    return np.bincount(coverage.pixel, coverage.fraction, FIELD.shape[0] * FIELD.shape[1])


def _product(a: Affine, b: Affine) -> list[float]:
    """The product of two affine maps; the operators of the library warn of their own change."""
    return list((np.reshape(list(a)[:9], (3, 3)) @ np.reshape(list(b)[:9], (3, 3))).ravel()[:6])


def test_real_polygons_equal_exactextract_on_the_delivered_ndvi(real: Path) -> None:
    """Real red and nir in, the provider's own NDVI raster (not computed by us) as the reference."""
    ground = real / "semi-arid-2019"
    polygons = gpd.read_file(ground / "polygons.geojson").to_crs(CRS)
    looks, references = [], {}
    with xr.open_dataset(ground / "ndvi_as_delivered.nc", engine="h5netcdf") as delivered:
        for item in sorted((ground / "items").iterdir()):
            day = date.fromisoformat(
                json.loads((item / f"{item.name}.json").read_text())["properties"]["datetime"][:10]
            )
            bands = {}
            for band in ("red", "nir"):
                with rasterio.open(item / f"{band}.tif") as source:
                    numbers = source.read(1, masked=True)
                    transform, shape = source.transform, source.shape
                bands[band] = (numbers.astype(np.float64) * 1e-4).filled(np.nan)
            clear = np.isfinite(bands["red"]) & np.isfinite(bands["nir"])
            looks.append(Look(bands, clear, clear, day))
            theirs = delivered["NDVI"].sel(t=str(day)).to_numpy().astype(np.float64)
            references[day] = np.where(clear, theirs.reshape(shape), np.nan)
    grid = GeoBox(shape, transform, CRS)
    series = polygon_series(looks, site_coverage(grid, polygons))
    assert len(series) > 100
    west, south, east, north = grid.boundingbox
    features = [
        {"type": "Feature", "geometry": shapely.geometry.mapping(polygon), "properties": {}}
        for polygon in polygons.geometry
    ]
    for day, rows in series.groupby("date"):
        raster = NumPyRasterSource(references[day.date()], west, south, east, north, nodata=np.nan)
        found = exactextract.exact_extract(raster, features, ["mean", "count"])
        expected = {
            site: part["properties"] for site, part in zip(polygons["site_id"], found, strict=True)
        }
        for row in rows.itertuples():
            assert row.pixels == pytest.approx(expected[row.site_id]["count"], rel=1e-6)
            # 1e-4: the delivered NDVI was made before its bands were rounded to four decimals.
            assert row.ndvi == pytest.approx(expected[row.site_id]["mean"], abs=1e-4)
