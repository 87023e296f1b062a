"""A programme of any size: tiles of simulated scenes, twenty sites on each, served from templates.

Sites lie close together on small tiles (`DENSE`), where a whole tile's window is wanted anyway, or
8 to 10 km apart on larger ones (`SCATTERED`), as villages lie. Every tile shows the same ground at
another place, so one file for each date and band stands for all tiles: the server sends it with the
tile's corner written over the template's. What is read, decoded and computed is as for files of
their own; only the disk of this benchmark is spared.
"""

from __future__ import annotations

import json
import math
import struct
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyproj
import rasterio
import shapely
from affine import Affine

BLOCK, PIXEL_M = 512, 10.0
LEFT, TOP, EPSG = 300_000.0, 1_700_000.0, 32630
SITES_A_TILE = 20
BANDS = ("blue", "green", "red", "nir", "swir16", "swir22")
DATES = tuple(f"{year}-{day}" for year in (2020, 2021) for day in
              ("01-05", "02-04", "03-05", "03-25", "04-14", "05-04"))  # fmt: skip
_NOISE = 20


@dataclass(frozen=True)
class Layout:
    """Where tiles and sites lie."""

    side: int
    """Pixels of a tile's edge."""
    columns: int
    """Tiles beside each other, so that all lie in one zone."""

    def corner(self, tile: int) -> tuple[float, float]:
        """Easting and northing of a tile's upper left corner; tiles do not touch."""
        row, column = divmod(tile, self.columns)
        spacing = 1.171875 * self.side * PIXEL_M
        return LEFT + column * spacing, TOP - row * spacing

    def place(self, number: int, rng: np.random.Generator) -> tuple[float, float]:
        """Centre of a site: five columns and four rows a tile, each moved a little."""
        tile, place = divmod(number, SITES_A_TILE)
        left, top = self.corner(tile)
        row, column = divmod(place, 5)
        unit = self.side * PIXEL_M / 10_240
        x = left + unit * (1_100 + column * 2_000 + rng.uniform(-300, 300))
        return x, top - unit * (1_300 + row * 2_400 + rng.uniform(-300, 300))


DENSE = Layout(1024, 20)
SCATTERED = Layout(4096, 5)


@dataclass(frozen=True)
class Templates:
    """The scene files that stand for all tiles; answers for `tiles/<number>/<date>/<band>.tif`."""

    folder: Path
    layout: Layout
    corner_at: tuple[tuple[str, int], ...]
    """Where the corner's two numbers stand in each template, by its name."""

    def __call__(self, name: str) -> tuple[Path, tuple[int, bytes]] | None:
        """The template of a tile's file, and the corner to be written over its own."""
        parts = name.split("/")
        if len(parts) != 4 or parts[0] != "tiles":
            return None
        template = f"{parts[2]}-{parts[3]}"
        at = dict(self.corner_at).get(template)
        if at is None:
            return None
        return self.folder / template, (at, struct.pack("<2d", *self.layout.corner(int(parts[1]))))


def tiles_for(sites: int) -> int:
    """How many tiles hold so many sites."""
    return math.ceil(sites / SITES_A_TILE)


