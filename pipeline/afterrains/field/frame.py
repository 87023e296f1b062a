"""The ground that visits are drawn from: every pixel whose centre lies in a site of the results.

A pixel carries its site and the class that the map gives it. Where a woody-cover model was used
the map is `woody_change` of the judged season; else the verdicts are the map: all ground of a site
with the verdict gain counts as mapped `more`, of a loss as `less`, all other ground, controls
included, as `unchanged`.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import rasterio
import rasterio.features
import shapely
from numpy.typing import NDArray

from afterrains.delivery.products import DRY_GREENNESS, GREENNESS_TREND, WOODY_CHANGE
from afterrains.delivery.table_files import read_csv
from afterrains.delivery.tables import CONTROLS, VERDICTS
from afterrains.errors import OutputError

__all__ = ["MAP_CLASSES", "NO_MAP", "Frame", "read_frame"]

MAP_CLASSES = tuple(each.name for each in WOODY_CHANGE.bands[2].classes)
"""unchanged, more, less; their place is their code in the raster."""
NO_MAP = "unmapped"
"""Ground on which the map says nothing."""
_CLASS_BAND = 3
_OF_VERDICT = {"gain": "more", "loss": "less"}
_MEND = "run the programme first: afterrains run"


@dataclass(frozen=True)
class Frame:
    """The pixels of all sites, as parallel arrays, and what is known of the sites."""

    season: str
    """The season judged."""
    map_from: str
    """`woody_change` or `verdict`."""
    sites: pd.DataFrame
    """Sorted by site_id: site_id, role, name, stratum, area_ha, verdict ("" of controls), used_by
    (sown sites that rest on a control), x, y (of a point inside, analysis CRS)."""
    site: NDArray[np.intp]
    """Of each pixel: the row of its site."""
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    """Centre in the analysis CRS, metres."""
    map_class: NDArray[np.str_]
    pixel_ha: float
    crs: str
    unplaced: tuple[str, ...]
    """Sites without any pixel on the rasters."""

    def lon_lat(
        self, x: NDArray[np.float64], y: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Places in degrees, WGS 84."""
        to_degrees = pyproj.Transformer.from_crs(self.crs, "EPSG:4326", always_xy=True)
        lon, lat = to_degrees.transform(x, y)
        return np.asarray(lon), np.asarray(lat)


@dataclass(frozen=True)
class _Block:
    """The raster of one patch of ground."""

    path: Path
    transform: Any
    shape: tuple[int, int]
    outline: Any


def read_frame(folder: Path) -> Frame:
    """Read the ground of a finished run.

    Parameters
    ----------
    folder : Path
        The output folder (`<output>/<programme id>`).

    Raises
    ------
    OutputError
        Where the folder holds no finished run.
    """
    verdicts = read_csv(VERDICTS, folder)
    season = str(verdicts["as_of"].max()) if len(verdicts) else ""
    layer = _sites(folder, verdicts)
    paths, map_from = _rasters(folder, season)
    blocks, crs, pixel_ha = _blocks(paths)
    shapes = layer.to_crs(crs)
    parts = []
    for block, members in _shared_out(shapes, blocks):
        parts.append(_pixels(block, members, layer, map_from))
    site, x, y, map_class = (np.concatenate(each) for each in zip(*parts, strict=True))
    inside = shapes.geometry.representative_point()
    sites = pd.DataFrame(layer.drop(columns="geometry")).assign(
        x=inside.x.to_numpy(), y=inside.y.to_numpy()
    )
    missing = sorted(set(range(len(sites))) - set(site.tolist()))
    return Frame(
        season=season,
        map_from=map_from,
        sites=sites,
        site=site,
        x=x,
        y=y,
        map_class=map_class,
        pixel_ha=pixel_ha,
        crs=crs,
        unplaced=tuple(sites["site_id"].iloc[missing]),
    )


