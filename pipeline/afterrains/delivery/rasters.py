"""Arrays to cloud-optimised GeoTIFFs.

Every file: DEFLATE (every reader of GeoTIFF has it), 512-pixel tiles, overviews down to one tile,
band names, units and meanings inside, north up on the analysis grid. Overviews are made band by
band: means that leave missing pixels out, or the nearest pixel where a mean would be no value.
The same arrays give the same bytes; no path, time or machine is written.

GeoTIFF has no place for category names. They go into the band's metadata inside the file, and into
a small side file `<name>.tif.aux.xml`, the one that GDAL and desktop programs read them from; a
file that travels without it keeps its pixels, colours and metadata.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import rasterio
from numpy.typing import NDArray
from odc.geo.geobox import GeoBox
from rasterio.enums import Resampling
from rasterio.errors import NotGeoreferencedWarning
from rasterio.io import MemoryFile
from rasterio.shutil import copy

from afterrains.delivery.atomic import write_bytes
from afterrains.delivery.products import Band, Product

__all__ = ["TILE", "write_cog", "write_product"]

TILE = 512
"""Side of a tile in pixels."""

_GDAL_TYPES = {"float32": "Float32", "uint8": "Byte"}
_RESAMPLING = {"average": Resampling.average, "nearest": Resampling.nearest}


def write_product(
    folder: Path,
    product: Product,
    block: str,
    season: str,
    values: NDArray[Any],
    geobox: GeoBox,
    *,
    programme_id: str,
    method: str,
    tags: Mapping[str, str] | None = None,
) -> Path:
    """Write one product of a block and season to its place in the output folder.

    Parameters
    ----------
    folder : Path
        The output folder.
    product : Product
        What the bands are.
    block, season : str
        Slugs that name the file.
    values : array, shape (band, y, x)
        In the product's type, or float64 for float32; missing is NaN in numbers, the product's
        nodata in uint8. Infinite values are refused.
    geobox : GeoBox
        The grid of the array.
    programme_id, method : str
        Written into the file, so that a map on its own says where it comes from.
    tags : mapping of str
        Further metadata, e.g. {"index": "ndvi"}.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    ValueError
        When shapes, types or values do not fit.
    OutputError
        When the disk does not take the file.
    """
    path = folder / product.path(block, season)
    own = {
        "programme": programme_id,
        "product": product.name,
        "title": product.title,
        "description": product.description,
        "block": block,
        "season": season,
        "method": method,
    }
    return write_cog(
        path,
        _as_type(values, product.dtype),
        geobox,
        bands=product.bands,
        nodata=product.nodata,
        tags={**own, **(tags or {})},
    )


def write_cog(
    path: Path,
    values: NDArray[Any],
    geobox: GeoBox,
    *,
    bands: Sequence[Band],
    nodata: float,
    tags: Mapping[str, str],
) -> Path:
    """Write an array as a cloud-optimised GeoTIFF, and its category names beside it if it has any.

    Parameters
    ----------
    path : Path
        The file.
    values : array, shape (band, y, x)
        float32 or uint8.
    geobox : GeoBox
        Its grid; any CRS and affine transform.
    bands : sequence of Band
        One for each band of the array. A single uint8 band with classes gets their colour table.
    nodata : float
        The value of missing pixels.
    tags : mapping of str
        Metadata of the whole file.

    Returns
    -------
    Path
        `path`.

    Raises
    ------
    ValueError
        When the array does not fit the grid, the bands or the types.
    OutputError
        When the disk does not take the file.
    """
    if values.ndim != 3 or values.shape != (len(bands), *geobox.shape):
        raise ValueError(
            f"{path.name}: the array has shape {values.shape}, and {len(bands)} bands on a grid "
            f"of {tuple(geobox.shape)} are meant"
        )
    if geobox.crs is None:
        raise ValueError(f"{path.name}: the grid has no CRS")
    if values.dtype.name not in _GDAL_TYPES:
        raise ValueError(f"{path.name}: {values.dtype} is not one of {', '.join(_GDAL_TYPES)}")
    if np.isinf(values).any():
        raise ValueError(f"{path.name}: holds infinite values")
    # A NaN has many bit patterns; one of them makes equal arrays equal files.
    if values.dtype == np.float32:
        values = np.where(np.isnan(values), np.float32(np.nan), values)
    write_bytes(path, _encoded(values, geobox, bands, nodata, tags))
    side = path.with_name(f"{path.name}.aux.xml")
    if any(band.classes for band in bands):
        write_bytes(side, _category_names(bands))
    else:
        side.unlink(missing_ok=True)
    return path


def _as_type(values: NDArray[Any], dtype: str) -> NDArray[Any]:
    """The array in the product's type where that loses nothing but float precision."""
    if dtype == "uint8" and values.dtype != np.uint8:
        raise ValueError(f"{values.dtype} values are no uint8")
    return np.ascontiguousarray(values, dtype=dtype)


