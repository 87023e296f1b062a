"""The read plan: which stored blocks of a file a set of windows needs, and in which requests.

GDAL reads the file's directory and says where each block lies; neighbouring blocks are asked for
together.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from rasterio.windows import Window

__all__ = ["Block", "block_at", "blocks_under", "merged", "places_under"]

_PAST_ALL_FILES = 2**63  # bytes; BigTIFF could name more, no system holds it
_GAP_BYTES = 1024  # GDAL's cloud-optimised files keep 8 bytes between blocks
_MOST_BYTES = 4_000_000  # one request: a cut line costs no more, and memory stays bounded


@dataclass(frozen=True, order=True)
class Block:
    """One tile or strip as it lies in a file."""

    offset: int
    length: int
    """0 for a block that the file leaves out as empty."""
    row: int
    column: int
    """Of blocks, from the top left."""


def blocks_under(dataset: Any, windows: Iterable[Window]) -> list[Block]:
    """The blocks of a single-band GeoTIFF that hold the windows' pixels, in the file's order.

    Parameters
    ----------
    dataset : rasterio dataset
        Opened by the GTiff driver.
    windows : iterable of rasterio Window
        Whole pixels, inside the image.

    Raises
    ------
    ValueError
        If the directory gives a block that cannot be.
    """
    return sorted(
        block_at(dataset, *place) for place in places_under(windows, dataset.block_shapes[0])
    )


def places_under(windows: Iterable[Window], block: tuple[int, int]) -> set[tuple[int, int]]:
    """Row and column of the blocks of this many rows and columns that hold the windows' pixels."""
    rows, columns = block
    return {
        (row, column)
        for window in windows
        for row in range(window.row_off // rows, -(-(window.row_off + window.height) // rows))
        for column in range(
            window.col_off // columns, -(-(window.col_off + window.width) // columns)
        )
    }


def block_at(dataset: Any, row: int, column: int) -> Block:
    """One block of an open single-band GeoTIFF.

    Raises
    ------
    ValueError
        If the directory gives a block that cannot be.
    """
    offset, length = (
        int(dataset.get_tag_item(f"BLOCK_{what}_{column}_{row}", "TIFF", bidx=1) or 0)
        for what in ("OFFSET", "SIZE")
    )
    if not (0 <= offset < _PAST_ALL_FILES and 0 <= length < _PAST_ALL_FILES):
        raise ValueError("its directory of blocks is broken")
    return Block(offset, length if offset else 0, row, column)


def merged(blocks: Sequence[Block]) -> Iterator[list[Block]]:
    """Groups of blocks that are asked for in one request; blocks without bytes are left out."""
    group: list[Block] = []
    for block in sorted(block for block in blocks if block.length):
        if group:
            end = group[-1].offset + group[-1].length
            together = block.offset + block.length - group[0].offset
            if not 0 <= block.offset - end <= _GAP_BYTES or together > _MOST_BYTES:
                yield group
                group = []
        group.append(block)
    if group:
        yield group
