"""Real pixels: figures that others computed, read through the same path as a run's."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import rasterio
from numpy.typing import NDArray
from odc.geo.geobox import GeoBox

from afterrains.scenes import (
    Observation,
    Profiles,
    Scene,
    load_profiles,
    overpasses,
    read_overpass,
    search,
)
from afterrains.scenes.leftover import leftovers
from afterrains.scenes.reflectance import to_reflectance
from afterrains.scenes.season_check import check_season

LANDSAT = {
    "008059": (
        "pixels/landsatc2-stactools/assets3",
        "LC08_L2SP_008059_20191201_20200825_02_T1",
        "2019-12-01",
    ),
    "017036": (
        "pixels/landsatc2-stactools/assets4",
        "LC08_L2SP_017036_20130419_20200913_02_T2",
        "2013-04-19",
    ),
    "001062": (
        "pixels/landsatc2-001062/LC08_L2SP_001062_20201031_20201106_02_T2",
        "LC08_L2SP_001062_20201031_20201106_02_T2",
        "2020-10-31",
    ),
}


def grid_of(path: Path) -> GeoBox:
    """The whole grid of a file."""
    with rasterio.open(path) as file:
        return GeoBox(file.shape, file.transform, file.crs.to_string())


def numbers_of(path: Path) -> NDArray[Any]:
    with rasterio.open(path) as file:
        return np.asarray(file.read(1))


def landsat(real: Path, tmp_path: Path, tile: str, profiles: Profiles) -> Scene:
    """The agency's own item, its bare date given a time, over the files that lie beside it."""
    folder, name, day = LANDSAT[tile]
    if tile == "001062":
        item_path = real / folder / f"{name}_SR_stac.json"
    else:
        item_path = (
            real
            / "stac/stactools-landsat/tests/data-files"
            / Path(folder).name
            / f"{name}_SR_stac.json"
        )
    item = json.loads(item_path.read_text(encoding="utf-8"))
    item["properties"]["datetime"] = f"{day}T15:00:00Z"
    item["assets"] = {
        key: {"href": str(path)}
        for key in (*(f"SR_B{band}.TIF" for band in range(2, 8)), "QA_PIXEL.TIF", "QA_RADSAT.TIF")
        if (path := real / folder / f"{name}_{key}").exists()
    }
    saved = tmp_path / "item.json"
    saved.write_text(json.dumps(item), encoding="utf-8")
    when = date.fromisoformat(day)
    found = search(str(saved), ["landsat-c2l2-sr"], when, when, (-180, -90, 180, 90), 100, profiles)
    assert found.refused == ()
    (scene,) = found.scenes
    return scene


def look(scene: Scene, geobox: GeoBox, profiles: Profiles, *bands: str) -> Observation:
    (overpass,) = overpasses([scene])
    return read_overpass(overpass, geobox, bands, profiles, dilation_m=0)


@pytest.mark.parametrize(
    ("tile", "raw", "scaled"), [("008059", 0.170, 0.257), ("001062", 0.077, 0.108)]
)
def test_landsat_median_ndvi_raw_and_scaled(
    real: Path, profiles: Profiles, tile: str, raw: float, scaled: float
):
    """Median NDVI over all numbers but fill, as told beside the data: a scale without its offset
    is as wrong as none.
    """
    folder, name, _ = LANDSAT[tile]
    values = profiles.by_id["landsat-c2-l2"].values
    assert values.offset.default is not None

    def median(scale: float, offset: float) -> float:
        red, nir = (
            to_reflectance(
                numbers_of(real / folder / f"{name}_{band}.TIF"),
                scale=scale,
                offset=offset,
                nodata=values.nodata,
            )
            for band in ("SR_B4", "SR_B5")
        )
        with np.errstate(invalid="ignore", divide="ignore"):
            return float(np.nanmedian((nir - red) / (nir + red)))

    # the figures are given to three decimals
    assert median(1, 0) == pytest.approx(raw, abs=5e-4)
    assert median(values.scale, values.offset.default) == pytest.approx(scaled, abs=5e-4)


