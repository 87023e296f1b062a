"""One product of the sample on the disk: its bands as cloud-optimised GeoTIFFs, and its item."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import rasterio
from rasterio.features import shapes
from rasterio.transform import Affine
from shapely import union_all
from shapely.geometry import shape
from shapely.geometry.base import BaseGeometry

from afterrains.sample.district import EPSG
from afterrains.sample.ground import GroundModel
from afterrains.sample.overpasses import Overpass
from afterrains.sample.radar_scenes import (
    NODATA,
    RADAR_COLLECTION,
    RadarPass,
    radar_item,
    render_radar,
)
from afterrains.sample.render import render
from afterrains.sample.stac import COLLECTION, coarse_grid, item_document, write_json

__all__ = ["write_product"]


def write_product(
    overpass: Overpass | RadarPass, folder: Path, seed: int, grounds: dict[str, GroundModel]
) -> str:
    """Draw one product and write its files below a catalogue's folder; the item comes last.

    The collection's own folder must be there.
    """
    ground = grounds[overpass.ground]
    if isinstance(overpass, RadarPass):
        return _write_radar(overpass, folder / RADAR_COLLECTION, seed, ground)
    product = render(ground, overpass, seed)
    target = folder / COLLECTION / overpass.item_id
    target.mkdir(exist_ok=True)
    half = coarse_grid(ground.transform)
    for band, numbers in product.bands.items():
        path = target / f"{band}.tif"
        at = ground.transform if numbers.shape[0] == ground.pixels else half
        _write_cog(path, numbers, at)
    _write_cog(target / "scl.tif", product.scl, half)
    footprint = _footprint(product.scl > 0, half)
    document = item_document(overpass, product, ground.transform, footprint)
    write_json(target / f"{overpass.item_id}.json", document)
    return overpass.item_id


def _write_radar(look: RadarPass, folder: Path, seed: int, ground: GroundModel) -> str:
    """Draw one radar product and write its files; the item comes last."""
    target = folder / look.item_id
    target.mkdir(exist_ok=True)
    for band, power in render_radar(ground, look, seed).items():
        _write_cog(target / f"{band}.tif", power, ground.transform, nodata=NODATA)
    document = radar_item(look, ground.pixels, ground.transform)
    write_json(target / f"{look.item_id}.json", document)
    return look.item_id


def _write_cog(
    path: Path,
    numbers: np.ndarray[tuple[int, int], np.dtype[np.generic]],
    at: Affine,
    nodata: float = 0,
) -> None:
    """Write one band as a cloud-optimised GeoTIFF of 128-pixel blocks."""
    with rasterio.open(
        path,
        "w",
        driver="COG",
        width=numbers.shape[1],
        height=numbers.shape[0],
        count=1,
        dtype=numbers.dtype,
        crs=f"EPSG:{EPSG}",
        transform=at,
        nodata=nodata,
        blocksize=128,
        compress="DEFLATE",
        predictor="YES" if numbers.dtype == np.uint16 else "NO",
        overviews="NONE",
    ) as file:
        file.write(numbers, 1)


def _footprint(
    covered: np.ndarray[tuple[int, int], np.dtype[np.bool_]], at: Affine
) -> BaseGeometry:
    """Outline of the covered ground, simplified to a pixel."""
    found = shapes(covered.astype(np.uint8), mask=covered, transform=at)
    return union_all([shape(outline) for outline, _ in found]).simplify(30.0)
