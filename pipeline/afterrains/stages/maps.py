"""The rasters of one block of ground, from its finished seasons. One task for each cell."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from afterrains.delivery.products import (
    DRY_GREENNESS,
    GREENNESS_TREND,
    PICTURE,
    Product,
    season_code,
)
from afterrains.delivery.rasters import write_product
from afterrains.delivery.stac import RasterFile
from afterrains.scenes import Cell
from afterrains.signals.breaks import level_step
from afterrains.signals.patches import classes
from afterrains.signals.season_values import LATE_DAYS
from afterrains.signals.trend import decimal_years, slope_and_test
from afterrains.stages.cellwork import load_composites
from afterrains.stages.freed import give_back
from afterrains.stages.ledger import Ledger
from afterrains.stages.stacks import MAP_COMPOSITES, OUTCOME_LAYER, PICTURE_BANDS

__all__ = ["DrySeason", "MapTask", "draw", "to_picture", "trend_layers"]

# Dry, bright sand reflects about 0.4 in red; one stretch for all seasons keeps pictures comparable.
_WHITE_REFLECTANCE = 0.4
_GAMMA = 1.3
_LEAST_SEASONS = 5


@dataclass(frozen=True)
class DrySeason:
    """A complete dry season of a cell whose work is done."""

    season: str
    start: date
    end: date
    key: str

    @property
    def middle(self) -> date:
        """The day that stands for the season in a trend."""
        return self.start + (self.end - self.start) // 2


@dataclass(frozen=True)
class MapTask:
    """A cell with its complete dry seasons, oldest first."""

    cell: Cell
    seasons: tuple[DrySeason, ...]
    programme_id: str


def draw(task: MapTask, ledger: Ledger, output: Path) -> tuple[RasterFile, ...]:
    """Write the cell's dry-season greenness and picture of each season, and the trend.

    Raises
    ------
    OutputError
        If the disk does not take a file.
    """
    if not task.seasons:
        return ()
    written: list[RasterFile] = []
    medians = []
    block, box = task.cell.cell_id, task.cell.geobox

    def write(product: Product, dry: DrySeason, values: NDArray[Any], method: str) -> None:
        write_product(
            output, product, block, dry.season, values, box,
            programme_id=task.programme_id, method=method, tags={"index": OUTCOME_LAYER},
        )  # fmt: skip
        written.append(RasterFile(product, block, dry.season, box, dry.start, dry.end))

    # The judged days, not all of the season: a record that starts in mid-season then counts.
    greenness = f"late_{OUTCOME_LAYER}_median"
    for dry in task.seasons:
        composites = load_composites(ledger, dry.key, MAP_COMPOSITES)
        median = composites[greenness]
        medians.append(median)
        values = np.stack([median, composites["late_count"].astype(np.float32)])
        write(
            DRY_GREENNESS, dry, values, f"median over the clear dates of the last {LATE_DAYS} days"
        )
        if all(f"{band}_median" in composites for band in PICTURE_BANDS):
            picture = np.stack([composites[f"{band}_median"] for band in PICTURE_BANDS])
            method = f"reflectance 0 to {_WHITE_REFLECTANCE}, gamma {_GAMMA}"
            write(PICTURE, dry, to_picture(picture), method)
    newest = task.seasons[-1]
    years = decimal_years(np.array([dry.middle for dry in task.seasons], dtype="datetime64[D]"))
    codes = np.array([season_code(dry.season) for dry in task.seasons])
    trend = trend_layers(np.stack(medians), years, codes)
    method = (
        "Theil-Sen slope, Mann-Kendall test of independent seasons; strongest step against the "
        "block's median of each season, FDR 5 % over pixels"
    )
    write(GREENNESS_TREND, newest, trend, method)
    give_back()
    return tuple(written)


def to_picture(reflectance: NDArray[np.floating]) -> NDArray[np.uint8]:
    """Reflectance (3, y, x; 0-1, NaN missing) as 1-255 for the eye, 0 where missing."""
    seen = np.isfinite(reflectance).all(axis=0)
    level = np.clip(np.where(seen, reflectance, 0) / _WHITE_REFLECTANCE, 0, 1) ** (1 / _GAMMA)
    return np.where(seen, 1 + np.rint(level * 254), 0).astype(np.uint8)


def trend_layers(
    cube: NDArray[np.floating], years: NDArray[np.float64], codes: NDArray[np.floating]
) -> NDArray[np.float32]:
    """The bands of the trend raster from a block's dry seasons.

    Parameters
    ----------
    cube : array, shape (season, y, x)
        Dry-season greenness, oldest first; NaN where not seen.
    years : array, shape (season,)
        Decimal years.
    codes : array, shape (season,)
        What stands for each season in a band.

    Returns
    -------
    array, shape (5, y, x)
        Slope per year, p-value and number of seasons of the greenness as it is; season and class of
        the strongest step of the greenness less the block's median of the season, so that a dry
        or a wet year, which all ground shares, is no step. A step that a straight line explains
        better is none. NaN where there are too few seasons.
    """
    series = np.ascontiguousarray(np.moveaxis(cube, 0, -1))
    slope, p_value, count = slope_and_test(series, years, min_valid=_LEAST_SEASONS)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a season in which nothing was seen
        shared = np.nanmedian(cube.reshape(len(cube), -1), axis=1)
    found = level_step(series - shared.astype(series.dtype))
    known = found.first_after >= 0
    season = np.where(known, codes[np.clip(found.first_after, 0, None)], np.nan)
    step_p = np.where(found.beats_line | ~known, found.p_value, 1.0)
    kind = classes(step_p, found.shift)
    layers = (slope, p_value, count, season, kind)
    return np.stack([np.asarray(layer, np.float32) for layer in layers])
