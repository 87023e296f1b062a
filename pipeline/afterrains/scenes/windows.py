"""Windows of one raster file that GDAL can open: retried, then reported.

A read that fails is tried again with growing pauses; after the last try it is an `UnreadableError`,
never zeros. An error that GDAL only logs while it hands back pixels counts as a failure. Addresses
in messages have lost their query strings, which may hold keys.
"""

from __future__ import annotations

import logging
import re
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

import rasterio
from affine import Affine
from numpy.typing import NDArray
from odc.geo.geobox import GeoBox
from rasterio.env import hasenv
from rasterio.errors import RasterioError
from rasterio.windows import Window

from afterrains.scenes.failures import Patience, UnreadableError
from afterrains.scenes.grids import grid_of, windows_of
from afterrains.scenes.handlers import HANDLERS

__all__ = [
    "TROUBLES",
    "Patience",
    "UnreadableError",
    "WindowReading",
    "driver_of",
    "gdal_settings",
    "head_of",
    "logged_errors",
    "nature_of",
    "open_by_gdal",
    "read_by_gdal",
    "read_file",
    "tried",
]

_JPEG_2000 = (b"\0\0\0\x0cjP  \r\n\x87\n", b"\xff\x4f\xff\x51")  # boxed (ISO 15444-1), bare
_OPENED = re.compile(r"'?(/vsiriopener_\w+/)?\b[0-9a-f]{16}\b'?")
_SECRET = re.compile(r"\?[^\s'\"]*")
TROUBLES = (RasterioError, OSError, ValueError, MemoryError)
"""What reading a file can raise that is the file's or the line's fault."""


def gdal_settings(*, afresh: bool = False) -> dict[str, str | int]:
    """GDAL's settings for reading.

    No look-ups of neighbouring files, which multiply requests, and time limits on every request.
    One thread: threads inside GDAL over HTTP have written wrong pixels without an error before GDAL
    3.11, its reader of JPEG 2000 starts them unasked, and what they log as errors is not heard.

    `afresh` is for a new try after a failure: nothing that GDAL remembers of a file is used, and
    nothing is kept. After one failure it would go on to say that the file does not exist, without
    asking. It costs one more request a file, so the first try goes without.
    """
    again = {"CPL_VSIL_CURL_NON_CACHED": "/vsicurl/:/vsis3/:/vsigs/:/vsiaz/:/vsiadls/"}
    return {
        **(again if afresh else {}),
        "GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR",
        "GDAL_CACHEMAX": 64,
        "GDAL_NUM_THREADS": 1,
        "GDAL_HTTP_CONNECTTIMEOUT": 20,
        "GDAL_HTTP_TIMEOUT": 120,
        "GDAL_HTTP_LOW_SPEED_TIME": 30,
        "GDAL_HTTP_LOW_SPEED_LIMIT": 1000,
        "GDAL_HTTP_MULTIRANGE": "YES",
        "GDAL_HTTP_MERGE_CONSECUTIVE_RANGES": "YES",
    }


@dataclass(frozen=True)
class WindowReading:
    """The part of a file that a window needs, on the file's own grid."""

    numbers: NDArray[Any]
    """(y, x), as stored."""
    transform: Affine
    crs: rasterio.crs.CRS
    nodata: float | None
    """As the file itself says; None where it says nothing."""


def read_file(
    href: str, geoboxes: Sequence[GeoBox], patience: Patience
) -> list[WindowReading | None]:
    """The pixels under each window and a little around, or None where the file has none there.

    Where many files on a disk are read, do it inside `rasterio.Env(**gdal_settings())`.

    Raises
    ------
    UnreadableError
        After the last try, with the last failure's reason.
    """
    return tried(lambda: _read_once(href, geoboxes), patience, at_once="://" not in href)


