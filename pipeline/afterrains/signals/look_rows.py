"""Rows of many looks as one table.

Rows are gathered as plain columns and made a table once: a table for each look takes longer than
the sums over its polygons.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

__all__ = ["LookRows"]

_ORDER = ("site_id", "date", "sensor", "scene_id")


class LookRows:
    """Rows of looks, look by look; among the columns are those that tell a row's place."""

    def __init__(self, types: Mapping[str, str]) -> None:
        """`types` names the columns in their order, with the pandas type of each."""
        self._types = dict(types)
        self._parts: dict[str, list[Any]] = {name: [] for name in types}

    def add(self, count: int, columns: Mapping[str, Any]) -> None:
        """Rows of one look: of each column an array of `count` values, or one value for all."""
        for name, part in self._parts.items():
            value = columns[name]
            part.extend([value] * count if np.ndim(value) == 0 else value)

    def table(self) -> pd.DataFrame:
        """All rows by site, date, sensor and scenes; equal ones in the order they came in."""
        place = list(zip(*(self._parts[name] for name in _ORDER), strict=True))
        order = sorted(range(len(place)), key=place.__getitem__)
        return pd.DataFrame(
            {
                name: pd.Series([part[row] for row in order], dtype=self._types[name])
                for name, part in self._parts.items()
            }
        )
