"""Real items of several catalogues; the expected values were read off the JSON by hand."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

from afterrains.scenes import PixelGrid, Profiles, Refusal, Scene
from afterrains.scenes.items import ItemSource, scene_from_item

ASKED = ("sentinel-2-l2a", "landsat-c2-l2")
EXPECTED_OUTPUT = "stac/stactools-sentinel2/tests/data-files/{}/expected_output.json"


def scene_of(path: Path, profiles: Profiles, *, longitude: float = 0.0, index: int = 0) -> Scene:
    """The scene of an item file, or of one of a page of items."""
    found = result_of(path, profiles, longitude=longitude, index=index)
    assert isinstance(found, Scene), found
    return found


def result_of(
    path: Path, profiles: Profiles, *, longitude: float = 0.0, index: int = 0
) -> Scene | Refusal:
    document: Any = json.loads(path.read_text(encoding="utf-8"))
    item = document if isinstance(document, dict) else document[index]
    source = ItemSource(str(path), False, ASKED, longitude)
    return scene_from_item(item, source, profiles)


def test_b04_style_item_with_baseline_only(real: Path, profiles: Profiles):
    """Azure copy, STAC 1.0, no scale or offset: baseline 02.12 means offset 0."""
    scene = scene_of(
        real / "stac/odc/S2B_MSIL2A_20190629T212529_R043_T06VVN_20201006T080531.json", profiles
    )
    assert scene.sensor == "sentinel-2b"
    assert scene.tile == "06VVN"
    assert scene.baseline == "02.12"
    assert scene.acquired == datetime(2019, 6, 29, 21, 25, 29, 24000, tzinfo=UTC)
    # 21:25 UTC at 148 degrees west is about half past eleven in the morning of the same day.
    assert scene.solar_day == date(2019, 6, 29)
    assert scene.processed == datetime(2020, 10, 6, 8, 5, 31, 830000, tzinfo=UTC)
    assert scene.cloud_percent == pytest.approx(0.314306)
    assert scene.bands["red"].href.endswith("IMG_DATA/R10m/T06VVN_20190629T212529_B04_10m.tif")
    assert scene.bands["rededge1"].href.endswith("_B05_20m.tif")
    assert scene.bands["nir08"].href.endswith("_B8A_20m.tif")
    assert (scene.bands["red"].scale, scene.bands["red"].offset) == (0.0001, 0.0)
    assert scene.bands["red"].nodata == 0
    assert scene.bands["swir16"].resolution_m == 20
    assert scene.grid == PixelGrid("EPSG:32606", 399960.0, 6800040.0, 10.0, 10980, 10980)


@pytest.mark.parametrize(
    ("item", "index", "baseline", "offset"),
    [
        ("stac/geoparquet/sentinel-2-item.json", 0, "04.00", -0.1),
        ("stac/geoparquet/data/sentinel-2-l2a-pc.json", 0, "05.10", -0.1),
        # A scene of 2020 reprocessed to baseline 05.00: a rule by date would miss its offset.
        (
            EXPECTED_OUTPUT.format("S2B_MSIL2A_20200914T231559_N0500_R087_T01VCG_20230315T224658"),
            0,
            "05.00",
            -0.1,
        ),
        ("stac/pystac-ext/raster/tests/data-files/raster-sentinel2-example.json", 0, "02.14", 0.0),
        (
            "pixels/s2cog-29RKH-sahara/29/R/KH/2020/2/S2A_29RKH_20200219_0_L2A/"
            "S2A_29RKH_20200219_0_L2A.json",
            0,
            "02.14",
            0.0,
        ),
        # The oldest catalogue names: the baseline stands only inside the product's name.
        ("stac/odc/S2A_28QCH_20200714_0_L2A.json", 0, "02.14", 0.0),
    ],
)
def test_offset_by_baseline_metadata_or_product_name(
    real: Path, profiles: Profiles, item: str, index: int, baseline: str, offset: float
):
    """The offset of processing baseline 04.00 and later is -1000 x 0.0001."""
    scene = scene_of(real / item, profiles, index=index)
    assert scene.baseline == baseline
    bands = set(scene.bands) - {"scl"}
    assert len(bands) == 10
    assert {scene.bands[band].offset for band in bands} == {offset}
    assert {scene.bands[band].scale for band in bands} == {0.0001}


def test_contradicting_offset_is_refused(real: Path, profiles: Profiles):
    """Its metadata give -0.7 for the blue band, its baseline 04.00 means -0.1: nobody can tell."""
    name = "S2A_OPER_MSI_L2A_TL_VGS1_20220401T110010_A035382_T34LBQ"
    found = result_of(real / EXPECTED_OUTPUT.format(name), profiles)
    assert isinstance(found, Refusal)
    assert found.reason == "offset-contradiction"
    assert "-0.7" in found.detail
    assert "04.00" in found.detail


def test_stac_1_1_projection_code(real: Path, profiles: Profiles):
    """STAC 1.1 writes proj:code where 1.0 wrote proj:epsg."""
    name = "esa_S2B_MSIL2A_20210122T133229_N0214_R081_T22HBD_20210122T155500.SAFE"
    path = real / EXPECTED_OUTPUT.format(name)
    scene = scene_of(path, profiles)
    assert scene.grid == PixelGrid("EPSG:32722", 199980.0, 5900020.0, 10.0, 10980, 10980)
    assert scene.tile == "22HBD"
    # Relative references start at the item; the file ends in .jp2 here.
    assert scene.bands["red"].href == str(
        path.parent
        / "GRANULE/L2A_T22HBD_A020270_20210122T133224/IMG_DATA/R10m"
        / "T22HBD_20210122T133229_B04_10m.jp2"
    )


@pytest.mark.parametrize("longitude", [179.5, -179.5])
def test_tiles_across_the_antimeridian_share_their_solar_day(
    real: Path, profiles: Profiles, longitude: float
):
    """Tile 01WCP lies on both sides; 23:46 UTC there is about noon of the day on the other side."""
    name = "S2A_MSIL2A_20230625T234621_N0509_R073_T01WCP_20230626T022157.SAFE"
    scene = scene_of(real / EXPECTED_OUTPUT.format(name), profiles, longitude=longitude)
    assert scene.footprint["type"] == "MultiPolygon"
    assert scene.solar_day == (date(2023, 6, 26) if longitude > 0 else date(2023, 6, 25))


@pytest.mark.parametrize(
    ("item", "sensor", "tile", "red", "processed"),
    [
        (
            "stac/odc/LC08_L2SP_028030_20200114_20200824_02_T1_SR.json",
            "landsat-8",
            "028030",
            "SR_B4.TIF",
            datetime(2020, 8, 24, tzinfo=UTC),
        ),
        # Assets named after files, platform under its old name.
        (
            "stac/odc/LC08_L2SR_081119_20200101_20200823_02_T2.json",
            "landsat-8",
            "081119",
            "SR_B4.TIF",
            datetime(2020, 8, 23, tzinfo=UTC),
        ),
        (
            "stac/odc/LE07_L2SP_044033_20210329_20210424_02_T1_SR.json",
            "landsat-7",
            "044033",
            "SR_B3.TIF",
            datetime(2021, 4, 24, tzinfo=UTC),
        ),
        (
            "stac/stactools-landsat/tests/data-files/tm/"
            "LT05_L2SP_010067_19860424_20200918_02_T2_SR_stac.json",
            "landsat-5",
            "010067",
            "SR_B3.TIF",
            datetime(2020, 9, 18, tzinfo=UTC),
        ),
        (
            "stac/stactools-landsat/tests/data-files/tm/"
            "LT04_L2SP_002026_19830110_20200918_02_T1_SR_stac.json",
            "landsat-4",
            "002026",
            "SR_B3.TIF",
            datetime(2020, 9, 18, tzinfo=UTC),
        ),
    ],
)
def test_landsat_items_of_all_sensors(
    real: Path, profiles: Profiles, item: str, sensor: str, tile: str, red: str, processed: datetime
):
    """Red is band 4 on OLI and band 3 on TM and ETM+; scale 0.0000275, offset -0.2 (USGS)."""
    scene = scene_of(real / item, profiles)
    assert (scene.sensor, scene.tile, scene.processed) == (sensor, tile, processed)
    assert scene.bands["red"].href.endswith(red)
    assert scene.bands["nir"].href == scene.bands["nir08"].href
    assert scene.bands["red"].scale == pytest.approx(2.75e-5, rel=1e-12)
    assert scene.bands["red"].offset == -0.2
    assert {"qa_pixel", "qa_radsat"} <= set(scene.bands)


def test_landsat_9_from_a_page_of_items(real: Path, profiles: Profiles):
    """A page of the Azure copies; scale and offset stand in raster:bands."""
    scene = scene_of(real / "stac/geoparquet/data/landsat-c2-l2-pc.json", profiles)
    assert scene.scene_id == "LC09_L2SP_089090_20240417_02_T1"
    assert scene.sensor == "landsat-9"
    # 23:46 UTC at 147 degrees east is the next morning.
    assert scene.solar_day == date(2024, 4, 18)
    assert scene.grid == PixelGrid("EPSG:32655", 520185.0, -4663485.0, 30.0, 7971, 7971)


@pytest.mark.parametrize(
    ("item", "reason"),
    [
        ("stac/pystac-ext/grid/tests/data-files/example-sentinel2.json", "wrong-level"),
        ("stac/pystac-ext/eo/tests/data-files/eo-sentinel2-item.json", "wrong-level"),
        ("stac/pystac-ext/grid/tests/data-files/example-landsat.json", "missing-asset"),
        ("stac/geoparquet/base_sentinel2_l2a.json", "broken-item"),
        ("stac/spec/simple-item.json", "no-platform"),
        ("stac/spec/collectionless-item.json", "no-collection"),
        (
            "stac/stactools-sentinel1/grd/"
            "S1A_IW_GRDH_1SDV_20210809T173953_20210809T174018_039156_049F13/"
            "S1A_IW_GRDH_1SDV_20210809T173953_20210809T174018_039156_049F13.json",
            "no-collection",
        ),
        (
            "stac/stactools-landsat/tests/data-files/assets3/"
            "LC08_L2SP_008059_20191201_20200825_02_T1_SR_stac.json",
            "no-datetime",  # a bare date, which STAC does not allow
        ),
    ],
)
def test_other_items_are_refused_with_a_reason(
    real: Path, profiles: Profiles, item: str, reason: str
):
    """Levels, sensors and items that the profiles do not serve."""
    found = result_of(real / item, profiles)
    assert isinstance(found, Refusal)
    assert found.reason == reason
    assert found.detail


def test_no_real_item_crashes(real: Path, profiles: Profiles):
    """Every item of every real catalogue becomes a scene or a refusal."""
    results = []
    for path in sorted(real.glob("stac/**/*.*json")):
        document: Any = json.loads(path.read_text(encoding="utf-8"))
        items = document.get("features", [document]) if isinstance(document, dict) else document
        for item in items:
            if isinstance(item, dict) and item.get("type") == "Feature":
                source = ItemSource(str(path), False, ASKED, 0.0)
                results.append(scene_from_item(item, source, profiles))
    scenes = [found for found in results if isinstance(found, Scene)]
    assert len(results) > 150
    assert len(scenes) > 50
    assert all(found.detail for found in results if isinstance(found, Refusal))
