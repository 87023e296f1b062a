"""Outlines lie where the pixels are, and classes of the trend are those of the slopes."""

from __future__ import annotations

import base64
import io
import json
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pyproj
import pytest
import rasterio
from PIL import Image
from rasterio.transform import from_origin
from shapely.geometry import MultiPolygon, box

from afterrains.delivery.page.blocks import SiteKey, find_blocks
from afterrains.delivery.page.close_ups import draw_close_ups
from afterrains.delivery.page.palette import SLOPE_COLOURS
from afterrains.delivery.page.pictures import SLOPE_BREAKS, find_rasters, open_raster
from afterrains.delivery.page.plates import lay_plates
from afterrains.delivery.page.rows import Ground
from afterrains.delivery.page.seasons import Season, SeasonNames
from afterrains.delivery.page.texts import load_texts
from afterrains.delivery.products import WOODY_CHANGE
from afterrains.errors import OutputError

_WEST, _NORTH, _CRS = 500_000, 1_602_000, "EPSG:32631"


def _write(path: Path, bands: np.ndarray, nodata: float) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        count=bands.shape[0],
        height=bands.shape[1],
        width=bands.shape[2],
        dtype=bands.dtype,
        crs=_CRS,
        transform=from_origin(_WEST, _NORTH, 10, 10),
        nodata=nodata,
    ) as file:
        file.write(bands)


def _square(column: int, row: int, pixels: int) -> Ground:
    """A square on whole pixels of the 200 by 200 pixel raster, given in degrees."""
    west, north = _WEST + 10 * column, _NORTH - 10 * row
    shape = box(west, north - 10 * pixels, west + 10 * pixels, north)
    to_degrees = pyproj.Transformer.from_crs(_CRS, "EPSG:4326", always_xy=True)
    corners = [to_degrees.transform(x, y) for x, y in shape.exterior.coords]
    return Ground("a", "sown", type(shape)(corners))


@pytest.fixture
def folder(tmp_path: Path) -> SimpleNamespace:
    """One block of 2 by 2 km, white but for one dark square that is the site's own pixels."""
    picture = np.full((3, 200, 200), 250, dtype="uint8")
    picture[:, 100:120, 60:80] = 10
    _write(tmp_path / "rasters" / "e001n001" / "picture_2024-dry.tif", picture, 0)
    slope = np.zeros((4, 200, 200), dtype="float32")
    slope[0, 100:120, 60:70], slope[0, 100:120, 70:80] = 0.02, -0.02
    slope[0, 90:100] = np.nan
    _write(tmp_path / "rasters" / "e001n001" / "greenness_trend_2024-dry.tif", slope, np.nan)
    return SimpleNamespace(path=tmp_path, grounds={"a": _square(60, 100, 20)})


@pytest.fixture
def names() -> SeasonNames:
    seasons = [Season("2024-dry", "dry", date(2024, 10, 1), date(2025, 5, 31))]
    return SeasonNames({season.season: season for season in seasons}, load_texts())


def _decode(uri: str) -> Image.Image:
    return Image.open(io.BytesIO(base64.b64decode(uri.split(",", 1)[1])))


def _corners(path: str) -> np.ndarray:
    """The corners of path data "Mx yLx yLx yLx yZ"."""
    pairs = path.strip("MZ").split("L")
    return np.array([[float(number) for number in pair.split()] for pair in pairs])


def test_outline_on_a_plate_frames_its_own_pixels(folder, names):
    """By hand: the dark pixels of the decoded picture and the drawn square are one."""
    keys = {"a": SiteKey("a", 1, "gain", "2020-05-01")}
    (plate,), _, off = lay_plates(folder, keys, names)
    image = np.asarray(_decode(plate.picture).convert("L"))
    dark = np.argwhere(image < 130)
    place = plate.placed
    scale = np.array([float(place.height), float(place.width)]) / image.shape
    start = np.array([float(place.y), float(place.x)])
    top, left = start + dark.min(axis=0) * scale
    bottom, right = start + (dark.max(axis=0) + 1) * scale
    corners = _corners(plate.sown[0].outline)
    np.testing.assert_allclose(corners.min(axis=0), (left, top), atol=0.6)
    np.testing.assert_allclose(corners.max(axis=0), (right, bottom), atol=0.6)
    assert off == ()


def test_a_site_in_two_parts_bears_its_number_on_both(folder, names):
    """Two squares far apart, and a scrap too small to be marked."""
    parts = [_square(30, 30, 20), _square(150, 150, 20), _square(150, 30, 2)]
    folder.grounds = {"a": Ground("a", "sown", MultiPolygon([part.geometry for part in parts]))}
    (plate,), _, _ = lay_plates(folder, {"a": SiteKey("a", 1, "gain", "")}, names)
    (site,) = plate.sown
    assert len(site.pins) == 2
    assert site.outline.count("M") == 3


def test_scale_bar_is_as_long_as_it_says(folder, names):
    """By hand: the square is 200 m wide, so its drawn width tells the metres of a unit."""
    (plate,), _, _ = lay_plates(folder, {"a": SiteKey("a", 1, "gain", "")}, names)
    corners = _corners(plate.sown[0].outline)
    metres_per_unit = 200 / np.ptp(corners[:, 0])
    assert float(plate.bar_width) * metres_per_unit == pytest.approx(plate.bar_metres, rel=0.01)