def test_landsat_clear_ground_through_the_whole_path(
    real: Path, tmp_path: Path, profiles: Profiles
):
    """008059: clear land is 21824 (USGS), or 22080 where cloud confidence is medium (bits 8 and 9
    hold 2) and no flag is set; the other values of the scene each bear a flag. 81 % is cloud.
    """
    folder, name, _ = LANDSAT["008059"]
    scene = landsat(real, tmp_path, "008059", profiles)
    seen = look(scene, grid_of(Path(scene.bands["red"].href)), profiles, "red", "nir")
    quality = numbers_of(real / folder / f"{name}_QA_PIXEL.TIF")
    saturated = numbers_of(real / folder / f"{name}_QA_RADSAT.TIF") != 0
    red = numbers_of(real / folder / f"{name}_SR_B4.TIF")
    nir = numbers_of(real / folder / f"{name}_SR_B5.TIF")
    good = (np.minimum(red, nir) >= 7273) & (np.maximum(red, nir) <= 43636)
    expected = np.isin(quality, (21824, 22080)) & ~saturated & good
    assert np.array_equal(seen.clear, expected)
    assert expected.sum() > 20_000
    np.testing.assert_allclose(
        seen.reflectance["nir"][expected], nir[expected] * 2.75e-5 - 0.2, rtol=1e-6
    )
    assert np.array_equal(seen.covered, quality != 1)


def test_landsat_scene_without_one_clear_pixel(real: Path, tmp_path: Path, profiles: Profiles):
    """017036 is covered and entirely masked: no value, and no failure."""
    scene = landsat(real, tmp_path, "017036", profiles)
    seen = look(scene, grid_of(Path(scene.bands["red"].href)), profiles, "red", "nir")
    assert seen.covered.sum() > 100_000
    assert not seen.clear.any()
    assert np.isnan(seen.reflectance["red"]).all()
    assert seen.unreadable == ()
    assert not seen.lost.any()


@pytest.fixture(scope="module")
def sahara(real: Path) -> Scene:
    """29RKH, with the files beside the item in place of those it names."""
    folder = real / "pixels/s2cog-29RKH-sahara/29/R/KH/2020/2/S2A_29RKH_20200219_0_L2A"
    path = folder / "S2A_29RKH_20200219_0_L2A.json"
    item = json.loads(path.read_text(encoding="utf-8"))
    for asset in item["assets"].values():
        asset["href"] = "./" + asset["href"].rpartition("/")[2]
    from afterrains.scenes.items import ItemSource, scene_from_item

    source = ItemSource(str(path), False, ("sentinel-2-l2a",), 0.0)
    found = scene_from_item(item, source, load_profiles())
    assert isinstance(found, Scene)
    return found


def test_share_of_cloud_in_the_sahara(sahara: Scene, profiles: Profiles):
    """29RKH: 4.06 % of the scene is SCL 8 to 10; its eo:cloud_cover is 4.052 (agency)."""
    seen = look(sahara, grid_of(Path(sahara.bands["red"].href)), profiles, "red")
    cloud = sum(
        seen.mask_counts[name]
        for name in ("cloud_medium_probability", "cloud_high_probability", "thin_cirrus")
    )
    assert 100 * cloud / seen.clear.size == pytest.approx(4.06, abs=0.005)
    assert sahara.cloud_percent == pytest.approx(4.052, abs=0.0005)
    assert seen.covered.all()


def test_interpolated_bands_lie_where_the_fine_ones_do(sahara: Scene, profiles: Profiles):
    """Narrow and broad near infrared agree best where they are; one fine pixel off is worse."""
    seen = look(sahara, grid_of(Path(sahara.bands["red"].href)), profiles, "nir", "nir08")
    nir, nir08 = (np.where(seen.clear, seen.reflectance[band], np.nan) for band in ("nir", "nir08"))

    def likeness(down: int, right: int) -> float:
        moved = np.roll(nir08, (down, right), axis=(0, 1))
        both = np.isfinite(nir) & np.isfinite(moved)
        return float(np.corrcoef(nir[both], moved[both])[0, 1])

    shifts = [(0, 1), (1, 0), (0, -1), (-1, 0)]
    assert likeness(0, 0) > 0.96
    assert all(likeness(*shift) < likeness(0, 0) - 0.01 for shift in shifts)


def test_a_window_is_the_same_part_of_the_whole(sahara: Scene, profiles: Profiles):
    """Where a window ends never changes its pixels, interpolated bands included."""
    whole = grid_of(Path(sahara.bands["red"].href))
    part = whole[101:160, 203:290]
    bands = ("red", "swir16")
    large, small = (look(sahara, box, profiles, *bands) for box in (whole, part))
    for band in bands:
        part_of_large = large.reflectance[band][101:160, 203:290]
        assert np.array_equal(small.reflectance[band], part_of_large, equal_nan=True)


