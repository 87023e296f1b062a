"""Reading windows of files, on a disk or on a server, each stored block once for all windows.

On a server only the blocks under the windows are asked for, many at a time, and kept in the local
store as they came. A file on a disk is read by GDAL, and so is a remote file in a coding that
`decode` does not know, through the same ranges and the same store.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from functools import partial
from typing import Any

import rasterio
from odc.geo.geobox import GeoBox
from rasterio.windows import Window

from afterrains.scenes.directory import Directories, Directory, Plan
from afterrains.scenes.failures import Patience, UnreadableError
from afterrains.scenes.filled import Filled
from afterrains.scenes.grids import grid_of, windows_of
from afterrains.scenes.opener import Opened, look_into, open_remote
from afterrains.scenes.plan import Block, blocks_under
from afterrains.scenes.ranges import RangeClient
from afterrains.scenes.references import is_address
from afterrains.scenes.remote import Pulled, RemoteFile
from afterrains.scenes.signing import Sign
from afterrains.scenes.store import BlockStore
from afterrains.scenes.windows import (
    TROUBLES,
    WindowReading,
    gdal_settings,
    read_by_gdal,
    read_file,
    tried,
)

__all__ = ["WindowReader", "read_window"]

_BLOCKS_WAITING = 16  # for each decoder


class WindowReader:
    """Reads windows of files; keeps the connections and the local store.

    Parameters
    ----------
    store : BlockStore, optional
        Where parts of remote files are kept; nothing is kept without.
    patience : Patience, optional
        Tries and pauses; files on a disk are tried again at once.
    in_flight : int
        Most requests under way at once.
    sign : callable, optional
        Signs addresses just before they are used; see `signing`.
    trusted : frozenset of str, optional
        The only hosts that may lie inside this network; None lets every server be asked.
    """

    def __init__(
        self,
        store: BlockStore | None = None,
        patience: Patience | None = None,
        *,
        in_flight: int = 32,
        sign: Sign | None = None,
        trusted: frozenset[str] | None = None,
    ) -> None:
        self.store = store
        self.patience = patience or Patience()
        self.client = RangeClient(self.patience, sign, 2 * in_flight, trusted)
        # A file's thread waits for its requests, so the two must not share one pool.
        self._files = ThreadPoolExecutor(in_flight, "file", initializer=_stay_in_environment)
        self._gdal = ThreadPoolExecutor(1, "gdal", initializer=_stay_in_environment)
        self._requests = ThreadPoolExecutor(in_flight, "request")
        # Decoding by as many threads as there are processors keeps each one's memory in its cache;
        # what waits for them is bounded.
        decoders = os.cpu_count() or 1
        self._decoders = ThreadPoolExecutor(decoders, "decode")
        self._directories = Directories()
        self._waiting = threading.BoundedSemaphore(_BLOCKS_WAITING * decoders)

    def __enter__(self) -> WindowReader:
        return self

    def __exit__(self, *_failure: object) -> None:
        self.close()

    def close(self) -> None:
        """End the threads; what is under way is finished first."""
        self._files.shutdown(cancel_futures=True)
        self._gdal.shutdown()
        self._requests.shutdown()
        self._decoders.shutdown()

    def read(self, href: str, geoboxes: Sequence[GeoBox]) -> list[WindowReading | None]:
        """The pixels under each window and a little around, or None where the file has none there.

        Parameters
        ----------
        href : str
            Absolute path or address of a single-band raster.
        geoboxes : sequence of GeoBox
            The windows, in any CRS; a block that several need is read once.

        Raises
        ------
        UnreadableError
            After the last try, with the last failure's reason.
        """
        if not is_address(href):
            return read_file(href, geoboxes, self.patience)
        # The requests have had their tries; a broken block or a changed file gets one more.
        again = Patience(tries=2, first_wait_s=0.0)
        return tried(lambda: self._read_remote(href, geoboxes), again, at_once=True)

    def start(self, href: str, geobox: GeoBox) -> Future[WindowReading | None]:
        """Begin to read one window of a remote file; a file on a disk is read at once."""
        if is_address(href):
            return self._files.submit(lambda: self.read(href, [geobox])[0])
        found: Future[WindowReading | None] = Future()
        try:
            found.set_result(self.read(href, [geobox])[0])
        except UnreadableError as error:
            found.set_exception(error)
        return found

    def start_all(
        self, hrefs: Sequence[str], geoboxes: Sequence[GeoBox]
    ) -> Mapping[str, Future[list[WindowReading | None]]]:
        """Begin to read the same windows of many files."""
        return {href: self._files.submit(self.read, href, geoboxes) for href in hrefs}

    def _read_remote(self, href: str, geoboxes: Sequence[GeoBox]) -> list[WindowReading | None]:
        with ExitStack() as until:
            file = RemoteFile(href, self.client, self.store, until)
            try:
                directory = self._directories.get(file)
                plan = directory.known(geoboxes) if directory else None
                if plan is None:
                    look = partial(_look, file=file, known=directory, geoboxes=geoboxes)
                    found = look_into(file, look, self._gdal)
                    if not isinstance(found, Plan):
                        opened = open_remote(file, lambda _: found)
                        until.callback(opened.close)
                        return self._by_gdal(file, opened, *found)
                    plan = found
                    self._directories.keep(file, plan.directory)
                filled = Filled.of(plan)
                self._pull(file, plan.blocks, filled)
            except TROUBLES:
                self._directories.forget(file)
                file.forget()
                raise
            return filled.readings

    def _by_gdal(
        self,
        file: RemoteFile,
        opened: Opened[Any],
        windows: Sequence[Window | None],
        blocks: Sequence[Block],
    ) -> list[WindowReading | None]:
        """Windows of an open remote file in a coding that GDAL must decode."""
        file.pull(blocks, file.hold, self._requests)
        try:
            return read_by_gdal(opened.dataset, windows)
        except TROUBLES:
            if isinstance(opened.opener.failure, UnreadableError):
                raise opened.opener.failure from None
            raise

    def _pull(self, file: RemoteFile, blocks: Sequence[Block], filled: Filled) -> None:
        """Blocks into the windows: requests go on while others decode what came."""

        def decode(pulled: Pulled) -> None:
            try:
                filled.take(pulled)
                pulled.keep()
            finally:
                self._waiting.release()

        def hand_on(pulled: Pulled) -> Future[None]:
            self._waiting.acquire()
            return self._decoders.submit(decode, pulled)

        file.pull(blocks, hand_on, self._requests)


def read_window(
    href: str, geobox: GeoBox, patience: Patience | None = None
) -> WindowReading | None:
    """One window of one file, without a store; see `WindowReader.read`.

    Raises
    ------
    UnreadableError
        After the last try, with the last failure's reason.
    """
    with WindowReader(patience=patience, in_flight=4) as reader:
        return reader.read(href, [geobox])[0]


_ByGdal = tuple[Sequence[Window | None], Sequence[Block]]
"""The windows, and the blocks under them where the file tells."""


def _look(
    dataset: Any, file: RemoteFile, known: Directory | None, geoboxes: Sequence[GeoBox]
) -> Plan | _ByGdal:
    """What is read of an open file, and by whom it is decoded: us, or GDAL."""
    directory = known or Directory.of(dataset, file.head[:2])
    if directory is not None:
        return directory.looked_up(geoboxes, dataset)
    windows = windows_of(grid_of(dataset), geoboxes)
    inside = [window for window in windows if window]
    return windows, blocks_under(dataset, inside) if dataset.driver == "GTiff" else ()


def _stay_in_environment() -> None:
    """GDAL's settings for a thread's whole life."""
    rasterio.Env(**gdal_settings()).__enter__()
