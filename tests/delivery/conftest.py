"""Frames that fit the table definitions, for the tests of this folder."""

from __future__ import annotations

import socket
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest

from afterrains.delivery.columns import Column, Table

Filled = Callable[..., pd.DataFrame]

_WORDS = {
    "site_id": ["north", "south", "west"],
    "visit_id": ["v1", "v2", "v3"],
    "level": ["by hand", "by vehicle", "by air"],
}


def _values(column: Column, rows: int) -> Any:
    """Plain values that fit a column, another one in each row."""
    low = column.minimum or 0
    match column.type:
        case "string" if column.enum:
            return [column.enum[i % len(column.enum)] for i in range(rows)]
        case "string" if column.pattern:
            return [f"{2019 + i}-dry" for i in range(rows)]
        case "string":
            return _WORDS.get(column.name, [f"{column.name} {i}" for i in range(3)])[:rows]
        case "date":
            return pd.Timestamp("2021-06-01") + pd.to_timedelta(np.arange(rows), unit="D")
        case "integer":
            return np.arange(rows) + int(low)
        case "number":
            return low + np.arange(rows) / 7
        case _:
            return [True] * rows


@pytest.fixture
def filled() -> Filled:
    """Makes up to three rows for a table; keyword arguments replace columns."""

    def fill(table: Table, rows: int = 3, **columns: Any) -> pd.DataFrame:
        frame = pd.DataFrame({each.name: _values(each, rows) for each in table.columns})
        return frame.assign(**columns)

    return fill


@pytest.fixture
def offline(monkeypatch: pytest.MonkeyPatch) -> None:
    """No connection can be opened: what passes here needs no network."""

    def refuse(*_: Any, **__: Any) -> None:
        raise AssertionError("a connection was opened")

    monkeypatch.setattr(socket, "getaddrinfo", refuse)
    monkeypatch.setattr(socket.socket, "connect", refuse)
