"""Windows of a remote file, filled block by block as the blocks come, from many threads."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rasterio.windows import Window
from rasterio.windows import transform as window_transform

from afterrains.scenes.decode import Coding, decode_block
from afterrains.scenes.directory import Plan
from afterrains.scenes.remote import Pulled
from afterrains.scenes.windows import WindowReading

__all__ = ["Filled"]


@dataclass(frozen=True)
class Filled:
    """Windows that blocks are put into as they come."""

    coding: Coding
    height: int
    windows: Sequence[Window | None]
    readings: list[WindowReading | None]

    @classmethod
    def of(cls, plan: Plan) -> Filled:
        """Empty windows; blocks that the file leaves out hold its fill value, else 0."""
        grid, nodata, coding = plan.directory.grid, plan.directory.nodata, plan.directory.coding
        native = coding.dtype.newbyteorder("=")
        readings = [
            None
            if window is None
            else WindowReading(
                np.full((window.height, window.width), _fill(nodata, native), native),
                window_transform(window, grid.transform),
                grid.crs,
                nodata,
            )
            for window in plan.windows
        ]
        return cls(coding, grid.height, plan.windows, readings)

    def take(self, pulled: Pulled) -> None:
        """Put a block's pixels where windows want them."""
        block = pulled.block
        rows, columns = self.coding.block
        top, left = block.row * rows, block.column * columns
        bottom, right = min(top + rows, self.height), left + columns
        wanted = [
            (window, reading.numbers)
            for window, reading in zip(self.windows, self.readings, strict=True)
            if window is not None
            and reading is not None
            and window.row_off < bottom
            and window.row_off + window.height > top
            and window.col_off < right
            and window.col_off + window.width > left
        ]
        y0 = max(top, min(window.row_off for window, _ in wanted))
        y1 = min(bottom, max(window.row_off + window.height for window, _ in wanted))
        wanted_rows = slice(y0 - top, y1 - top)
        whole = not pulled.vouched
        values = decode_block(pulled.raw, self.coding, bottom - top, wanted_rows, whole=whole)
        for window, numbers in wanted:
            _paste(values, (y0, left), numbers, (window.row_off, window.col_off))


def _paste(
    values: NDArray[Any], place: tuple[int, int], out: NDArray[Any], corner: tuple[int, int]
) -> None:
    """Copy where two patches of one grid overlap; `place` and `corner` are their first pixels."""
    taken, put = [], []
    for axis in (0, 1):
        low = max(place[axis], corner[axis])
        high = min(place[axis] + values.shape[axis], corner[axis] + out.shape[axis])
        taken.append(slice(low - place[axis], high - place[axis]))
        put.append(slice(low - corner[axis], high - corner[axis]))
    out[tuple(put)] = values[tuple(taken)]


def _fill(nodata: float | None, dtype: np.dtype[Any]) -> float:
    """What GDAL puts where a block is left out: the fill value as far as the type holds it."""
    if nodata is None or dtype.kind == "f":
        return nodata or 0.0
    if np.isnan(nodata):
        return 0
    info = np.iinfo(dtype)
    return int(min(max(round(nodata), info.min), info.max))