def _sites(folder: Path, verdicts: pd.DataFrame) -> gpd.GeoDataFrame:
    """Sites with their verdict; sown ones first where two overlap."""
    path = folder / "sites.geojson"
    try:
        layer = gpd.read_file(path)
    except Exception as error:
        # pyogrio raises errors of its own for each way in which a file can be wrong.
        raise OutputError(f"{path}: cannot be read ({error}); {_MEND}") from error
    layer["site_id"] = layer["site_id"].astype(str)
    for text in ("name", "stratum"):
        layer[text] = layer[text].fillna("").astype(str)
    layer = layer[~(layer.geometry.is_empty | layer.geometry.isna())]
    used = pd.Series(dtype="int64")
    if (folder / CONTROLS.file).is_file():
        used = read_csv(CONTROLS, folder).set_index("site_id")["used_by"]
    layer["used_by"] = layer["site_id"].map(used).fillna(0).astype("int64")
    verdict = verdicts.set_index("site_id")["verdict"]
    layer["verdict"] = layer["site_id"].map(verdict).fillna("").astype(str)
    columns = ["site_id", "role", "name", "stratum", "area_ha", "verdict", "used_by", "geometry"]
    return layer[columns].sort_values("site_id", ignore_index=True)


def _rasters(folder: Path, season: str) -> tuple[list[Path], str]:
    """The map of change of the season, else any raster on the same grid."""
    for product, map_from in (
        (WOODY_CHANGE, "woody_change"),
        (DRY_GREENNESS, "verdict"),
        (GREENNESS_TREND, "verdict"),
    ):
        name = product.path("block", season).name if season else ""
        found = sorted((folder / "rasters").glob(f"*/{name}")) if name else []
        if found:
            return found, map_from
    raise OutputError(f"{folder / 'rasters'}: holds no raster of the judged season; {_MEND}")


def _blocks(paths: list[Path]) -> tuple[list[_Block], str, float]:
    """Grid of each raster; their one CRS and pixel size."""
    blocks, crs, pixel_ha = [], "", 0.0
    for path in paths:
        try:
            with rasterio.open(path) as opened:
                outline = shapely.box(*opened.bounds)
                blocks.append(_Block(path, opened.transform, opened.shape, outline))
                crs, pixel_ha = opened.crs.to_wkt(), abs(opened.transform.determinant) / 10_000
        except rasterio.errors.RasterioIOError as error:
            raise OutputError(f"{path}: cannot be read ({error}); {_MEND}") from error
    return blocks, crs, pixel_ha


def _shared_out(shapes: gpd.GeoDataFrame, blocks: list[_Block]) -> list[tuple[_Block, list[Any]]]:
    """Each site with the first block that holds most of it, so that no pixel counts twice."""
    members: list[list[Any]] = [[] for _ in blocks]
    # Sown ground is drawn last, over a control that it overlaps.
    order = shapes.assign(row=np.arange(len(shapes))).sort_values("role")
    for shape, row in zip(order.geometry, order["row"], strict=True):
        shares = [shape.intersection(block.outline).area for block in blocks]
        if max(shares, default=0) > 0:
            members[int(np.argmax(shares))].append((shape, int(row)))
    return [(block, each) for block, each in zip(blocks, members, strict=True) if each]


def _pixels(
    block: _Block, members: list[Any], layer: gpd.GeoDataFrame, map_from: str
) -> tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64], NDArray[np.str_]]:
    """Site, place and map class of the pixels of one block."""
    numbered = [(shape, row + 1) for shape, row in members]
    of_site = rasterio.features.rasterize(
        numbered, out_shape=block.shape, transform=block.transform, fill=0, dtype="int32"
    )
    rows, columns = np.nonzero(of_site)
    site = of_site[rows, columns].astype(np.intp) - 1
    x, y = block.transform * (columns + 0.5, rows + 0.5)
    if map_from == "woody_change":
        with rasterio.open(block.path) as opened:
            codes = opened.read(_CLASS_BAND)[rows, columns]
        names = np.full(rows.size, NO_MAP, dtype="<U16")
        for code, name in enumerate(MAP_CLASSES):
            names[codes == code] = name
    else:
        classes = layer["verdict"].map(_OF_VERDICT).fillna("unchanged").to_numpy(dtype="<U16")
        names = classes[site]
    return site, np.asarray(x, np.float64), np.asarray(y, np.float64), names