def write_templates(folder: Path, layout: Layout) -> Templates:
    """The scenes of one tile."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(7)
    side = layout.side
    smooth = np.add.outer(np.arange(side), np.arange(side)) * (256 / side)
    found = []
    for date in DATES:
        for number, band in enumerate((*BANDS, "scl")):
            name = f"{date}-{band}.tif"
            if band == "scl":
                numbers = np.full((side, side), 4, np.uint8)
                y, x = rng.integers(0, side - 200, 2)
                numbers[y : y + 150, x : x + 150] = 9  # a cloud
            else:
                level = 900 + 400 * number + 300 * (band == "nir")
                numbers = (level + smooth + rng.normal(0, _NOISE, (side, side))).astype(np.uint16)
            found.append((name, _write(folder / name, numbers)))
    return Templates(folder, layout, tuple(found))


def _write(path: Path, numbers: np.ndarray) -> int:
    height, width = numbers.shape
    with rasterio.open(
        path, "w", driver="GTiff", width=width, height=height, count=1, dtype=numbers.dtype,
        crs=f"EPSG:{EPSG}", transform=Affine(PIXEL_M, 0, LEFT, 0, -PIXEL_M, TOP), nodata=0,
        tiled=True, blockxsize=BLOCK, blockysize=BLOCK, compress="deflate",
        predictor=2 if numbers.dtype == np.uint16 else 1,
    ) as file:  # fmt: skip
        file.write(numbers, 1)
    # GeoTIFF's ModelTiepointTag: pixel (0, 0, 0) lies at (LEFT, TOP, 0).
    mark = struct.pack("<6d", 0, 0, 0, LEFT, TOP, 0)
    content = path.read_bytes()
    if content.count(mark) != 1:
        raise AssertionError("the corner of a template is not where GeoTIFF puts it")
    return content.index(mark) + 3 * 8


def site_polygons(sites: int, layout: Layout) -> gpd.GeoDataFrame:
    """Round sites of 5 to 30 hectares; on each tile a third are controls."""
    rng = np.random.default_rng(11)
    rows = []
    for number in range(sites):
        x, y = layout.place(number, rng)
        radius = math.sqrt(rng.uniform(5, 30) * 1e4 / math.pi)
        role = "control" if number % SITES_A_TILE % 3 == 2 else "sown"
        rows.append((f"p{number:05d}", role, shapely.Point(x, y).buffer(radius, quad_segs=6)))
    names = ["site_id", "role", "geometry"]
    return gpd.GeoDataFrame(rows, columns=names, crs=f"EPSG:{EPSG}")


def write_items(path: Path, tiles: int, layout: Layout, address: str) -> None:
    """The items of all tiles and dates as one saved collection."""
    to_lonlat = pyproj.Transformer.from_crs(EPSG, 4326, always_xy=True)
    features = []
    for tile in range(tiles):
        left, top = layout.corner(tile)
        extent = layout.side * PIXEL_M
        outline = shapely.box(left, top - extent, left + extent, top)
        ring = [list(to_lonlat.transform(x, y)) for x, y in outline.exterior.coords]
        ground = shapely.Polygon(ring)
        for date in DATES:
            features.append(_item(tile, date, ground, layout, address))
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))


def _item(
    tile: int, date: str, ground: shapely.Polygon, layout: Layout, address: str
) -> dict[str, object]:
    left, top = layout.corner(tile)
    number = {"nodata": 0, "data_type": "uint16", "scale": 0.0001, "offset": 0}
    assets: dict[str, object] = {
        band: {
            "href": f"{address}/tiles/{tile}/{date}/{band}.tif",
            "type": "image/tiff; application=geotiff; profile=cloud-optimized",
            "roles": ["data", "reflectance"],
            "eo:bands": [{"name": band, "common_name": band}],
            "raster:bands": [number],
        }
        for band in BANDS
    }
    assets["scl"] = {
        "href": f"{address}/tiles/{tile}/{date}/scl.tif",
        "type": "image/tiff; application=geotiff; profile=cloud-optimized",
        "roles": ["data"],
        "raster:bands": [{"nodata": 0, "data_type": "uint8"}],
    }
    name = f"S2A_30T{tile:03d}_{date.replace('-', '')}_0_L2A"
    return {
        "type": "Feature",
        "stac_version": "1.0.0",
        "id": name,
        "collection": "sentinel-2-l2a",
        "geometry": shapely.geometry.mapping(ground),
        "bbox": list(ground.bounds),
        "properties": {
            "datetime": f"{date}T10:20:35Z",
            "created": f"{date}T18:00:00Z",
            "platform": "sentinel-2a",
            "constellation": "sentinel-2",
            "eo:cloud_cover": 2.0,
            "grid:code": f"MGRS-30{chr(65 + tile // 20 % 20)}{chr(65 + tile // 400)}"
            f"{chr(65 + tile % 20)}",
            "proj:epsg": EPSG,
            "proj:shape": [layout.side, layout.side],
            "proj:transform": [PIXEL_M, 0, left, 0, -PIXEL_M, top],
            "sat:relative_orbit": 22,
            "s2:processing_baseline": "03.01",
        },
        "links": [],
        "assets": assets,
    }


def write_programme(folder: Path, sites: int, layout: Layout, address: str) -> Path:
    """The programme file and its inputs."""
    folder.mkdir(parents=True)
    polygons = site_polygons(sites, layout)
    polygons.to_file(folder / "sites.gpkg")
    sown = polygons.loc[polygons["role"] == "sown", "site_id"]
    lines = ["site_id,sown_on,method", *(f"{name},2020-06-20,by hand" for name in sown)]
    (folder / "sowing.csv").write_text("\n".join(lines) + "\n")
    write_items(folder / "items.json", tiles_for(sites), layout, address)
    programme = folder / "programme.yaml"
    programme.write_text(
        "programme: {id: scale, name: Simulated programme}\n"
        "sites: sites.gpkg\n"
        "sowing: sowing.csv\n"
        "scenes:\n"
        "  catalogue: items.json\n"
        "  start: 2019-11-01\n"
        "  end: 2021-05-31\n"
        "seasons: {from: calendar, rains: [{name: rains, start: 06-01, end: 09-30}]}\n"
        "output: out\n"
    )
    return programme
