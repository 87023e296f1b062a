"""Ground of known reflectance as four satellites see it, in a static catalogue of two collections.

The ground is given as OLI sees it. What Sentinel-2A, Landsat 5 and Landsat 7 see of it is reckoned
backwards from the published regressions, typed here from the papers and not taken from the code:

Roy et al. (2016), table 2, reduced major axis, surface reflectance, OLI = b ETM+ + a.
doi:10.1016/j.rse.2015.12.024
Claverie et al. (2018), OLI = slope x MSI + offset, the agency's parameter file of Sentinel-2A,
narrow near infrared. doi:10.1016/j.rse.2018.09.002
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from numpy.typing import NDArray
from rasterio.transform import from_origin
from rasterio.warp import transform_bounds

CRS, LEFT, TOP, SIDE_M = "EPSG:32631", 499_980.0, 1_600_020.0, 1_920.0
CENTRES = {"S1": (480, 480), "C1": (1440, 480), "C2": (480, 1440), "C3": (1440, 1440)}
"""Metres east and south of the corner; the sites are squares of 480 m in the middle of a quarter of
the ground, which is all of one kind."""
RMA_ETM = {
    "blue": (0.9785, -0.0095), "green": (0.9542, -0.0016), "red": (0.9825, -0.0022),
    "nir": (1.0073, -0.0021), "swir16": (1.0171, -0.0030), "swir22": (0.9949, 0.0029),
}  # fmt: skip
HLS_S2A = {
    "blue": (0.9778, -0.0040), "green": (1.0053, -0.0009), "red": (0.9765, 0.0009),
    "nir": (0.9983, -0.0001), "swir16": (0.9987, -0.0011), "swir22": (1.0030, -0.0012),
}  # fmt: skip
TO_OLI: Mapping[str, Mapping[str, tuple[float, float]]] = {
    "landsat-5": RMA_ETM,
    "landsat-7": RMA_ETM,
    "landsat-8": {},
    "sentinel-2a": HLS_S2A,
}
GROUND = {"blue": 0.06, "green": 0.10, "red": 0.16, "nir": 0.26, "swir16": 0.30, "swir22": 0.24}
B08_MORE = 0.01
"""Sentinel-2's broad near infrared above its narrow one, so that a mix-up shows."""
LOOKS = (
    ("landsat-5", "2011-01-10"), ("landsat-7", "2011-01-18"), ("landsat-5", "2011-01-26"),
    ("landsat-8", "2016-01-12"), ("sentinel-2a", "2016-01-12"), ("landsat-8", "2016-01-28"),
    ("sentinel-2a", "2016-02-01"), ("landsat-7", "2016-02-05"), ("sentinel-2a", "2016-02-11"),
)  # fmt: skip
"""On 12 January 2016 two satellites see the ground on one day."""
_S2_NAMES = {
    "blue": "B02", "green": "B03", "red": "B04", "nir": "B08", "nir08": "B8A", "swir16": "B11",
    "swir22": "B12", "rededge1": "B05",
}  # fmt: skip
_TM_NAMES = {band: f"SR_B{n}" for band, n in zip(GROUND, (1, 2, 3, 4, 5, 7), strict=True)}
_OLI_NAMES = {band: f"SR_B{n}" for band, n in zip(GROUND, (2, 3, 4, 5, 6, 7), strict=True)}


def truth(site: str) -> dict[str, float]:
    """Reflectance of a site's ground as OLI sees it; greener from site to site."""
    more = 0.02 * list(CENTRES).index(site)
    return {band: value + (more if band == "nir" else 0.0) for band, value in GROUND.items()}


def seen(sensor: str, site: str) -> dict[str, float]:
    """The same as a sensor sees it."""
    back = {}
    for band, value in truth(site).items():
        slope, offset = TO_OLI[sensor].get(band, (1.0, 0.0))
        back[band] = (value - offset) / slope
    return back


def ndvi(bands: Mapping[str, float]) -> float:
    """(nir - red) / (nir + red)."""
    return (bands["nir"] - bands["red"]) / (bands["nir"] + bands["red"])


def write_ground(folder: Path, more: str = "") -> Path:
    """Catalogue, sites, sowing and a programme file, whose path is given back.

    `more` is YAML, one setting a line, put under `scenes`.
    """
    folder.mkdir(parents=True, exist_ok=True)
    items: dict[str, list[dict[str, Any]]] = {"landsat-c2-l2": [], "sentinel-2-l2a": []}
    for sensor, day in LOOKS:
        make = _sentinel if sensor.startswith("sentinel") else _landsat
        item = make(folder / "scenes", sensor, day)
        items[item["collection"]].append(item)
    _write_catalogue(folder / "scenes", items)
    _write_sites(folder)
    (folder / "sowing.csv").write_text("site_id,sown_on\nS1,2013-06-01\n", encoding="utf-8")
    programme = folder / "programme.yaml"
    programme.write_text(
        "programme: {id: mixed, name: Mixed sensors, currency: XXX}\n"
        "sites: sites.geojson\nsowing: sowing.csv\n"
        "scenes:\n  catalogue: scenes/catalog.json\n"
        "  collections: [landsat-c2-l2, sentinel-2-l2a]\n"
        f"  start: 2010-12-01\n  end: 2016-05-31\n{more}"
        "seasons: {from: calendar, rains: [{name: rains, start: 06-01, end: 09-30}]}\n",
        encoding="utf-8",
    )
    return programme