def _encoded(
    values: NDArray[Any],
    geobox: GeoBox,
    bands: Sequence[Band],
    nodata: float,
    tags: Mapping[str, str],
) -> bytes:
    """The bytes of the GeoTIFF, built in memory."""
    with ExitStack() as open_files, rasterio.Env(GDAL_NUM_THREADS="1"), warnings.catch_warnings():
        # The layers and the recipe below need no place on Earth until the last step gives it.
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        places: dict[int, tuple[str, int]] = {}
        for method in _RESAMPLING:
            chosen = [i for i, band in enumerate(bands) if band.overview == method]
            if chosen:
                layer = _with_overviews(values[chosen], nodata, method)
                open_files.enter_context(layer)
                places |= {i: (layer.name, n + 1) for n, i in enumerate(chosen)}
        recipe = _virtual(values, geobox, bands, nodata, tags, places)
        out = open_files.enter_context(MemoryFile(ext=".tif"))
        with rasterio.open(recipe) as source:
            copy(
                source,
                out.name,
                driver="COG",
                COMPRESS="DEFLATE",
                PREDICTOR="YES",
                BLOCKSIZE=TILE,
                OVERVIEWS="FORCE_USE_EXISTING" if _factors(*geobox.shape) else "NONE",
                BIGTIFF="IF_SAFER",
            )
        return bytes(out.read())


def _with_overviews(values: NDArray[Any], nodata: float, method: str) -> MemoryFile:
    """Bands that share a resampling, in memory, with their overviews built by GDAL."""
    count, height, width = values.shape
    memory = MemoryFile(ext=".tif")
    with memory.open(
        driver="GTiff",
        dtype=values.dtype.name,
        count=count,
        height=height,
        width=width,
        nodata=nodata,
        tiled=True,
        blockxsize=TILE,
        blockysize=TILE,
    ) as layer:
        layer.write(values)
    factors = _factors(height, width)
    if factors:
        with rasterio.open(memory.name, "r+") as layer:
            layer.build_overviews(factors, _RESAMPLING[method])
    return memory


def _factors(height: int, width: int) -> list[int]:
    """Steps of the overviews: halved until one tile holds the whole."""
    steps: list[int] = []
    while max(height, width) > TILE * 2 ** len(steps):
        steps.append(2 ** (len(steps) + 1))
    return steps