def test_ndvi_of_a_year_equals_the_providers_own(real: Path, profiles: Profiles):
    """semi-arid-2019: 33 dates against the NDVI that its provider computed from the same pixels."""
    found = search(
        str(real / "semi-arid-2019/catalog.json"),
        ["sentinel-2-l2a"],
        date(2019, 1, 1),
        date(2019, 12, 31),
        (-4.9, 41.7, -4.8, 41.8),
        80,
        profiles,
    )
    assert len(found.scenes) == 33
    assert found.refused == ()
    with rasterio.open(real / "semi-arid-2019/ndvi_as_delivered.nc") as file:
        delivered = file.read()
        days = file.tags()["NETCDF_DIM_t_VALUES"].strip("{}").split(",")
    dates = [pd.Timestamp("1990-01-01") + pd.Timedelta(days=int(day)) for day in days]
    box = grid_of(Path(found.scenes[0].bands["red"].href))
    compared = 0
    for overpass in overpasses(found.scenes):
        seen = read_overpass(overpass, box, ("red", "nir"), profiles, dilation_m=0)
        red, nir = (seen.reflectance[band].astype(float) for band in ("red", "nir"))
        expected = delivered[dates.index(pd.Timestamp(overpass.date))][seen.clear]
        assert np.isfinite(expected).all()
        # float32 in the provider's file
        np.testing.assert_allclose(
            ((nir - red) / (nir + red))[seen.clear], expected, rtol=2e-6, atol=2e-7
        )
        compared += expected.size
    assert compared > 70_000


def test_little_real_ground_is_taken_for_haze(real: Path, profiles: Profiles):
    """semi-arid-2019, 33 dates that its provider blanked under cloud: hardly a look is haze.

    There is no blue band, which a run tests. Near infrared moves more than blue as crops ripen and
    loses 0.5 %; red, which moves most, 4.7 %, nearly all of it at the harvest in July (measured
    here). So blue of such ground loses less than 5 %, and of ground without crops far less.
    """
    found = search(
        str(real / "semi-arid-2019/catalog.json"), ["sentinel-2-l2a"], date(2019, 1, 1),
        date(2019, 12, 31), (-4.9, 41.7, -4.8, 41.8), 80, profiles,
    )  # fmt: skip
    box = grid_of(Path(found.scenes[0].bands["red"].href))
    seen = [
        read_overpass(overpass, box, ("red", "nir"), profiles, dilation_m=0)
        for overpass in overpasses(found.scenes)
    ]
    days = np.array([look.date.toordinal() for look in seen])
    for band, most in (("nir", 0.006), ("red", 0.05)):
        cube = np.stack([look.reflectance[band] for look in seen])
        result = leftovers(cube, days)
        assert result.tested.sum() > 0.85 * np.isfinite(cube).sum()
        assert result.outlier.sum() < most * np.isfinite(cube).sum()
    checked = check_season(seen)
    assert not any(look.doubted for look in checked.looks)
    assert not checked.always_masked.any()


def test_item_collection_saved_to_a_file(
    real: Path, profiles: Profiles, tmp_path: Path, rng: np.random.Generator
):
    """The same items in one file, in any order, with addresses made absolute: the same scenes."""
    folder = real / "semi-arid-2019/items"
    items = []
    for path in folder.glob("*/*.json"):
        item = json.loads(path.read_text(encoding="utf-8"))
        for asset in item["assets"].values():
            asset["href"] = str(path.parent / asset["href"])
        items.append(item)
    rng.shuffle(items)
    saved = tmp_path / "items.json"
    saved.write_text(json.dumps({"type": "FeatureCollection", "features": items}))

    def scenes(place: Path) -> tuple[Scene, ...]:
        bounds = (-4.9, 41.7, -4.8, 41.8)
        days = date(2019, 3, 1), date(2019, 5, 31)
        return search(str(place), ["sentinel-2-l2a"], *days, bounds, 80, profiles).scenes

    assert scenes(saved) == scenes(real / "semi-arid-2019/catalog.json")
    assert len(scenes(saved)) == 9
