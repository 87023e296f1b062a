"""The static STAC 1.0 catalogue around the scenes: item, collection and root, as plain JSON.

Links are relative, so that the folder can be moved. Assets are keyed by common band names.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import Transformer
from rasterio.transform import Affine
from shapely.geometry import box, mapping
from shapely.geometry.base import BaseGeometry

from afterrains.sample.district import EPSG, GROUNDS
from afterrains.sample.overpasses import Overpass
from afterrains.sample.render import Product

__all__ = [
    "COG",
    "COLLECTION",
    "SAMPLE_MARK",
    "coarse_grid",
    "degrees",
    "item_document",
    "write_catalogue",
    "write_json",
]

COLLECTION = "sentinel-2-l2a"
SAMPLE_MARK = "afterrains:sample"
"""Field of the root catalogue that tells which sample it is."""

COG = "image/tiff; application=geotiff; profile=cloud-optimized"
_EXTENSIONS = [
    f"https://stac-extensions.github.io/{name}/schema.json"
    for name in (
        "eo/v1.1.0",
        "grid/v1.1.0",
        "processing/v1.2.0",
        "projection/v1.1.0",
        "raster/v1.1.0",
        "sat/v1.0.0",
        "view/v1.0.0",
    )
]
# asset key: band name, common name, centre wavelength and full width at half maximum in micrometres
_EO = {
    "blue": ("B02", "blue", 0.490, 0.098),
    "green": ("B03", "green", 0.560, 0.045),
    "red": ("B04", "red", 0.665, 0.038),
    "rededge1": ("B05", "rededge", 0.704, 0.019),
    "nir": ("B08", "nir", 0.842, 0.145),
    "swir16": ("B11", "swir16", 1.610, 0.143),
    "swir22": ("B12", "swir22", 2.190, 0.242),
}


def coarse_grid(at: Affine) -> Affine:
    """Return the transform of the 20 m pixels over the same ground."""
    return Affine(2 * at.a, at.b, at.c, at.d, 2 * at.e, at.f)


def item_document(
    overpass: Overpass, product: Product, at: Affine, footprint: BaseGeometry
) -> dict[str, Any]:
    """One product as a STAC item.

    `at` is the 10 m transform of the tile, `footprint` the covered ground in EPSG:32631.
    """
    shape = list(product.bands["red"].shape)
    tile = GROUNDS[overpass.ground].tile
    lonlat = degrees(footprint)
    return {
        "type": "Feature",
        "stac_version": "1.0.0",
        "stac_extensions": _EXTENSIONS,
        "id": overpass.item_id,
        "collection": COLLECTION,
        "geometry": mapping(lonlat),
        "bbox": [round(value, 6) for value in lonlat.bounds],
        "properties": {
            "datetime": _text(overpass.acquired),
            "created": _text(overpass.processed + timedelta(hours=20)),
            "processing:datetime": _text(overpass.processed),
            "platform": overpass.platform,
            "constellation": "sentinel-2",
            "instruments": ["msi"],
            "gsd": 10,
            "eo:cloud_cover": round(product.cloud_percent, 2),
            "grid:code": f"MGRS-{tile}",
            "proj:epsg": EPSG,
            "proj:shape": shape,
            "proj:transform": list(at)[:6],
            "sat:relative_orbit": overpass.orbit,
            "sat:orbit_state": "descending",
            "view:sun_elevation": round(90 - product.sun_zenith_deg, 2),
            "view:sun_azimuth": round(product.sun_azimuth_deg, 2),
            "s2:processing_baseline": overpass.baseline,
            "s2:nodata_pixel_percentage": round(product.nodata_percent, 2),
        },
        "links": [
            {"rel": "root", "href": "../../catalog.json", "type": "application/json"},
            {"rel": "parent", "href": "../collection.json", "type": "application/json"},
            {"rel": "collection", "href": "../collection.json", "type": "application/json"},
        ],
        "assets": {key: _asset(key, overpass, shape, at) for key in (*product.bands, "scl")},
    }


def write_catalogue(
    folder: Path,
    item_ids: Iterable[str],
    interval: tuple[datetime, datetime],
    mark: dict[str, str | int],
    radar: tuple[str, Iterable[str]] | None = None,
) -> Path:
    """Write the collections and, last of all, the root `catalog.json`; return the root's path.

    `radar` is the id of a collection of radar scenes and its items, if there are any.
    """
    side_m = 2560.0  # of the full size; the small one lies within
    bounds = [
        degrees(box(g.west_m, g.north_m - side_m, g.west_m + side_m, g.north_m)).bounds
        for g in GROUNDS.values()
    ]
    whole = [min(b[0] for b in bounds), min(b[1] for b in bounds)]
    whole += [max(b[2] for b in bounds), max(b[3] for b in bounds)]
    collection = {
        "type": "Collection",
        "stac_version": "1.0.0",
        "stac_extensions": [],
        "id": COLLECTION,
        "title": "Invented scenes of the Dune Edge sample",
        "description": (
            "Simulated surface reflectance in the form of Sentinel-2 level-2A products. The "
            "ground, its sites and its weather are invented; no satellite took these pictures."
        ),
        "license": "MIT",
        "extent": {
            "spatial": {"bbox": [[round(value, 6) for value in whole]]},
            "temporal": {"interval": [[_text(moment) for moment in interval]]},
        },
        "links": _links(item_ids),
    }
    write_json(folder / COLLECTION / "collection.json", collection)
    children = [COLLECTION]
    if radar is not None:
        name, radar_ids = radar
        children.append(name)
        described = {
            "id": name,
            "title": "Invented radar of the Dune Edge sample",
            "description": (
                "Simulated backscatter in the form of Sentinel-1 radiometrically terrain-corrected "
                "products, in linear power. No satellite took these pictures."
            ),
            "links": _links(radar_ids),
        }
        write_json(folder / name / "collection.json", collection | described)
    root = {
        "type": "Catalog",
        "stac_version": "1.0.0",
        "id": "dune-edge-scenes",
        "description": "Invented scenes of the Dune Edge sample programme.",
        SAMPLE_MARK: mark,
        "links": [
            {"rel": "root", "href": "./catalog.json", "type": "application/json"},
            *(
                {"rel": "child", "href": f"./{name}/collection.json", "type": "application/json"}
                for name in children
            ),
        ],
    }
    return write_json(folder / "catalog.json", root)


def _links(item_ids: Iterable[str]) -> list[dict[str, str]]:
    """Of a collection: up to the root and down to its items."""
    return [
        {"rel": "root", "href": "../catalog.json", "type": "application/json"},
        {"rel": "parent", "href": "../catalog.json", "type": "application/json"},
        *(
            {"rel": "item", "href": f"./{item_id}/{item_id}.json", "type": "application/geo+json"}
            for item_id in item_ids
        ),
    ]


def write_json(path: Path, document: dict[str, Any]) -> Path:
    """Write a document as compact, readable JSON."""
    path.write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8", newline="\n")
    return path


def _asset(key: str, overpass: Overpass, shape: list[int], at: Affine) -> dict[str, Any]:
    """One asset; the 20 m ones state their own grid."""
    resolution = 10 if key in ("blue", "green", "red", "nir") else 20
    grid: dict[str, Any] = {"gsd": resolution}
    if resolution == 20:
        half = coarse_grid(at)
        grid["proj:shape"] = [each // 2 for each in shape]
        grid["proj:transform"] = list(half)[:6]
    asset: dict[str, Any] = {"href": f"./{key}.tif", "type": COG}
    if key == "scl":
        band = {"nodata": 0, "data_type": "uint8", "spatial_resolution": resolution}
        return (
            asset
            | {"title": "Scene classification", "roles": ["data"]}
            | grid
            | {"raster:bands": [band]}
        )
    name, common_name, centre, width = _EO[key]
    eo = {
        "name": name,
        "common_name": common_name,
        "center_wavelength": centre,
        "full_width_half_max": width,
    }
    band = {
        "nodata": 0,
        "data_type": "uint16",
        "spatial_resolution": resolution,
        "scale": 0.0001,
        "offset": -0.1 if overpass.add_1000 else 0,
    }
    return (
        asset
        | {"title": f"{name} reflectance", "roles": ["data", "reflectance"]}
        | grid
        | {
            "eo:bands": [eo],
            "raster:bands": [band],
        }
    )


def degrees(shape: BaseGeometry) -> BaseGeometry:
    """Metres of the sample's grid as degrees, rounded to some ten centimetres."""
    to_lonlat = Transformer.from_crs(EPSG, "EPSG:4326", always_xy=True)

    def degrees(metres: NDArray[np.float64]) -> NDArray[np.float64]:
        lon, lat = to_lonlat.transform(metres[:, 0], metres[:, 1])
        rounded: NDArray[np.float64] = np.rint(np.c_[lon, lat] * 1e6) / 1e6
        return rounded

    return shapely.transform(shape, degrees)


def _text(moment: datetime) -> str:
    return f"{moment:%Y-%m-%dT%H:%M:%SZ}"