def tried(
    read: Callable[[], list[WindowReading | None]], patience: Patience, *, at_once: bool
) -> list[WindowReading | None]:
    """Read until it goes well, without pauses if `at_once`.

    Raises
    ------
    UnreadableError
        After the last try, with the last failure's reason; one of `read`'s own at once.
    """
    reason = ""
    for attempt in range(1, patience.tries + 1):
        try:
            with _environment(afresh=attempt > 1), logged_errors() as logged:
                readings = read()
            if not logged:
                return readings
            reason = logged[0]
        except TROUBLES as error:
            # The library says "Read failed" and hides GDAL's own reason behind it.
            reason = f"{error.__cause__ or error}" or type(error).__name__
        if attempt < patience.tries and not at_once:
            patience.pause(attempt)
    # GDAL's name of a file that it reads through us says nothing to anybody.
    raise UnreadableError(_OPENED.sub("the file", _SECRET.sub("", reason)).strip()[:300])


def _environment(*, afresh: bool) -> AbstractContextManager[Any]:
    """GDAL's settings; entering them costs as much as a small read, so once will do."""
    if hasenv() and not afresh:
        return nullcontext()
    environment: AbstractContextManager[Any] = rasterio.Env(**gdal_settings(afresh=afresh))
    return environment


def _read_once(href: str, geoboxes: Sequence[GeoBox]) -> list[WindowReading | None]:
    with open_by_gdal(href, driver_of(href, head_of(href))) as dataset:
        return read_by_gdal(dataset, windows_of(grid_of(dataset), geoboxes))


@contextmanager
def open_by_gdal(href: str, driver: str) -> Iterator[Any]:
    """A file that GDAL reads by itself, on a disk or at an address of its own kind."""
    with HANDLERS.looked_into():
        dataset = rasterio.open(href, driver=driver, sharing=False)
    try:
        yield dataset
    finally:
        with HANDLERS.looked_into():
            dataset.close()


def read_by_gdal(dataset: Any, windows: Sequence[Window | None]) -> list[WindowReading | None]:
    """Windows of an open file, decoded by GDAL."""
    return [
        None
        if window is None
        else WindowReading(
            dataset.read(1, window=window), dataset.window_transform(window), *nature_of(dataset)
        )
        for window in windows
    ]


def driver_of(href: str, head: bytes) -> str:
    """GDAL's driver by name, so that no file can pose as one that points elsewhere (VRT, WMS).

    By the file's first bytes, for catalogues also serve JPEG 2000 without its ending; by the ending
    where they are not known.
    """
    ending = urlsplit(href).path.lower().endswith(".jp2")
    return "JP2OpenJPEG" if (head.startswith(_JPEG_2000) if head else ending) else "GTiff"


def head_of(href: str) -> bytes:
    """The first bytes of a file on this disk; none where GDAL is to say what is wrong."""
    try:
        with open(href, "rb") as file:
            return file.read(12)
    except OSError:
        return b""


def nature_of(dataset: Any) -> tuple[rasterio.crs.CRS, float | None]:
    """The file's CRS and fill value."""
    return dataset.crs, None if dataset.nodata is None else float(dataset.nodata)


_collecting = threading.local()


class _Collector(logging.Handler):
    """Keeps what this thread's GDAL calls log as errors, unless another collects within it."""

    def __init__(self) -> None:
        super().__init__(level=logging.ERROR)
        self.messages: list[str] = []
        self._thread = threading.get_ident()

    def emit(self, record: logging.LogRecord) -> None:
        """Keep one record's text."""
        if record.thread == self._thread and _collecting.innermost is self:
            self.messages.append(record.getMessage())


@contextmanager
def logged_errors() -> Iterator[list[str]]:
    """What GDAL logs as errors in this thread meanwhile, though it may hand back pixels."""
    collector, logger = _Collector(), logging.getLogger("rasterio")
    around = getattr(_collecting, "innermost", None)
    _collecting.innermost = collector
    logger.addHandler(collector)
    try:
        yield collector.messages
    finally:
        logger.removeHandler(collector)
        _collecting.innermost = around
