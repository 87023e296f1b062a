"""Windows of the rasters as small images inside the page.

Pictures of the ground become JPEG (a quarter to a tenth of the bytes of PNG for natural colour),
class maps become palette PNG. Both are written without any date or program name, so that equal
pixels give equal bytes.
"""

from __future__ import annotations

import base64
import io
import math
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import rasterio
from numpy.typing import NDArray
from PIL import Image
from rasterio.enums import Resampling
from rasterio.errors import RasterioError
from rasterio.windows import Window

from afterrains.delivery.page.palette import SLOPE_COLOURS
from afterrains.delivery.products import WOODY_CHANGE, ClassValue
from afterrains.errors import OutputError

__all__ = [
    "CHANGE_CLASSES",
    "SLOPE_BREAKS",
    "Bounds",
    "Inset",
    "Raster",
    "find_rasters",
    "open_raster",
]

SLOPE_BREAKS = (-0.01, -0.005, -0.002, 0.002, 0.005, 0.01)
"""NDVI a year between the classes of the trend map (common practice, no source)."""

CHANGE_CLASSES: tuple[ClassValue, ...] = WOODY_CHANGE.bands[2].classes
"""Classes of the map of woody change, with the colours that the raster itself has.

Purple, grey and green are classes of the diverging scheme PRGn, safe for colour-blind readers
(Harrower and Brewer 2003, as in `palette`)."""
_HATCH = 6
_HATCH_COLOUR = (60, 54, 46)
_NO_PICTURE = (214, 205, 190)  # ground outside the picture, in either theme
_JPEG_QUALITY = 80
_CACHE_MB = 8

Bounds = tuple[float, float, float, float]
"""West, south, east, north in the raster's CRS."""


@dataclass(frozen=True)
class Inset:
    """An image for the page and the ground that it shows."""

    uri: str
    bounds: Bounds


