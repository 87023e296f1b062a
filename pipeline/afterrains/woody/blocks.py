"""A model over ground of any size, block by block, so that memory is that of one block.

Composites are asked for with the halo that neighbourhood features need and the halo is cut off
again, so the blocks meet without seams.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from numpy.typing import NDArray

from afterrains.woody.features import FEATURES, feature_stack
from afterrains.woody.model import LEVEL, Prediction, WoodyModel, predict

__all__ = ["BlockPrediction", "CompositesIn", "predict_blocks"]

CompositesIn = Callable[[slice, slice], Mapping[str, NDArray[Any]]]
"""Takes rows and columns of the whole grid; gives that window's composites of a dry season."""


@dataclass(frozen=True)
class BlockPrediction:
    """What a model tells of one block of a larger grid."""

    rows: slice
    columns: slice
    prediction: Prediction


def predict_blocks(
    model: WoodyModel,
    composites_in: CompositesIn,
    shape: tuple[int, int],
    *,
    side: int = 1024,
    level: float = LEVEL,
) -> Iterator[BlockPrediction]:
    """Woody cover of a grid too large to hold, row of blocks after row of blocks.

    Parameters
    ----------
    model : WoodyModel
        Of features of the dry season alone.
    composites_in : callable
        Rows and columns, halo included, to composites by name, each of that window's shape.
    shape : (int, int)
        Rows and columns of the whole grid.
    side : int
        Rows and columns of a block; memory is about 350 bytes a pixel of it.
    level : float
        Of the pixels' intervals.

    Yields
    ------
    BlockPrediction
        Each pixel of the grid once; the values are those of one prediction of the whole, to the
        rounding of sums in neighbourhood features.

    Raises
    ------
    ValueError
        If `side` is not positive, or a composite is missing.
    """
    if side < 1:
        raise ValueError(f"a block has {side} rows; it needs at least one")
    halo = max((FEATURES[name].reach_pixels for name in model.features), default=0)
    for top in range(0, shape[0], side):
        rows = slice(top, min(top + side, shape[0]))
        for left in range(0, shape[1], side):
            columns = slice(left, min(left + side, shape[1]))
            wide = _widened(rows, halo, shape[0]), _widened(columns, halo, shape[1])
            stack = feature_stack(composites_in(*wide), None, model.features)
            within = tuple(
                slice(inner.start - outer.start, inner.stop - outer.start)
                for inner, outer in zip((rows, columns), wide, strict=True)
            )
            own = replace(stack, values=stack.values[:, within[0], within[1]])
            yield BlockPrediction(rows, columns, predict(model, own, level=level))


def _widened(inner: slice, halo: int, end: int) -> slice:
    return slice(max(inner.start - halo, 0), min(inner.stop + halo, end))