def test_trend_colours_are_those_of_the_slopes_and_missing_is_clear(folder, names):
    """By hand: the west half of the square rises 0.02 a year, the east half falls as much."""
    (block,) = find_blocks(folder)
    keys = {"a": SiteKey("a", 1, "gain", "")}
    _, trend = draw_close_ups(block, keys, names, 128)["a"]
    assert trend.kind == "trend"
    image = np.asarray(_decode(trend.picture).convert("RGBA"))
    place = trend.placed
    start = np.array([float(place.x), float(place.y)])
    scale = image.shape[1] / float(place.width)
    left, top = (_corners(trend.outline).min(axis=0) - start) * scale
    right, _ = (_corners(trend.outline).max(axis=0) - start) * scale
    quarter = (right - left) / 4

    def colour(x: float, y: float) -> str:
        return "#{:02x}{:02x}{:02x}".format(*image[int(y), int(x), :3])

    assert colour(left + quarter, top + quarter) == SLOPE_COLOURS[-1]
    assert colour(right - quarter, top + quarter) == SLOPE_COLOURS[0]
    assert image[int(top) - 3, int(left), 3] == 0
    assert len(SLOPE_COLOURS) == len(SLOPE_BREAKS) + 1


def test_a_site_beyond_every_picture_is_listed(folder, names):
    folder.grounds["b"] = _square(900, 900, 20)
    folder.grounds = {"a": folder.grounds["a"], "b": folder.grounds["b"]}
    keys = {site: SiteKey(site, at, "gain", "") for at, site in enumerate("ab", 1)}
    _, close_ups, off = lay_plates(folder, keys, names)
    assert off == ("b",)
    assert set(close_ups) == {"a"}


def test_before_is_the_last_picture_that_started_before_sowing(folder, names):
    source = folder.path / "rasters" / "e001n001" / "picture_2024-dry.tif"
    for season in ("2015-dry", "2018-dry", "2021-dry"):
        (source.parent / f"picture_{season}.tif").write_bytes(source.read_bytes())
    (block,) = find_blocks(folder)
    sown = {"a": SiteKey("a", 1, "gain", "2019-05-01")}
    kinds = [(c.kind, c.season) for c in draw_close_ups(block, sown, names, 64)["a"]]
    assert kinds == [("before", "2018-dry"), ("now", "2024-dry"), ("trend", "2024-dry")]


def test_only_our_own_raster_names_are_read(tmp_path: Path):
    folder = tmp_path / "rasters" / "e001n001"
    folder.mkdir(parents=True)
    for name in ("picture_2024-dry.tif", "picture_2024-dry.tif.aux.xml", "picture_<x>.tif"):
        (folder / name).write_bytes(b"")
    assert find_rasters(tmp_path, "picture") == {
        "e001n001": {"2024-dry": folder / "picture_2024-dry.tif"}
    }


def test_an_unreadable_raster_is_named(tmp_path: Path):
    file = tmp_path / "picture_2024-dry.tif"
    file.write_bytes(b"no raster")
    with pytest.raises(OutputError, match=r"picture_2024-dry\.tif: cannot be read"):
        with open_raster(file):
            pass


def test_colours_of_a_picture_survive_within_what_the_eye_sees(folder, names):
    """The dark square stays dark and the white ground white: within 8 of 255 (JPEG quality 80)."""
    (plate,), _, _ = lay_plates(folder, {"a": SiteKey("a", 1, "gain", "")}, names)
    grey = np.asarray(_decode(plate.picture).convert("L")).astype(int)
    assert abs(grey[0, 0] - 250) <= 8
    assert abs(np.median(grey[grey < 130]) - 10) <= 8
    assert json.dumps(plate.picture[:23]) == '"data:image/jpeg;base64,"'


def test_woody_change_has_the_rasters_own_colours_and_hatches_foreign_ground(folder, names):
    """By hand: the square's west half gained, its east half lost; the southern rows lie outside
    the model's domain, so there a third of the pixels is dark.
    """
    here = folder.path / "rasters" / "e001n001"
    change = np.zeros((3, 200, 200), dtype="float32")
    change[2, 100:120, 60:70], change[2, 100:120, 70:80] = 1, 2
    change[2, 98:100] = np.nan
    _write(here / "woody_change_2024-dry.tif", change, np.nan)
    cover = np.ones((4, 200, 200), dtype="float32")
    cover[3, 112:] = 0
    _write(here / "woody_percent_2024-dry.tif", cover, np.nan)
    (block,) = find_blocks(folder)
    keys = {"a": SiteKey("a", 1, "gain", "")}
    now, drawn, trend = draw_close_ups(block, keys, names, 128)["a"]
    assert [now.kind, drawn.kind, trend.kind] == ["now", "change", "trend"]
    image = np.asarray(_decode(drawn.picture).convert("RGBA"))
    place = drawn.placed
    start = np.array([float(place.x), float(place.y)])
    scale = image.shape[1] / float(place.width)
    left, top = ((_corners(drawn.outline).min(axis=0) - start) * scale).round().astype(int)
    right, bottom = ((_corners(drawn.outline).max(axis=0) - start) * scale).round().astype(int)
    middle, edge = (left + right) // 2, top + (bottom - top) * 12 // 20
    colours = {each.name: each.colour for each in WOODY_CHANGE.bands[2].classes}
    inside = image[top + 1 : edge - 1]
    assert (inside[:, left + 1 : middle - 1, :3] == colours["more"]).all()
    assert (inside[:, middle + 1 : right - 1, :3] == colours["less"]).all()
    outside = image[edge + 2 : bottom - 1, left + 1 : middle - 1, :3]
    plain = (outside == colours["more"]).all(axis=-1)
    assert 0.2 < 1 - plain.mean() < 0.5
    assert image[top - 3, left, 3] == 0