@dataclass(frozen=True)
class Raster:
    """An open raster, read window by window."""

    _file: rasterio.DatasetReader

    @property
    def crs(self) -> str:
        """The CRS as text that pyproj takes."""
        return str(self._file.crs.to_wkt())

    @property
    def bounds(self) -> Bounds:
        """The ground it covers."""
        west, south, east, north = self._file.bounds
        return west, south, east, north

    def picture(self, bounds: Bounds, longest_side: int) -> Inset:
        """Natural colour over `bounds`, at most `longest_side` pixels long."""
        window, covered = self._window(bounds)
        shape = _shrunk(window, longest_side)
        rgb = self._file.read(
            (1, 2, 3), window=window, out_shape=(3, *shape), resampling=Resampling.average
        )
        seen = self._file.dataset_mask(
            window=window, out_shape=shape, resampling=Resampling.nearest
        )
        pixels = np.moveaxis(rgb, 0, -1).astype("uint8")
        pixels[seen == 0] = _NO_PICTURE
        return Inset(_jpeg(pixels), covered)

    def trend(self, bounds: Bounds, longest_side: int) -> Inset:
        """Slope classes (band 1) over `bounds`; transparent where there is no slope."""
        window, covered = self._window(bounds)
        shape = _shrunk(window, longest_side)
        slope = self._file.read(
            1, window=window, out_shape=shape, resampling=Resampling.nearest, masked=True
        )
        return Inset(_class_png(slope.filled(np.nan)), covered)

    def change(self, bounds: Bounds, longest_side: int, cover: Raster | None = None) -> Inset:
        """Classes of woody change (band 3) over `bounds`; transparent where there is none.

        Ground that is unlike the model's training ground, by the last band of `cover` (a raster of
        woody cover on the same grid), is hatched.
        """
        window, covered = self._window(bounds)
        shape = _shrunk(window, longest_side)
        read = {"window": window, "out_shape": shape, "resampling": Resampling.nearest}
        classes = self._file.read(3, masked=True, **read).astype(float).filled(np.nan)
        outside = np.zeros(shape, dtype=bool)
        if cover is not None and cover._file.transform.almost_equals(self._file.transform):
            outside = cover._file.read(4, masked=True, **read).astype(float).filled(1.0) == 0
        times = max(1, longest_side // max(shape))
        return Inset(_change_png(classes, outside, times), covered)

    def _window(self, bounds: Bounds) -> tuple[Window, Bounds]:
        """Whole pixels that cover `bounds`, cut at the raster's rim, and their ground."""
        wanted = self._file.window(*bounds)
        left, top = max(0, math.floor(wanted.col_off)), max(0, math.floor(wanted.row_off))
        right = min(self._file.width, math.ceil(wanted.col_off + wanted.width))
        bottom = min(self._file.height, math.ceil(wanted.row_off + wanted.height))
        window = Window(left, top, right - left, bottom - top)
        west, south, east, north = self._file.window_bounds(window)
        return window, (west, south, east, north)


@contextmanager
def open_raster(path: Path) -> Iterator[Raster]:
    """Open a raster of the output folder; OutputError where it cannot be read."""
    try:
        # GDAL would keep what it decoded of a file, all bands of it; each window is read once.
        with rasterio.Env(GDAL_CACHEMAX=_CACHE_MB), rasterio.open(path) as file:
            yield Raster(file)
    except RasterioError as error:
        raise OutputError(
            f"{path}: cannot be read ({error}); run the programme again, which rewrites it"
        ) from error


def find_rasters(folder: Path, kind: str) -> dict[str, dict[str, Path]]:
    """`<folder>/rasters/<block>/<kind>_<season>.tif` as {block: {season: path}}, sorted."""
    pattern = re.compile(rf"{re.escape(kind)}_(?P<season>[0-9]{{4}}-[a-z0-9-]+)\.tif")
    found: dict[str, dict[str, Path]] = {}
    for path in sorted((folder / "rasters").glob(f"*/{kind}_*.tif")):
        match = pattern.fullmatch(path.name)
        if match:
            found.setdefault(path.parent.name, {})[match["season"]] = path
    return found


def _shrunk(window: Window, longest_side: int) -> tuple[int, int]:
    """Rows and columns of the window, brought down to `longest_side`."""
    share = min(1.0, longest_side / max(window.width, window.height))
    return max(1, round(window.height * share)), max(1, round(window.width * share))


def _jpeg(pixels: NDArray[np.uint8]) -> str:
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "JPEG", quality=_JPEG_QUALITY, optimize=True)
    return _data_uri("image/jpeg", buffer.getvalue())


def _change_png(classes: NDArray[np.floating], outside: NDArray[np.bool_], times: int) -> str:
    """Classes as a palette image, each pixel `times` as large; index 0 is transparent."""
    codes = [each.value for each in CHANGE_CLASSES]
    index = np.zeros(classes.shape, dtype="uint8")
    for at, code in enumerate(codes, start=1):
        index[classes == code] = at
    index, outside = (
        np.kron(each, np.ones((times, times), each.dtype)) for each in (index, outside)
    )
    rows, columns = np.indices(index.shape)
    index[outside & ((rows + columns) % _HATCH < _HATCH / 3)] = len(codes) + 1
    image = Image.fromarray(index).convert("P")
    colours = [each.colour for each in CHANGE_CLASSES]
    image.putpalette([0, 0, 0, *(part for each in [*colours, _HATCH_COLOUR] for part in each)])
    buffer = io.BytesIO()
    image.save(buffer, "PNG", transparency=0, optimize=True, bits=4)
    return _data_uri("image/png", buffer.getvalue())


def _class_png(slope: NDArray[np.floating]) -> str:
    """Slopes as a palette image; index 0 is transparent."""
    classes = np.digitize(slope, SLOPE_BREAKS).astype("uint8") + 1
    classes[~np.isfinite(slope)] = 0
    image = Image.fromarray(classes).convert("P")
    colours = [0, 0, 0, *(int(c[i : i + 2], 16) for c in SLOPE_COLOURS for i in (1, 3, 5))]
    image.putpalette(colours)
    buffer = io.BytesIO()
    image.save(buffer, "PNG", transparency=0, optimize=True, bits=4)
    return _data_uri("image/png", buffer.getvalue())


def _data_uri(kind: str, data: bytes) -> str:
    return f"data:{kind};base64,{base64.b64encode(data).decode('ascii')}"
