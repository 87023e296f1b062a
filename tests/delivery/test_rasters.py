"""Rasters: judged by rio-cogeo's validation and by hand."""

from __future__ import annotations

import hashlib
import subprocess
import sys
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
import rasterio
from affine import Affine
from numpy.typing import NDArray
from odc.geo.geobox import GeoBox
from rasterio.enums import ColorInterp
from rasterio.shutil import copy
from rio_cogeo.cogeo import cog_validate

from afterrains.delivery.products import (
    DRY_GREENNESS,
    GREENNESS_TREND,
    PICTURE,
    PRODUCTS,
    WOODY_CHANGE,
    WOODY_PERCENT,
    Band,
    ClassValue,
    Product,
    season_code,
    season_of_code,
)
from afterrains.delivery.rasters import write_cog, write_product
from afterrains.errors import OutputError


def _grid(height: int, width: int) -> GeoBox:
    return GeoBox((height, width), Affine(10, 0, 500_000, 0, -10, 1_600_000), "EPSG:32630")


def _written(
    folder: Path, product: Product, values: NDArray[Any], *, season: str = "2021-dry"
) -> Path:
    return write_product(
        folder,
        product,
        "e012n034",
        season,
        values,
        _grid(*values.shape[1:]),
        programme_id="dune-edge",
        method="as the test says",
        tags={"index": "ndvi"},
    )


def _random(rng: np.random.Generator, product: Product, height: int, width: int) -> NDArray[Any]:
    values = rng.uniform(0, 200, (len(product.bands), height, width))
    if product.dtype == "uint8":
        return values.astype(np.uint8)
    values[:, rng.random((height, width)) < 0.3] = np.nan
    return values


@pytest.mark.parametrize("product", PRODUCTS.values(), ids=lambda product: product.name)
@pytest.mark.parametrize(
    "shape", [(1, 1), (3, 5), (512, 512), (513, 20), (20, 1500), (700, 1100)], ids=str
)
def test_every_raster_is_a_valid_cog(
    tmp_path: Path, rng: np.random.Generator, product: Product, shape: tuple[int, int]
) -> None:
    """rio-cogeo, strict: warnings count too. From one pixel up to several tiles."""
    values = _random(rng, product, *shape)
    path = _written(tmp_path, product, values)
    valid, errors, warnings = cog_validate(path, strict=True, quiet=True)
    assert (valid, errors, warnings) == (True, [], [])
    assert path == tmp_path / "rasters" / "e012n034" / f"{product.name}_2021-dry.tif"
    with rasterio.open(path) as opened:
        np.testing.assert_array_equal(opened.read(), values.astype(product.dtype))
        assert opened.profile["compress"] == "deflate"
        assert opened.block_shapes == [(512, 512)] * len(product.bands)


def test_what_a_file_says_of_itself(tmp_path: Path, rng: np.random.Generator) -> None:
    """Grid, missing value, names, units, and where it comes from."""
    path = _written(tmp_path, GREENNESS_TREND, _random(rng, GREENNESS_TREND, 4, 6))
    with rasterio.open(path) as opened:
        assert opened.crs.to_epsg() == 32630
        assert opened.transform == Affine(10, 0, 500_000, 0, -10, 1_600_000)
        assert np.isnan(opened.nodata)
        assert opened.descriptions == (
            "slope",
            "p_value",
            "seasons",
            "break_season",
            "break_class",
        )
        assert opened.units == ("ndvi per year", "probability", "count", "year", None)
        assert opened.tags(1)["long_name"] == "slope of dry-season greenness"
        tags = opened.tags()
    assert tags["programme"] == "dune-edge"
    assert tags["season"] == "2021-dry"
    assert tags["block"] == "e012n034"
    assert tags["method"] == "as the test says"
    assert tags["index"] == "ndvi"
    assert "Greening is not trees" in tags["description"]


def test_pixels_missing_at_full_size_do_not_pull_overviews_down(tmp_path: Path) -> None:
    """By hand: 2 x 2 pixels become one; means of what is there, missing only where all four are."""
    values = np.full((2, 600, 600), np.nan)
    values[0, :2, :2] = [[1, np.nan], [3, np.nan]]
    values[0, :2, 2:4] = np.nan
    values[0, :2, 4:6] = [[0, 4], [8, 0]]
    path = _written(tmp_path, DRY_GREENNESS, values)
    with rasterio.open(path, overview_level=0) as opened:
        first = opened.read(1)
        assert opened.shape == (300, 300)
    np.testing.assert_array_equal(first[0, :3], [2, np.nan, 3])


