"""GDAL's own words for a raster: the recipe (VRT) that joins layers, and the side file of names.

Only text is made here; `rasters` has GDAL read it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any
from xml.etree import ElementTree

import numpy as np
from numpy.typing import NDArray
from odc.geo.geobox import GeoBox

from afterrains.delivery.products import Band

__all__ = ["TILE", "category_names", "overview_factors", "recipe_of"]

TILE = 512
"""Side of a tile in pixels."""

_GDAL_TYPES = {"float32": "Float32", "uint8": "Byte"}


def overview_factors(height: int, width: int) -> list[int]:
    """Steps of the overviews: halved until one tile holds the whole."""
    steps: list[int] = []
    while max(height, width) > TILE * 2 ** len(steps):
        steps.append(2 ** (len(steps) + 1))
    return steps


def recipe_of(
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
        for level in range(len(overview_factors(height, width))):
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
    """Colours of the classes; TIFF has 256 of them, and every code that is no class is black."""
    colours = {each.value: each.colour for each in band.classes}
    table = ElementTree.SubElement(parent, "ColorTable")
    for value in range(256):
        parts = zip(("c1", "c2", "c3"), colours.get(value, (0, 0, 0)), strict=True)
        ElementTree.SubElement(table, "Entry", {key: str(part) for key, part in parts})


def category_names(bands: Sequence[Band]) -> bytes:
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
