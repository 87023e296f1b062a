"""GDAL reads a remote file through Python: by the same ranges, the same store, the same guard."""

from __future__ import annotations

import io
import secrets
from typing import Any

from afterrains.scenes.failures import UnreadableError
from afterrains.scenes.remote import RemoteFile

__all__ = ["Opener"]


class Opener:
    """Lets GDAL read a remote file through Python; remembers why that failed."""

    def __init__(self, file: RemoteFile) -> None:
        # GDAL remembers files by name: a name of its own for each opening.
        self.path = secrets.token_hex(8)
        self.failure: Exception | None = None
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
        try:
            data = self._file.read_at(self._position, length)
        except (UnreadableError, OSError) as error:
            self._opener.failure = error
            return b""
        self._position += len(data)
        return data
