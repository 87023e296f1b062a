"""Small scenes and catalogues written for a test, and the profiles that come with the tool."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
import rasterio
from numpy.typing import NDArray
from rasterio.transform import from_origin
from rasterio.warp import transform_bounds

from afterrains.scenes import BandAsset, Profiles, Scene, load_profiles

Writer = Callable[..., Path]


@pytest.fixture(scope="session")
def profiles() -> Profiles:
    """The profiles that come with the tool."""
    return load_profiles()


@pytest.fixture
def write_tif(tmp_path: Path) -> Writer:
    """Write a single-band GeoTIFF: `write_tif(name, array, left=, top=, resolution=, crs=)`."""

    def _write(
        name: str,
        numbers: NDArray[Any],
        *,
        left: float = 500_000.0,
        top: float = 1_600_000.0,
        resolution: float = 10.0,
        crs: str = "EPSG:32631",
        nodata: float | None = 0,
    ) -> Path:
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        with rasterio.open(
            path,
            "w",
            driver="GTiff",
            height=numbers.shape[0],
            width=numbers.shape[1],
            count=1,
            dtype=numbers.dtype,
            crs=crs,
            transform=from_origin(left, top, resolution, resolution),
            nodata=nodata,
        ) as file:
            file.write(numbers, 1)
        return path

    return _write


def _footprint(left: float, bottom: float, right: float, top: float) -> dict[str, Any]:
    """The outline of a window in UTM zone 31 as GeoJSON in longitude and latitude."""
    bounds = transform_bounds("EPSG:32631", "EPSG:4326", left, bottom, right, top)
    west, south, east, north = bounds
    ring = [[west, south], [east, south], [east, north], [west, north], [west, south]]
    return {"type": "Polygon", "coordinates": [ring]}


@pytest.fixture
def footprint() -> Callable[..., dict[str, Any]]:
    """`footprint(left, bottom, right, top)` in UTM zone 31, as GeoJSON."""
    return _footprint


@pytest.fixture
def scene() -> Callable[..., Scene]:
    """`scene(scene_id, **changes)`: a scene of 14 January 2020, 10:20 UTC."""
    square = {"type": "Polygon", "coordinates": [[[0, 0], [1, 0], [1, 1], [0, 1], [0, 0]]]}

    def _scene(scene_id: str, **changes: Any) -> Scene:
        base = Scene(
            scene_id=scene_id,
            collection="sentinel-2-l2a",
            sensor="sentinel-2a",
            acquired=datetime(2020, 1, 14, 10, 20, tzinfo=UTC),
            solar_day=date(2020, 1, 14),
            overpass="",
            tile="31PDR",
            processed=None,
            baseline=None,
            cloud_percent=None,
            footprint=square,
            bands={"red": BandAsset(f"/{scene_id}.tif", 0.0001, 0.0, 0, 10.0)},
        )
        return replace(base, **changes)

    return _scene


@pytest.fixture
def make_item() -> Callable[..., dict[str, Any]]:
    """A lawful Sentinel-2 item with relative assets; keyword arguments replace properties."""

    def _make(
        item_id: str = "S2A_31PDR_20200114_0_L2A",
        *,
        assets: Mapping[str, str] | None = None,
        bands: Mapping[str, Any] | None = None,
        geometry: Mapping[str, Any] | None = None,
        collection: str | None = "sentinel-2-l2a",
        **properties: Any,
    ) -> dict[str, Any]:
        files = assets or {"red": "./red.tif", "nir": "./nir.tif", "scl": "./scl.tif"}
        stated = {"nodata": 0, "scale": 0.0001, "offset": 0} if bands is None else dict(bands)
        item: dict[str, Any] = {
            "type": "Feature",
            "stac_version": "1.0.0",
            "id": item_id,
            "geometry": geometry or _footprint(500_000, 1_599_000, 501_000, 1_600_000),
            "properties": {
                "datetime": "2020-01-14T10:20:31Z",
                "platform": "sentinel-2a",
                "eo:cloud_cover": 5.0,
                **properties,
            },
            "links": [],
            "assets": {
                key: {"href": href, **({} if key == "scl" else {"raster:bands": [stated]})}
                for key, href in files.items()
            },
        }
        if collection is not None:
            item["collection"] = collection
        return item

    return _make


@pytest.fixture
def write_catalogue(tmp_path: Path) -> Callable[..., Path]:
    """Write a static catalogue of items, each in its own folder; gives the root's path."""

    def _write(items: list[dict[str, Any]], folder: Path | None = None) -> Path:
        root = folder or tmp_path / "catalogue"
        links = []
        for number, item in enumerate(items):
            place = root / f"{number}" / "item.json"
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_text(json.dumps(item), encoding="utf-8")
            links.append({"rel": "item", "href": f"./{number}/item.json"})
        collection = {"type": "Collection", "id": "sentinel-2-l2a", "links": links}
        (root / "collection.json").write_text(json.dumps(collection), encoding="utf-8")
        catalogue = {
            "type": "Catalog",
            "stac_version": "1.0.0",
            "id": "test",
            "links": [{"rel": "child", "href": "./collection.json"}],
        }
        path = root / "catalog.json"
        path.write_text(json.dumps(catalogue), encoding="utf-8")
        return path

    return _write
