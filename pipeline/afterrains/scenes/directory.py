"""What a remote GeoTIFF's directory says, remembered for the other windows of the same file.

Cells of one tile need the same files, each other blocks of them. Opening a file anew takes GDAL
longer than decoding a block, so what was learnt of it is kept. A directory is known by all that its
file's beginning holds and by the file's version, so that none is taken for another's.
"""

from __future__ import annotations

import hashlib
import threading
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from odc.geo.geobox import GeoBox
from rasterio.windows import Window

from afterrains.scenes.decode import Coding
from afterrains.scenes.grids import Grid, grid_of, windows_of
from afterrains.scenes.plan import Block, block_at, places_under
from afterrains.scenes.remote import RemoteFile
from afterrains.scenes.windows import nature_of

__all__ = ["Directories", "Directory", "Plan"]

_MOST_KNOWN = 1024  # a season of a tile is some hundred files, and cells are done by season
_MOST_BLOCKS = 131_072  # of all of them; a block takes 24 bytes
_FEW_BLOCKS = 128
_LARGEST_BLOCK_BYTES = 512_000_000


@dataclass(frozen=True)
class Plan:
    """What windows need of a file."""

    directory: Directory
    windows: list[Window | None]
    """None where the file has no pixels."""
    blocks: list[Block]
    """In the file's order."""


@dataclass(frozen=True)
class Directory:
    """One file's grid, coding and blocks, as far as they were asked for."""

    grid: Grid
    nodata: float | None
    coding: Coding
    _blocks: NDArray[np.int64] = field(default_factory=lambda: np.empty((0, 3), np.int64))
    """Number (row by row), offset and length of each, by number. Plain numbers, as thousands of
    files are remembered: as objects they would take ten times the room, in small pieces."""

    @classmethod
    def of(cls, dataset: Any, mark: bytes) -> Directory | None:
        """That of an open file which begins with `mark`; None where GDAL must decode the blocks.

        Raises
        ------
        ValueError
            If the file is not a plain single band of numbers on an upright grid.
        """
        grid, coding = grid_of(dataset), _coding(dataset, mark)
        return None if coding is None else cls(grid, nature_of(dataset)[1], coding)

    @property
    def blocks_known(self) -> int:
        """How many blocks were looked up."""
        return len(self._blocks)

    def known(self, geoboxes: Sequence[GeoBox]) -> Plan | None:
        """What windows need, if all their blocks were looked up before."""
        windows = windows_of(self.grid, geoboxes)
        wanted = self._numbers(windows)
        return Plan(self, windows, self._under(wanted)) if self._has(wanted).all() else None

    def looked_up(self, geoboxes: Sequence[GeoBox], dataset: Any) -> Plan:
        """What windows need, with the help of the open file; the plan's directory knows it.

        Raises
        ------
        ValueError
            If the directory gives a block that cannot be.
        """
        windows = windows_of(self.grid, geoboxes)
        wanted = self._numbers(windows)
        down, across = self._shape
        # To look up so many costs less than to open the file again for the next windows.
        every = np.arange(down * across) if down * across <= _FEW_BLOCKS else wanted
        new = [block_at(dataset, *divmod(n, across)) for n in every[~self._has(every)].tolist()]
        rows = [(block.row * across + block.column, block.offset, block.length) for block in new]
        blocks = np.concatenate([self._blocks, np.array(rows, np.int64).reshape(-1, 3)])
        wiser = replace(self, _blocks=blocks[np.argsort(blocks[:, 0])])
        return Plan(wiser, windows, wiser._under(wanted))

    @property
    def _shape(self) -> tuple[int, int]:
        """How many blocks there are down and across."""
        rows, columns = self.coding.block
        return -(-self.grid.height // rows), -(-self.grid.width // columns)

    def _numbers(self, windows: Sequence[Window | None]) -> NDArray[np.int64]:
        """Of the blocks that hold the windows' pixels, in their order."""
        inside = [window for window in windows if window is not None]
        across = self._shape[1]
        places = places_under(inside, self.coding.block)
        return np.array(sorted(row * across + column for row, column in places), np.int64)

    def _has(self, numbers: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Which of the blocks were looked up."""
        return np.isin(numbers, self._blocks[:, 0])

    def _under(self, numbers: NDArray[np.int64]) -> list[Block]:
        """Blocks that were looked up, in the file's order."""
        across = self._shape[1]
        found = self._blocks[np.searchsorted(self._blocks[:, 0], numbers)].tolist()
        return sorted(Block(offset, length, *divmod(n, across)) for n, offset, length in found)


_Key = tuple[str, str, bytes]


class Directories:
    """Those of the files read last; safe to use from many threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._known: OrderedDict[_Key, Directory] = OrderedDict()
        self._counted: dict[_Key, int] = {}  # blocks known when it was kept
        self._blocks = 0

    def get(self, file: RemoteFile) -> Directory | None:
        """What is known of this version of the file."""
        key = _key(file)
        with self._lock:
            found = self._known.get(key)
            if found is not None:
                self._known.move_to_end(key)
        return found

    def keep(self, file: RemoteFile, directory: Directory) -> None:
        """Remember it, and as many of those before as there is room for."""
        key = _key(file)
        with self._lock:
            self._drop(key)
            self._known[key] = directory
            self._counted[key] = directory.blocks_known
            self._blocks += directory.blocks_known
            while len(self._known) > _MOST_KNOWN or (
                self._blocks > _MOST_BLOCKS and len(self._known) > 1
            ):
                self._drop(next(iter(self._known)))

    def forget(self, file: RemoteFile) -> None:
        """Something is wrong with the file."""
        key = _key(file)
        with self._lock:
            self._drop(key)

    def _drop(self, key: _Key) -> None:
        self._known.pop(key, None)
        self._blocks -= self._counted.pop(key, 0)


def _key(file: RemoteFile) -> _Key:
    return file.name, file.version, hashlib.blake2b(file.head, digest_size=16).digest()


def _coding(dataset: Any, mark: bytes) -> Coding | None:
    """How blocks are coded; None where GDAL must decode them."""
    if dataset.driver != "GTiff":
        return None
    structure = dataset.tags(ns="IMAGE_STRUCTURE")
    if "NBITS" in {*structure, *dataset.tags(1, ns="IMAGE_STRUCTURE")}:
        return None
    rows, columns = (int(side) for side in dataset.block_shapes[0])
    dtype = np.dtype(dataset.dtypes[0]).newbyteorder(">" if mark == b"MM" else "<")
    if rows * columns * dtype.itemsize > _LARGEST_BLOCK_BYTES:
        return None
    predictor = int(structure.get("PREDICTOR", 1))
    coding = Coding(structure.get("COMPRESSION", "NONE"), predictor, dtype, (rows, columns))
    return coding if coding.is_known() else None
