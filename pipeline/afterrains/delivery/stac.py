"""The catalogue of the rasters: `catalog.json` and one item for each block and season.

STAC 1.1, self-contained: every link is relative, so that the folder can be moved, zipped or put on
any web server. Bands, units and classes come from the same definitions that the rasters are
written by; the grid is told with the fields of the projection extension.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from itertools import groupby
from pathlib import Path
from typing import Any

import geopandas as gpd
import pystac
from odc.geo.geobox import GeoBox
from shapely.geometry.base import BaseGeometry

from afterrains.delivery.atomic import write_json
from afterrains.delivery.geojson import DECIMALS, plain_geometry
from afterrains.delivery.products import PICTURE, Band, Product

__all__ = ["CLASSIFICATION", "PROJECTION", "RASTER", "RasterFile", "write_catalog"]

PROJECTION = "https://stac-extensions.github.io/projection/v2.0.0/schema.json"
RASTER = "https://stac-extensions.github.io/raster/v2.0.0/schema.json"
CLASSIFICATION = "https://stac-extensions.github.io/classification/v2.0.0/schema.json"


@dataclass(frozen=True)
class RasterFile:
    """One raster that was written: what, where, of which season."""

    product: Product
    block: str
    season: str
    geobox: GeoBox
    start: date
    """First day of the season."""
    end: date
    """Last day of the season, inclusive."""


def write_catalog(
    folder: Path, rasters: Iterable[RasterFile], *, programme_id: str, title: str
) -> Path:
    """Write the catalogue of an output folder.

    Parameters
    ----------
    folder : Path
        The output folder; the rasters lie in it where their products say.
    rasters : iterable of RasterFile
        Every raster of the results, in any order; rasters of one block and season share a grid.
    programme_id : str
        Names the catalogue.
    title : str
        The programme's name.

    Returns
    -------
    Path
        `folder/catalog.json`. Items lie beside their rasters as `rasters/<block>/<season>.json`.

    Raises
    ------
    ValueError
        When rasters of one block and season lie on different grids, or one is named twice.
    OutputError
        When the disk does not take a file.
    """
    catalog = pystac.Catalog(
        id=programme_id,
        title=title,
        description="Maps of each block of ground and season. Greening is not trees; read the "
        "report's cautions before using a map on its own.",
        catalog_type=pystac.CatalogType.SELF_CONTAINED,
    )
    # A root of its own keeps the machine's paths out of every link.
    catalog.set_self_href("/catalog.json")
    ordered = sorted(rasters, key=lambda file: (file.block, file.start, file.season))
    for (block, season), files in groupby(ordered, key=lambda file: (file.block, file.season)):
        assets = sorted(files, key=lambda file: file.product.name)
        item = _item(block, season, assets)
        item.set_root(catalog)
        item.set_parent(catalog)
        place = f"/rasters/{block}/{season}.json"
        item.set_self_href(place)
        # Only now: an item that is given a new place rewrites the assets it has.
        for file in assets:
            item.add_asset(file.product.name, _asset(file))
        write_json(folder / place.lstrip("/"), item.to_dict(include_self_link=False))
        # By its place: thousands of items that the catalogue held would be a tenth of a process.
        catalog.add_link(pystac.Link(pystac.RelType.ITEM, place, pystac.MediaType.GEOJSON))
    return write_json(folder / "catalog.json", catalog.to_dict(include_self_link=False))


def _item(block: str, season: str, files: list[RasterFile]) -> pystac.Item:
    """One block of ground in one season, still without its rasters."""
    first = files[0]
    if any(file.geobox != first.geobox for file in files):
        raise ValueError(f"{block}, {season}: the rasters lie on different grids")
    if len({file.product.name for file in files}) != len(files):
        raise ValueError(f"{block}, {season}: a raster is named twice")
    footprint = _footprint(first.geobox)
    extensions = [PROJECTION, RASTER]
    if any(band.classes for file in files for band in file.product.bands):
        extensions.append(CLASSIFICATION)
    return pystac.Item(
        id=f"{block}_{season}",
        geometry=plain_geometry(footprint),
        bbox=[round(float(value), DECIMALS) for value in footprint.bounds],
        datetime=None,
        start_datetime=datetime.combine(first.start, time(), UTC),
        end_datetime=datetime.combine(first.end, time(23, 59, 59), UTC),
        properties={"title": f"Block {block}, season {season}", **_grid(first.geobox)},
        stac_extensions=extensions,
    )


def _footprint(geobox: GeoBox) -> BaseGeometry:
    """The grid's outline in degrees; the blocks are small enough for straight edges."""
    outline = gpd.GeoSeries([geobox.extent.geom], crs=str(geobox.crs))
    degrees: BaseGeometry = outline.to_crs("EPSG:4326").iloc[0]
    return degrees


def _grid(geobox: GeoBox) -> dict[str, Any]:
    """The grid in the fields of the projection extension."""
    crs = geobox.crs
    if crs is None:
        raise ValueError("the grid has no CRS")
    code = crs.to_epsg()
    box = geobox.extent.boundingbox
    return {
        "proj:code": None if code is None else f"EPSG:{code}",
        **({"proj:wkt2": crs.to_wkt()} if code is None else {}),
        "proj:shape": [int(size) for size in geobox.shape],
        "proj:transform": [float(value) for value in list(geobox.affine)[:6]],
        "proj:bbox": [float(value) for value in (box.left, box.bottom, box.right, box.top)],
    }


def _asset(file: RasterFile) -> pystac.Asset:
    """One raster file; the catalogue never holds its path on this machine."""
    product = file.product
    resolution = abs(float(file.geobox.resolution.x))
    return pystac.Asset(
        href=f"./{product.path(file.block, file.season).name}",
        title=product.title,
        description=product.description,
        media_type=pystac.MediaType.COG,
        roles=["visual"] if product is PICTURE else ["data"],
        extra_fields={
            "data_type": product.dtype,
            "nodata": "nan" if math.isnan(product.nodata) else product.nodata,
            "raster:spatial_resolution": resolution,
            "bands": [_band(band) for band in product.bands],
        },
    )


def _band(band: Band) -> dict[str, Any]:
    """One band in the fields of STAC's common metadata and the classification extension."""
    fields: dict[str, Any] = {"name": band.name, "description": band.description}
    if band.unit:
        fields["unit"] = band.unit
    if band.classes:
        fields["classification:classes"] = [
            {
                "value": each.value,
                "name": each.name,
                "description": each.description,
                "color_hint": "".join(f"{part:02X}" for part in each.colour),
            }
            for each in band.classes
        ]
    return fields
