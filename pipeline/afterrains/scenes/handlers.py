"""GDAL's table of who handles which file name, and who may touch it when.

To open, close or look for a file GDAL walks that table without a lock. A file that it reads through
Python (`opener`) stands in the table while it is open. Where one thread enters or takes out such a
file while another walks, the process can end by a memory fault, once in many thousand files. What
an open file holds is read without the table.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager

__all__ = ["HANDLERS", "HandlerTable"]


class HandlerTable:
    """Many may look into the table at once, or one may change it."""

    def __init__(self) -> None:
        self._turn = threading.Condition()
        self._looking = 0

    @contextmanager
    def looked_into(self) -> Iterator[None]:
        """While a file that GDAL reads by itself is opened or closed."""
        with self._turn:
            self._looking += 1
        try:
            yield
        finally:
            with self._turn:
                self._looking -= 1
                self._turn.notify_all()

    @contextmanager
    def changed(self) -> Iterator[None]:
        """While a file that is read through Python is opened or closed; alone."""
        with self._turn:
            self._turn.wait_for(lambda: not self._looking)
            yield


HANDLERS = HandlerTable()
"""This process's, for GDAL has one."""