def _landsat(folder: Path, sensor: str, day: str) -> dict[str, Any]:
    """Collection 2 Level 2: number x 0.0000275 - 0.2, QA_PIXEL 21824 for clear land (USGS)."""
    names = _OLI_NAMES if sensor == "landsat-8" else _TM_NAMES
    short = {"landsat-5": "LT05", "landsat-7": "LE07", "landsat-8": "LC08"}[sensor]
    item_id = f"{short}_L2SP_195050_{day.replace('-', '')}_02_T1"
    place = folder / item_id
    assets = {}
    for band, name in names.items():
        numbers = _field(sensor, band, 30.0)
        assets[name] = _file(place / f"{name}.TIF", np.rint((numbers + 0.2) / 2.75e-5), 30.0)
        assets[name]["raster:bands"] = [{"nodata": 0, "scale": 2.75e-5, "offset": -0.2}]
    clear = np.full((64, 64), 21824)
    assets["QA_PIXEL"] = _file(place / "QA_PIXEL.TIF", clear, 30.0, nodata=1)
    assets["QA_RADSAT"] = _file(place / "QA_RADSAT.TIF", 0 * clear, 30.0, nodata=None)
    return _item(item_id, "landsat-c2-l2", sensor, f"{day}T10:21:00Z", 30.0, assets)


def _sentinel(folder: Path, sensor: str, day: str) -> dict[str, Any]:
    """Level 2A: (number - 1000) / 10000 by the baseline, class 5 for bare land."""
    item_id = f"S2A_MSIL2A_{day.replace('-', '')}T103000_R108_T31PDR_20230101T000000"
    place = folder / item_id
    assets = {}
    for band, name in _S2_NAMES.items():
        step = 10.0 if band in ("blue", "green", "red", "nir") else 20.0
        like = {"nir08": "nir", "rededge1": "red"}.get(band, band)
        numbers = _field(sensor, like, step) + (B08_MORE if band == "nir" else 0.0)
        assets[name] = _file(place / f"{name}.tif", np.rint(10_000 * numbers + 1000), step)
    assets["SCL"] = _file(place / "SCL.tif", np.full((96, 96), 5), 20.0, kind="uint8")
    item = _item(item_id, "sentinel-2-l2a", sensor, f"{day}T10:30:00Z", 10.0, assets)
    item["properties"]["s2:processing_baseline"] = "05.10"
    return item


def _field(sensor: str, band: str, step: float) -> NDArray[np.float64]:
    """A sensor's reflectance of the whole ground, a site's kind in each quarter."""
    half = round(SIDE_M / step / 2)
    out = np.empty((2 * half, 2 * half))
    for site, (east, south) in CENTRES.items():
        row, column = half * (south > SIDE_M / 2), half * (east > SIDE_M / 2)
        out[row : row + half, column : column + half] = seen(sensor, site)[band]
    return out


def _file(
    path: Path,
    numbers: NDArray[Any],
    step: float,
    *,
    nodata: float | None = 0,
    kind: str = "uint16",
) -> dict[str, Any]:
    path.parent.mkdir(parents=True, exist_ok=True)
    with rasterio.open(
        path, "w", driver="GTiff", height=numbers.shape[0], width=numbers.shape[1], count=1,
        dtype=kind, crs=CRS, transform=from_origin(LEFT, TOP, step, step), nodata=nodata,
    ) as file:  # fmt: skip
        file.write(numbers.astype(kind), 1)
    return {"href": f"../{path.parent.name}/{path.name}", "roles": ["data"]}


def _item(
    item_id: str, collection: str, sensor: str, when: str, step: float, assets: dict[str, Any]
) -> dict[str, Any]:
    west, south, east, north = transform_bounds(
        CRS, "EPSG:4326", LEFT, TOP - SIDE_M, LEFT + SIDE_M, TOP
    )
    ring = [[west, south], [east, south], [east, north], [west, north], [west, south]]
    count = round(SIDE_M / step)
    return {
        "type": "Feature", "stac_version": "1.0.0", "id": item_id, "collection": collection,
        "geometry": {"type": "Polygon", "coordinates": [ring]},
        "bbox": [west, south, east, north], "links": [], "assets": assets,
        "properties": {
            "datetime": when, "platform": sensor, "eo:cloud_cover": 0.0, "proj:epsg": 32631,
            "proj:shape": [count, count], "proj:transform": [step, 0, LEFT, 0, -step, TOP],
        },
    }  # fmt: skip


def _write_catalogue(folder: Path, items: Mapping[str, list[dict[str, Any]]]) -> None:
    children = []
    for collection, members in items.items():
        place = folder / collection
        place.mkdir(parents=True)
        links = []
        for item in members:
            (place / f"{item['id']}.json").write_text(json.dumps(item), encoding="utf-8")
            links.append({"rel": "item", "href": f"./{item['id']}.json"})
        about = {"type": "Collection", "id": collection, "links": links}
        (place / "collection.json").write_text(json.dumps(about), encoding="utf-8")
        children.append({"rel": "child", "href": f"./{collection}/collection.json"})
    root = {"type": "Catalog", "stac_version": "1.0.0", "id": "mixed", "links": children}
    (folder / "catalog.json").write_text(json.dumps(root), encoding="utf-8")


def _write_sites(folder: Path) -> None:
    features = []
    for site, (east, south) in CENTRES.items():
        x, y = LEFT + east, TOP - south
        ring = [
            [x + dx, y + dy]
            for dx, dy in ((-240, -240), (240, -240), (240, 240), (-240, 240), (-240, -240))
        ]
        role = "sown" if site.startswith("S") else "control"
        features.append(
            {
                "type": "Feature",
                "properties": {"site_id": site, "role": role},
                "geometry": {"type": "Polygon", "coordinates": [ring]},
            }
        )
    document = {
        "type": "FeatureCollection",
        "crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32631"}},
        "features": features,
    }
    (folder / "sites.geojson").write_text(json.dumps(document), encoding="utf-8")