def _virtual(
    values: NDArray[Any],
    geobox: GeoBox,
    bands: Sequence[Band],
    nodata: float,
    tags: Mapping[str, str],
    places: Mapping[int, tuple[str, int]],
) -> str:
    """GDAL's recipe (VRT) that joins the layers and says what the file and its bands are."""
    _, height, width = values.shape
    root = ElementTree.Element("VRTDataset", rasterXSize=str(width), rasterYSize=str(height))
    _leaf(root, "SRS", "" if geobox.crs is None else geobox.crs.to_wkt())
    _leaf(root, "GeoTransform", ",".join(repr(float(v)) for v in geobox.affine.to_gdal()))
    _metadata(root, tags)
    for i, band in enumerate(bands):
        node = ElementTree.SubElement(
            root, "VRTRasterBand", dataType=_GDAL_TYPES[values.dtype.name], band=str(i + 1)
        )
        name, source_band = places[i]
        _metadata(node, _band_tags(band))
        _leaf(node, "Description", band.name)
        _leaf(node, "UnitType", band.unit)
        _leaf(node, "NoDataValue", repr(float(nodata)))
        _leaf(node, "ColorInterp", _colour_meaning(band, values.dtype, len(bands)))
        if values.dtype == np.uint8 and len(bands) == 1 and band.classes:
            _colour_table(node, band)
        source = ElementTree.SubElement(node, "SimpleSource")
        _leaf(source, "SourceFilename", name, relativeToVRT="0")
        _leaf(source, "SourceBand", str(source_band))
        window = {"xOff": "0", "yOff": "0", "xSize": str(width), "ySize": str(height)}
        ElementTree.SubElement(source, "SrcRect", window)
        ElementTree.SubElement(source, "DstRect", window)
        for level in range(len(_factors(height, width))):
            # Directory 1 of the layer is the full grid, the next ones its overviews. Named one by
            # one because GDAL passes over the overviews of narrow layers otherwise.
            overview = ElementTree.SubElement(node, "Overview")
            _leaf(overview, "SourceFilename", f"GTIFF_DIR:{level + 2}:{name}", relativeToVRT="0")
            _leaf(overview, "SourceBand", str(source_band))
    return ElementTree.tostring(root, encoding="unicode")


def _leaf(parent: ElementTree.Element, tag: str, text: str, **attributes: str) -> None:
    ElementTree.SubElement(parent, tag, attributes).text = text


def _metadata(parent: ElementTree.Element, tags: Mapping[str, str]) -> None:
    node = ElementTree.SubElement(parent, "Metadata")
    for key, text in tags.items():
        _leaf(node, "MDI", text, key=key)


def _band_tags(band: Band) -> dict[str, str]:
    """What a band says of itself beyond its name and unit."""
    return {
        "long_name": band.description,
        **{f"class_{each.value}": each.name for each in band.classes},
    }


def _colour_meaning(band: Band, dtype: np.dtype[Any], count: int) -> str:
    """Palette for classes, the colour itself in pictures, else nothing but grey."""
    if dtype == np.uint8 and band.classes and count == 1:
        return "Palette"
    if dtype == np.uint8 and band.name in ("red", "green", "blue"):
        return band.name.capitalize()
    return "Gray" if count == 1 else "Undefined"


def _colour_table(parent: ElementTree.Element, band: Band) -> None:
    """Colours of the classes; every code between and above them is transparent."""
    colours = {each.value: (*each.colour, 255) for each in band.classes}
    table = ElementTree.SubElement(parent, "ColorTable")
    for value in range(256):
        parts = zip(("c1", "c2", "c3", "c4"), colours.get(value, (0, 0, 0, 0)), strict=True)
        ElementTree.SubElement(table, "Entry", {key: str(part) for key, part in parts})


def _category_names(bands: Sequence[Band]) -> bytes:
    """The side file with the classes' names, in GDAL's PAM layout."""
    root = ElementTree.Element("PAMDataset")
    for i, band in enumerate(bands):
        if not band.classes:
            continue
        node = ElementTree.SubElement(root, "PAMRasterBand", band=str(i + 1))
        names = ElementTree.SubElement(node, "CategoryNames")
        by_value = {each.value: each.name for each in band.classes}
        for value in range(max(by_value) + 1):
            _leaf(names, "Category", by_value.get(value, ""))
    ElementTree.indent(root)
    return (ElementTree.tostring(root, encoding="unicode") + "\n").encode()