def test_codes_and_p_values_are_never_averaged(tmp_path: Path) -> None:
    """By hand: the break of 2018 next to that of 2022 must not give 2020; slopes are averaged."""
    values = np.zeros((5, 600, 600))
    values[0, :, ::2] = 1.0
    values[1, :, ::2] = 0.04
    values[2] = 7
    values[3] = np.where(np.arange(600) % 2 == 0, 2018, 2022)
    path = _written(tmp_path, GREENNESS_TREND, values)
    with rasterio.open(path, overview_level=0) as opened:
        slope, p_value, seasons, breaks, _ = opened.read()
    assert np.unique(slope).tolist() == [0.5]
    assert set(np.unique(p_value)) <= {0.0, np.float32(0.04)}
    assert np.unique(seasons).tolist() == [7]
    assert set(np.unique(breaks)) <= {2018, 2022}


def test_a_picture_keeps_missing_apart_from_dark(tmp_path: Path) -> None:
    """0 is missing; by hand, a lone pixel of 200 among missing ones stays 200 in the overview."""
    values = np.zeros((3, 600, 600), np.uint8)
    values[:, 0, 0] = 200
    values[:, 0, 2:4] = [10, 20]
    path = _written(tmp_path, PICTURE, values)
    with rasterio.open(path) as opened:
        assert opened.colorinterp == (ColorInterp.red, ColorInterp.green, ColorInterp.blue)
        assert opened.nodata == 0
    with rasterio.open(path, overview_level=0) as opened:
        np.testing.assert_array_equal(opened.read()[:, 0, :3], [[200, 15, 0]] * 3)


_CLASSES = Product(
    "kinds",
    "Kinds",
    "Classes.",
    (
        Band(
            "kind",
            "kind of ground",
            overview="nearest",
            classes=(
                ClassValue(0, "bare", "bare ground", (200, 180, 140)),
                ClassValue(2, "woody", "crowns", (0, 100, 0)),
            ),
        ),
    ),
    dtype="uint8",
    nodata=255,
)


def test_classes_bring_colours_and_names(tmp_path: Path) -> None:
    """Colours inside the file; names inside as metadata, and beside it where GDAL finds them."""
    values = np.array([[[0, 2], [255, 2]]], np.uint8)
    path = _written(tmp_path, _CLASSES, values)
    assert cog_validate(path, strict=True, quiet=True)[0]
    with rasterio.open(path) as opened:
        assert opened.colorinterp == (ColorInterp.palette,)
        assert opened.colormap(1)[2] == (0, 100, 0, 255)
        assert opened.colormap(1)[0] == (200, 180, 140, 255)
        assert opened.tags(1)["class_2"] == "woody"
        assert opened.nodata == 255
    assert _names_seen_by_gdal(path) == ["bare", None, "woody"]


def test_classes_in_a_file_of_numbers_have_names_too(
    tmp_path: Path, rng: np.random.Generator
) -> None:
    """The class band of woody change is float32 like its neighbours."""
    path = _written(tmp_path, WOODY_CHANGE, _random(rng, WOODY_CHANGE, 4, 4))
    assert _names_seen_by_gdal(path) == ["unchanged", "more", "less"]
    path = _written(tmp_path, WOODY_PERCENT, _random(rng, WOODY_PERCENT, 4, 4))
    assert _names_seen_by_gdal(path) == ["outside", "inside"]


def _names_seen_by_gdal(path: Path) -> list[str | None]:
    """Category names as GDAL itself reads them: it repeats them when it describes a file."""
    copy(str(path), str(path.with_suffix(".vrt")), driver="VRT")
    root = ElementTree.parse(path.with_suffix(".vrt"))  # noqa: S314 - GDAL wrote it just now
    return [node.text for node in root.iter("Category")]


def test_no_side_file_without_classes(tmp_path: Path, rng: np.random.Generator) -> None:
    """One left by an earlier definition goes."""
    side = tmp_path / "rasters" / "e012n034" / "dry_greenness_2021-dry.tif.aux.xml"
    side.parent.mkdir(parents=True)
    side.write_text("<PAMDataset/>")
    path = _written(tmp_path, DRY_GREENNESS, _random(rng, DRY_GREENNESS, 4, 4))
    assert [each.name for each in path.parent.iterdir()] == [path.name]


