"""Sentinel-1 backscatter: real items of two catalogues, and pixels written by hand."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from affine import Affine
from odc.geo.geobox import GeoBox

from afterrains.scenes import PixelGrid, Profiles, overpasses, read_overpass, search
from afterrains.scenes.radar import track_of

GLOBE = (-180.0, -90.0, 180.0, 90.0)


@pytest.mark.parametrize(
    ("item", "collection", "acquired", "grid", "nodata", "track"),
    [
        (
            "stac/geoparquet/data/sentinel-1-rtc-pc.json",
            "sentinel-1-rtc",
            datetime(2024, 4, 19, 4, 59, 10, 436706, tzinfo=UTC),
            PixelGrid("EPSG:32633", 373_180.0, 3_424_680.0, 10.0, 27526, 12949),
            -32768,
            "descending-51",
        ),
        (
            "stac/stactools-sentinel1/rtc/sentinel1-rtc-aws/2020/S1A_20200103_17RMJ_ASC/"
            "S1A_20200103_17RMJ_ASC.json",
            "sentinel1-rtc-aws",
            datetime(2020, 1, 3, 23, 36, 21, tzinfo=UTC),
            PixelGrid("EPSG:32617", 399_960.0, 2_900_040.0, 20.0, 5490, 5490),
            0,
            "ascending-121",
        ),
    ],
)
def test_real_items_of_two_catalogues(
    real: Path,
    profiles: Profiles,
    tmp_path: Path,
    item: str,
    collection: str,
    acquired: datetime,
    grid: PixelGrid,
    nodata: float,
    track: str,
) -> None:
    """Expected values read off the JSON by hand; power as stored, without scale or offset."""
    document: Any = json.loads((real / item).read_text(encoding="utf-8"))
    saved = tmp_path / "item.json"
    saved.write_text(json.dumps(document[0] if isinstance(document, list) else document))
    day = acquired.date()
    found = search(str(saved), [collection], day, day, GLOBE, 80, profiles)
    assert found.refused == ()
    [scene] = found.scenes
    assert (scene.sensor, scene.acquired, scene.grid) == ("sentinel-1a", acquired, grid)
    assert (scene.cloud_percent, scene.track) == (None, track)
    assert set(scene.bands) == {"vv", "vh"}
    for band in scene.bands.values():
        assert (band.scale, band.offset, band.nodata) == (1, 0, nodata)


def test_ground_is_seen_where_there_is_a_number(
    make_item: Callable[..., dict[str, Any]],
    write_catalogue: Callable[..., Path],
    profiles: Profiles,
    tmp_path: Path,
) -> None:
    """By hand: fill, no echo and infinite power are no ground; nothing is widened."""
    values = np.full((12, 12), 0.05, dtype=np.float32)
    values[0, 0], values[1, 1], values[2, 2], values[3, 3] = -32768, 0, np.inf, np.nan
    files = {}
    for band, factor in (("vv", 1.0), ("vh", 0.2)):
        path = tmp_path / f"{band}.tif"
        grid = Affine(10, 0, 500_000, 0, -10, 1_600_000)
        with rasterio.open(
            path, "w", driver="GTiff", width=12, height=12, count=1, dtype="float32",
            crs="EPSG:32631", transform=grid, nodata=-32768,
        ) as file:  # fmt: skip
            file.write(np.where(values == -32768, values, values * np.float32(factor)), 1)
        files[band] = str(path)
    item = make_item(
        "S1A_IW_GRDH_1SDV_20200114_rtc", assets=files, bands={"nodata": -32768},
        collection="sentinel-1-rtc", platform="SENTINEL-1A",
    )  # fmt: skip
    item["collection"] = "sentinel-1-rtc"
    item["properties"]["sat:orbit_state"] = "ascending"
    catalogue = write_catalogue([item])
    listed = catalogue.parent / "collection.json"
    listed.write_text(listed.read_text().replace("sentinel-2-l2a", "sentinel-1-rtc"))
    day = date(2020, 1, 14)
    found = search(str(catalogue), ["sentinel-1-rtc"], day, day, GLOBE, 80, profiles)
    [look] = overpasses(found.scenes)
    window = GeoBox((12, 12), Affine(10, 0, 500_000, 0, -10, 1_600_000), "EPSG:32631")
    seen = read_overpass(look, window, ("vv", "vh"), profiles, dilation_m=60)
    empty = np.zeros((12, 12), dtype=bool)
    empty[[0, 1, 2, 3], [0, 1, 2, 3]] = True
    assert np.array_equal(seen.clear, ~empty)
    assert np.array_equal(seen.covered, ~empty)
    np.testing.assert_array_equal(seen.reflectance["vv"], np.where(empty, np.nan, np.float32(0.05)))
    np.testing.assert_allclose(seen.reflectance["vh"][~empty], 0.01, rtol=1e-6)


def test_clouds_are_nothing_to_radar_and_its_direction_is(
    real: Path, profiles: Profiles, tmp_path: Path
) -> None:
    """Real items, altered: all cloud is kept, no direction refused; the other slice of the pass."""
    source = real / "stac/geoparquet/data/sentinel-1-rtc-pc.json"
    cloudy, blind = json.loads(source.read_text(encoding="utf-8"))[:2]
    cloudy["properties"]["eo:cloud_cover"] = 100
    del blind["properties"]["sat:orbit_state"]
    saved = tmp_path / "items.json"
    saved.write_text(json.dumps({"type": "FeatureCollection", "features": [cloudy, blind]}))
    day = date(2024, 4, 19)
    found = search(str(saved), ["sentinel-1-rtc"], day, day, GLOBE, 80, profiles)
    assert [scene.scene_id for scene in found.scenes] == [cloudy["id"]]
    assert [(each.scene_id, each.reason) for each in found.refused] == [(blind["id"], "no-orbit")]


@pytest.mark.parametrize(
    ("properties", "track"),
    [
        ({"sat:orbit_state": "ascending", "sat:relative_orbit": 175}, "ascending-175"),
        ({"sat:orbit_state": "descending"}, "descending"),
        ({"sat:orbit_state": "descending", "sat:relative_orbit": True}, "descending"),
        ({"sat:orbit_state": "descending", "sat:relative_orbit": "../x"}, "descending"),
        ({"sat:orbit_state": "geostationary", "sat:relative_orbit": 5}, None),
        ({"sat:orbit_state": ["ascending"]}, None),
        ({}, None),
    ],
)
def test_a_track_is_a_direction_and_a_relative_orbit(
    properties: dict[str, Any], track: str | None
) -> None:
    """By hand, after the STAC satellite extension; what is no orbit number is left out."""
    assert track_of(properties) == track
