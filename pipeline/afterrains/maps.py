"""The rasters of one block of ground, from its finished seasons. One task for each cell."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from afterrains.cellwork import OUTCOME_LAYER, load_composites
from afterrains.delivery.products import (
    DRY_GREENNESS,
    GREENNESS_TREND,
    PICTURE,
    Product,
    season_code,
)
from afterrains.delivery.rasters import write_product
from afterrains.delivery.stac import RasterFile
from afterrains.ledger import Ledger
from afterrains.scenes import Cell
from afterrains.signals.breaks import level_step
from afterrains.signals.season_values import LATE_DAYS
from afterrains.signals.trend import decimal_years, slope_and_test

__all__ = ["DrySeason", "MapTask", "draw", "to_picture"]

# Dry, bright sand reflects about 0.4 in red; one stretch for all seasons keeps pictures comparable.
_WHITE_REFLECTANCE = 0.4
_GAMMA = 1.3
_LEAST_SEASONS = 5
_PICTURE_BANDS = ("red", "green", "blue")


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

    for dry in task.seasons:
        composites = load_composites(ledger, dry.key)
        # The judged days, not all of the season: a record that starts in mid-season then counts.
        median = composites[f"late_{OUTCOME_LAYER}_median"]
        medians.append(median)
        values = np.stack([median, composites["late_count"].astype(np.float32)])
        write(
            DRY_GREENNESS, dry, values, f"median over the clear dates of the last {LATE_DAYS} days"
        )
        if all(f"{band}_median" in composites for band in _PICTURE_BANDS):
            picture = np.stack([composites[f"{band}_median"] for band in _PICTURE_BANDS])
            method = f"reflectance 0 to {_WHITE_REFLECTANCE}, gamma {_GAMMA}"
            write(PICTURE, dry, to_picture(picture), method)
    newest = task.seasons[-1]
    trend = _trend(np.stack(medians), task.seasons)
    method = "Theil-Sen slope, Mann-Kendall test of independent seasons, strongest step"
    write(GREENNESS_TREND, newest, trend, method)
    return tuple(written)


def to_picture(reflectance: NDArray[np.floating]) -> NDArray[np.uint8]:
    """Reflectance (3, y, x; 0-1, NaN missing) as 1-255 for the eye, 0 where missing."""
    seen = np.isfinite(reflectance).all(axis=0)
    level = np.clip(np.where(seen, reflectance, 0) / _WHITE_REFLECTANCE, 0, 1) ** (1 / _GAMMA)
    return np.where(seen, 1 + np.rint(level * 254), 0).astype(np.uint8)


def _trend(cube: NDArray[np.floating], seasons: tuple[DrySeason, ...]) -> NDArray[Any]:
    """Slope, p-value, number of seasons and season of the strongest break, (4, y, x)."""
    years = decimal_years(np.array([dry.middle for dry in seasons], dtype="datetime64[D]"))
    series = np.ascontiguousarray(np.moveaxis(cube, 0, -1))
    slope, p_value, count = slope_and_test(series, years, min_valid=_LEAST_SEASONS)
    at = level_step(series).first_after
    codes = np.array([season_code(dry.season) for dry in seasons], dtype=np.float32)
    breaks = np.where(at >= 0, codes[np.clip(at, 0, None)], np.nan)
    return np.stack([slope, p_value, count.astype(np.float32), breaks.astype(np.float32)])
