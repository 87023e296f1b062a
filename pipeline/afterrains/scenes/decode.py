"""From a stored block's bytes to its pixels: TIFF's commonest codings; GDAL decodes the others.

Kernels take bytes and return native arrays of shape (rows, columns). A block that does not give
exactly the pixels it should, or whose checksum is wrong, is an error, never padded. The checksum
stands at a block's end, so it is compared only where a block is inflated whole; where something
else vouches for the bytes, inflating may end with the last row wanted.

References
----------
Adobe (1992). TIFF, revision 6.0: differencing predictor (section 14).
Adobe (2002). Photoshop TIFF technical notes: ZIP compression. (2005) Technical note 3:
floating-point predictor.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from isal import isal_zlib
from numpy.typing import NDArray

__all__ = ["BlockError", "Coding", "decode_block"]

# The library types its error as a plain object.
_BROKEN: type[Exception] = isal_zlib.error  # type: ignore[assignment]
_KINDS = {1: "uif", 2: "ui", 3: "f"}


class BlockError(ValueError):
    """A block's bytes do not hold its pixels."""


@dataclass(frozen=True)
class Coding:
    """How the blocks of a file are coded."""

    compression: str
    """As GDAL names it."""
    predictor: int
    """1 none, 2 differences of neighbours, 3 floating point."""
    dtype: np.dtype[Any]
    """With the file's byte order."""
    block: tuple[int, int]
    """Rows and columns."""

    def is_known(self) -> bool:
        """Whether `decode_block` can decode it."""
        kinds = _KINDS.get(self.predictor, "")
        return self.dtype.kind in kinds and self.compression in ("DEFLATE", "NONE")


def decode_block(
    raw: bytes | memoryview, coding: Coding, rows: int, wanted: slice, *, whole: bool = True
) -> NDArray[Any]:
    """Pixels of some rows of a block, shape (rows wanted, columns), in the machine's byte order.

    Parameters
    ----------
    raw : bytes or memoryview
        As stored in the file.
    coding : Coding
    rows : int
        Rows that lie inside the image; a last strip is stored without the rest, a tile with it.
    wanted : slice
        Rows to give back, from the block's first; both ends given.
    whole : bool
        Inflate the block to its end and compare its checksum, whichever rows are wanted.

    Raises
    ------
    BlockError
        If the bytes are broken, too few or too many; without `whole`, as far as rows are wanted.
    """
    line = coding.block[1] * coding.dtype.itemsize
    full = coding.block[0] * line
    if coding.compression == "NONE":
        data = raw
    elif whole or wanted.stop * line >= min(full, rows * line):
        data = _inflated(raw, full)
    else:
        data, full = _begun(raw, wanted.stop * line), wanted.stop * line
    if len(data) not in (full, rows * line):
        raise BlockError(f"a block holds {len(data)} bytes, not {full}")
    if coding.predictor == 3:
        return _from_planes(np.frombuffer(data, np.uint8).reshape(-1, line)[wanted], coding.dtype)
    values = np.frombuffer(data, coding.dtype).reshape(-1, coding.block[1])[wanted]
    native = values.astype(coding.dtype.newbyteorder("="), copy=False)
    if coding.predictor == 2:
        return np.cumsum(native, axis=1, dtype=native.dtype)
    return native


def _begun(raw: bytes | memoryview, length: int) -> bytes:
    """The first bytes of a stream, what follows unseen."""
    try:
        data: bytes = isal_zlib.decompressobj().decompress(raw, length)
    except _BROKEN as error:
        raise BlockError("a block's DEFLATE coding is broken") from error
    return data


def _inflated(raw: bytes | memoryview, full: int) -> bytes:
    """A stream to its end, its checksum compared."""
    stream = isal_zlib.decompressobj()
    try:
        # Room for one byte too many shows a block that holds more than it should; the stream's end
        # is where its checksum is compared.
        data: bytes = stream.decompress(raw, full + 1)
    except _BROKEN as error:
        raise BlockError("a block's DEFLATE coding is broken") from error
    if not stream.eof:
        raise BlockError("a block does not end where it should")
    return data


def _from_planes(rows: NDArray[np.uint8], dtype: np.dtype[Any]) -> NDArray[Any]:
    """Undo the floating-point predictor: differences of bytes, the most significant ones first."""
    planes = np.cumsum(rows, axis=1, dtype=np.uint8).reshape(len(rows), dtype.itemsize, -1)
    values = np.ascontiguousarray(planes.transpose(0, 2, 1)).view(dtype.newbyteorder(">"))
    return values[..., 0].astype(dtype.newbyteorder("="))