def test_equal_arrays_are_equal_bytes(tmp_path: Path, rng: np.random.Generator) -> None:
    """In another folder, from another memory layout, with other NaN bits, and another process."""
    values = _random(rng, GREENNESS_TREND, 700, 600).astype(np.float32)
    first = _written(tmp_path / "a", GREENNESS_TREND, values)
    odd = np.where(np.isnan(values), -np.float32(np.nan), values)
    odd = np.asfortranarray(odd)
    second = _written(tmp_path / "b", GREENNESS_TREND, odd)
    assert _digest(first) == _digest(second)
    np.save(tmp_path / "values.npy", values)
    code = (
        "import sys, numpy as np; from affine import Affine; from odc.geo.geobox import GeoBox\n"
        "from pathlib import Path; from afterrains.delivery.products import PRODUCTS\n"
        "from afterrains.delivery.rasters import write_product\n"
        "g = GeoBox((700, 600), Affine(10, 0, 500000, 0, -10, 1600000), 'EPSG:32630')\n"
        "write_product(Path(sys.argv[2]), PRODUCTS['greenness_trend'], 'e012n034', '2021-dry',\n"
        "    np.load(sys.argv[1]), g, programme_id='dune-edge', method='as the test says',\n"
        "    tags={'index': 'ndvi'})\n"
    )
    third = tmp_path / "c"
    arguments = [sys.executable, "-c", code, str(tmp_path / "values.npy"), str(third)]
    subprocess.run(arguments, check=True)
    assert _digest(first) == _digest(third / first.relative_to(tmp_path / "a"))
    assert str(tmp_path).encode() not in first.read_bytes()
    assert b"vsimem" not in first.read_bytes()


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_a_crs_without_a_code_is_kept(tmp_path: Path) -> None:
    """A programme may name any projected CRS in metres."""
    crs = "+proj=laea +lat_0=15 +lon_0=-3 +datum=WGS84 +units=m"
    grid = GeoBox((4, 4), Affine(10, 0, 0, 0, -10, 0), crs)
    path = write_cog(
        tmp_path / "x.tif",
        np.zeros((1, 4, 4), np.float32),
        grid,
        bands=[Band("a", "a")],
        nodata=np.nan,
        tags={},
    )
    with rasterio.open(path) as opened:
        assert opened.crs == rasterio.crs.CRS.from_user_input(crs)


@pytest.mark.parametrize(
    ("values", "told"),
    [
        (np.zeros((2, 4, 5)), r"shape \(2, 4, 5\)"),
        (np.zeros((3, 4, 4)), "2 bands"),
        (np.full((2, 4, 4), np.inf), "infinite"),
    ],
)
def test_an_array_that_does_not_fit_is_refused(
    tmp_path: Path, values: NDArray[Any], told: str
) -> None:
    """Our own mistake: a ValueError, and no file."""
    with pytest.raises(ValueError, match=told):
        write_product(
            tmp_path, DRY_GREENNESS, "b", "s", values, _grid(4, 4), programme_id="p", method="m"
        )
    assert list(tmp_path.iterdir()) == []


def test_types_are_not_changed_in_silence(tmp_path: Path) -> None:
    """A picture of floats would be cut to whole numbers."""
    with pytest.raises(ValueError, match="float64 values are no uint8"):
        _written(tmp_path, PICTURE, np.zeros((3, 4, 4)))
    with pytest.raises(ValueError, match="int16 is not one of float32, uint8"):
        write_cog(
            tmp_path / "x.tif",
            np.zeros((1, 4, 4), np.int16),
            _grid(4, 4),
            bands=[Band("a", "a")],
            nodata=0,
            tags={},
        )


@pytest.mark.parametrize("text", ["../evil", "a/b", "", "A", "a b", "a_b", "-a", "ä"])
def test_foreign_text_never_becomes_a_path(text: str) -> None:
    """Blocks and seasons are slugs, whatever a calendar or a site is called."""
    with pytest.raises(ValueError, match="cannot be part of a path"):
        DRY_GREENNESS.path(text, "2021-dry")
    with pytest.raises(ValueError, match="cannot be part of a path"):
        DRY_GREENNESS.path("e012n034", text)


def test_a_disk_that_fails_leaves_the_old_map(
    tmp_path: Path, rng: np.random.Generator, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The map of the last run stays readable."""
    values = _random(rng, DRY_GREENNESS, 4, 4)
    path = _written(tmp_path, DRY_GREENNESS, values)
    before = _digest(path)

    def fail(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.replace", fail)
    with pytest.raises(OutputError, match="the disk is full"):
        _written(tmp_path, DRY_GREENNESS, values + 1)
    assert _digest(path) == before
    assert [each.name for each in path.parent.iterdir()] == [path.name]


def test_a_season_is_a_number_and_back() -> None:
    """Through float32, as in the band."""
    seasons = ["1998-dry", "2021-dry", "2021-dry-1", "2021-dry-2", "2021-dry-4"]
    codes = np.array([season_code(season) for season in seasons], np.float32)
    np.testing.assert_allclose(codes, [1998, 2021, 2021.1, 2021.2, 2021.4], atol=1e-4)
    assert [season_of_code(code) for code in codes] == seasons
    with pytest.raises(ValueError, match="is not the id of a dry season"):
        season_code("2021-rains")
