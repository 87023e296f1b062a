"""GDAL reads a remote file through Python: by the same ranges, the same store, the same guard.

Only one thread at a time may open or close such files (`handlers`), and a server may let one wait
for minutes. So while a file is opened GDAL gets what is in memory already; where that is not
enough, it is shut again, what it asked for is fetched with nobody waiting, and it is opened anew.
"""

from __future__ import annotations

import io
import secrets
from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial
from typing import Any, Generic, TypeVar

import rasterio
from rasterio.errors import RasterioIOError

from afterrains.scenes.failures import UnreadableError
from afterrains.scenes.handlers import HANDLERS
from afterrains.scenes.remote import RemoteFile
from afterrains.scenes.windows import TROUBLES, logged_errors

__all__ = ["Opened", "Opener", "look_into", "open_remote"]

_Found = TypeVar("_Found")
_Done = TypeVar("_Done")
_MOST_PARTS = 1000
"""Of a directory, fetched one after another; a file that sends GDAL on and on is broken."""


@dataclass(frozen=True)
class Opened(Generic[_Found]):
    """A remote file that GDAL has open in this thread; close it in the same."""

    dataset: Any
    found: _Found
    """What was looked up while it was opened."""
    opener: Opener

    def close(self) -> None:
        """Close it."""
        with HANDLERS.changed():
            self.dataset.close()


def open_remote(
    file: RemoteFile, look: Callable[[Any], _Found], driver: str | None = None
) -> Opened[_Found]:
    """Open a remote file with GDAL.

    Parameters
    ----------
    file : RemoteFile
    look : callable
        Given the open dataset; whatever may make GDAL look for other files (tags, masks) belongs
        in here. It may be called several times.
    driver : str, optional
        GDAL's driver; by the file itself if unset.

    Raises
    ------
    UnreadableError
        If the server does not give what is asked for.
    RasterioError, OSError, ValueError
        If GDAL, or `look`, finds the file broken.
    """
    opened = _fetched(file, partial(_opened, look=look, driver=driver or file.driver))
    opened.opener.may_ask = True
    return opened


def look_into(file: RemoteFile, look: Callable[[Any], _Found], gdal: Executor) -> _Found:
    """What `look` finds in a remote file, which is then shut again; see `open_remote`.

    Only threads of `gdal` call GDAL, which keeps a megabyte for each thread that ever did; the
    caller's waits for the server.
    """

    def looked(opener: Opener) -> tuple[_Found] | None:
        with HANDLERS.changed():
            opened = _tried_once(opener, look, file.driver)
            if opened is None:
                return None
            opened.dataset.close()
        return (opened.found,)

    return _fetched(file, lambda opener: gdal.submit(looked, opener).result())[0]


def _opened(opener: Opener, look: Callable[[Any], _Found], driver: str) -> Opened[_Found] | None:
    with HANDLERS.changed():
        return _tried_once(opener, look, driver)


def _fetched(file: RemoteFile, attempt: Callable[[Opener], _Done | None]) -> _Done:
    """What `attempt` gives once all that it asks for is in memory."""
    asked: set[tuple[int, int]] = set()
    while True:
        opener = Opener(file)
        done = attempt(opener)
        if done is not None:
            return done
        missing = opener.missing
        if missing is None or missing in asked or len(asked) == _MOST_PARTS:
            raise UnreadableError("its directory cannot be followed")
        asked.add(missing)
        file.read_at(*missing)


def _tried_once(
    opener: Opener, look: Callable[[Any], _Found], driver: str
) -> Opened[_Found] | None:
    """The open file; None where something must be fetched first."""
    dataset = None
    try:
        with logged_errors() as logged:
            dataset = rasterio.open(opener.path, driver=driver, sharing=False, opener=opener)
            found = look(dataset)
        if logged:
            raise RasterioIOError(logged[0])
    except TROUBLES:
        if dataset is not None:
            dataset.close()
        if opener.missing is None:
            raise
        return None
    if opener.missing is not None:
        dataset.close()
        return None
    return Opened(dataset, found, opener)


class Opener:
    """Lets GDAL read a remote file through Python; remembers why that failed."""

    def __init__(self, file: RemoteFile) -> None:
        # GDAL remembers files by name: a name of its own for each opening.
        self.path = secrets.token_hex(8)
        self.failure: Exception | None = None
        self.may_ask = False
        """Whether the server may be asked for what is not in memory."""
        self.missing: tuple[int, int] | None = None
        """First byte and length of what was wanted and might not be asked for."""
        self._file = file

    def __call__(self, path: str, mode: str = "rb", **_settings: Any) -> _Stream:
        """A stream of the file; no other file is there."""
        if path.rpartition("/")[2] != self.path or "w" in mode or "a" in mode:
            raise FileNotFoundError(path)
        return _Stream(self._file, self)


class _Stream(io.RawIOBase):
    """A remote file with a reading position."""

    def __init__(self, file: RemoteFile, opener: Opener) -> None:
        self._file, self._opener, self._position = file, opener, 0

    def readable(self) -> bool:
        """Yes."""
        return True

    def seekable(self) -> bool:
        """Yes."""
        return True

    def tell(self) -> int:
        """The position."""
        return self._position

    def seek(self, offset: int, whence: int = 0) -> int:
        """Move the position."""
        self._position = offset + (0, self._position, self._file.size)[whence]
        return self._position

    def read(self, size: int = -1) -> bytes:
        """Bytes from the position on; none after a failure, which GDAL takes for a broken file."""
        length = self._file.size - self._position if size < 0 else size
        if not self._opener.may_ask:
            held = self._file.held_at(self._position, length)
            if held is None:
                self._opener.missing = self._position, length
                return b""
            self._position += len(held)
            return held
        try:
            data = self._file.read_at(self._position, length)
        except (UnreadableError, OSError) as error:
            self._opener.failure = error
            return b""
        self._position += len(data)
        return data
