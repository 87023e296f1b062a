"""The ground of the benchmark: scenes of 10 980 pixels, and polygons strewn over them.

Numbers are smooth ground with noise of 55 units, which DEFLATE cannot take away: a block of 512 x
512 takes about 230 kB, as reflectance of dry ground does. Only blocks that some reader may touch
are written (those under a polygon and their eight neighbours); the rest stay sparse.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import rasterio
import shapely
from affine import Affine
from rasterio.windows import Window

SIDE, BLOCK, PIXEL_M = 10_980, 512, 10.0
LEFT, TOP, CRS = 600_000.0, 1_700_040.0, "EPSG:32630"
BANDS = ("blue", "green", "red", "nir", "swir16", "swir22")
DATES = ("2021-01-05", "2021-01-10", "2021-01-15", "2021-01-20")
POLYGONS = 60
_NOISE = 55


@dataclass(frozen=True)
class Ground:
    """A folder of scenes `<date>/<band>.tif` and the polygons to be read from them."""

    folder: Path
    polygons: tuple[shapely.Polygon, ...]

    def windows(self) -> list[Window]:
        """The whole pixels of the scenes' grid that hold each polygon."""
        found = []
        for polygon in self.polygons:
            west, south, east, north = polygon.bounds
            x0, y0 = math.floor((west - LEFT) / PIXEL_M), math.floor((TOP - north) / PIXEL_M)
            x1, y1 = math.ceil((east - LEFT) / PIXEL_M), math.ceil((TOP - south) / PIXEL_M)
            found.append(Window(x0, y0, x1 - x0, y1 - y0))
        return found


def transform() -> Affine:
    """Of every scene."""
    return Affine(PIXEL_M, 0, LEFT, 0, -PIXEL_M, TOP)


def lay_ground(folder: Path, *, seed: int = 20) -> Ground:
    """The ground in `folder`, written there on first use (about a minute and 2 GB)."""
    rng = np.random.default_rng(seed)
    polygons = []
    for _ in range(POLYGONS):
        radius_m = math.sqrt(rng.uniform(5, 50) * 1e4 / math.pi)
        x, y = rng.uniform(radius_m + 100, SIDE * PIXEL_M - radius_m - 100, 2)
        corners = np.linspace(0, 2 * np.pi, 12, endpoint=False)
        away = radius_m * rng.uniform(0.8, 1.15, corners.size)
        polygons.append(
            shapely.Polygon(
                np.column_stack(
                    [LEFT + x + away * np.cos(corners), TOP - y + away * np.sin(corners)]
                )
            )
        )
    ground = Ground(folder, tuple(polygons))
    for date in DATES:
        for band in BANDS:
            path = folder / date / f"{band}.tif"
            if not path.exists():
                _write(path, _blocks_near(ground.windows()), rng)
    return ground


def _blocks_near(windows: list[Window]) -> list[tuple[int, int]]:
    last = math.ceil(SIDE / BLOCK) - 1
    near = set()
    for window in windows:
        for row in range(
            window.row_off // BLOCK - 1, (window.row_off + window.height) // BLOCK + 2
        ):
            for column in range(
                window.col_off // BLOCK - 1, (window.col_off + window.width) // BLOCK + 2
            ):
                if 0 <= row <= last and 0 <= column <= last:
                    near.add((row, column))
    return sorted(near)


def _write(path: Path, blocks: list[tuple[int, int]], rng: np.random.Generator) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    draft = path.with_suffix(".draft")
    slope = np.add.outer(np.arange(BLOCK), np.arange(BLOCK)) / 2
    noise = rng.normal(0, _NOISE, (BLOCK * 2, BLOCK * 2))
    with rasterio.open(
        draft,
        "w",
        driver="GTiff",
        width=SIDE,
        height=SIDE,
        count=1,
        dtype="uint16",
        crs=CRS,
        transform=Affine(PIXEL_M, 0, LEFT, 0, -PIXEL_M, TOP),
        nodata=0,
        tiled=True,
        blockxsize=BLOCK,
        blockysize=BLOCK,
        compress="deflate",
        predictor=2,
        zlevel=1,
        sparse_ok=True,
    ) as file:
        for row, column in blocks:
            y, x = rng.integers(0, BLOCK, 2)
            numbers = 2000 + slope + noise[y : y + BLOCK, x : x + BLOCK]
            height, width = (min(BLOCK, SIDE - place * BLOCK) for place in (row, column))
            file.write(
                numbers[:height, :width].astype(np.uint16),
                1,
                window=Window(column * BLOCK, row * BLOCK, width, height),
            )
    draft.replace(path)
