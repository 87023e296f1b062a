"""What has been done, so that a run can be stopped at any moment and started again.

A piece of work is known by its key: a digest of everything its result depends on. Its files are
written into a temporary folder and moved to `<work>/<key>` in one rename, so a folder that is there
is whole. Nothing else records that the work is done, and nothing can disagree with it.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path, PurePath
from typing import Any

from filelock import FileLock, Timeout

from afterrains.errors import OutputError

__all__ = ["Ledger", "key_of", "only_run"]


def key_of(*parts: Any) -> str:
    """SHA-256 (hex) of plain values, dataclasses, dates and mappings; equal values, equal keys.

    Raises
    ------
    TypeError
        For a value whose text would not be stable from run to run.
    """
    text = json.dumps(parts, sort_keys=True, separators=(",", ":"), default=_plain)
    return hashlib.sha256(text.encode()).hexdigest()


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: getattr(value, field.name) for field in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return dict(value)
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, PurePath):
        return str(value)
    if isinstance(value, bytes):
        return value.hex()
    raise TypeError(f"{type(value).__name__} has no stable text for a key")


@dataclasses.dataclass(frozen=True)
class Ledger:
    """The finished pieces of work under one folder."""

    folder: Path

    def place(self, key: str) -> Path:
        """Where the finished work of this key lies, whether or not it is there yet."""
        return self.folder / key[:2] / key

    def has(self, key: str) -> bool:
        """Whether the work is done; a folder that exists is whole."""
        return self.place(key).is_dir()

    @contextmanager
    def record(self, key: str) -> Iterator[Path]:
        """A temporary folder to fill; it becomes `place(key)` when the block ends well.

        If another process finished the same work meanwhile, its equal result is kept.
        """
        place = self.place(key)
        try:
            place.parent.mkdir(parents=True, exist_ok=True)
            draft = Path(tempfile.mkdtemp(prefix=".draft-", dir=place.parent))
        except OSError as error:
            raise _cannot_write(self.folder, error) from error
        try:
            yield draft
            try:
                os.replace(draft, place)
            except OSError:
                if not place.is_dir():
                    raise
        except OSError as error:
            raise _cannot_write(self.folder, error) from error
        finally:
            shutil.rmtree(draft, ignore_errors=True)

    def forget(self, key: str) -> None:
        """Delete finished work that is to be done again."""
        place = self.place(key)
        doomed = Path(tempfile.mkdtemp(prefix=".draft-", dir=place.parent))
        # One rename first: a kill in mid-deletion must not leave half a folder that looks whole.
        os.replace(place, doomed / "work")
        shutil.rmtree(doomed, ignore_errors=True)

    def sweep(self) -> None:
        """Delete the drafts that a killed run left; call only while holding `only_run`."""
        for draft in self.folder.glob("*/.draft-*"):
            shutil.rmtree(draft, ignore_errors=True)


def _cannot_write(folder: Path, error: OSError) -> OutputError:
    return OutputError(
        f"{folder}: cannot be written ({error.strerror}); free some space or choose another "
        "`output` in the programme file, then run again: what is done is kept"
    )


@contextmanager
def only_run(output: Path) -> Iterator[None]:
    """Hold the output folder for one run; a second run is told so at once.

    Raises
    ------
    OutputError
        If another run holds the folder, or it cannot be made.
    """
    try:
        output.mkdir(parents=True, exist_ok=True)
        lock = FileLock(output / ".running.lock", timeout=0)
        lock.acquire()
    except Timeout:
        raise OutputError(
            f"{output}: another run is working here; wait for it to end, or choose another "
            "`output` in the programme file"
        ) from None
    except OSError as error:
        raise _cannot_write(output, error) from error
    try:
        yield
    finally:
        lock.release()
