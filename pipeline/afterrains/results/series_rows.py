"""The rows of series.csv, season by season: all those of a large programme are too many to hold."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Protocol

import pandas as pd

from afterrains.signals.season_values import season_of

__all__ = ["HeldSeries", "SeriesRows"]


class SeriesRows(Protocol):
    """Where the rows are had from."""

    def sensors(self) -> Counter[str]:
        """How many rows there are of each sensor."""

    def of_season(self, season: str, columns: Sequence[str]) -> pd.DataFrame:
        """Those columns of a season's rows, in any order; rows of other days may be among them."""


class HeldSeries:
    """Rows that are held already: a small programme's, or what was read back from its file."""

    def __init__(self, series: pd.DataFrame, calendar: pd.DataFrame) -> None:
        """`series` with `site_id, date, sensor, clear_fraction` and a column for each index."""
        self._series = series
        self._season = season_of(series["date"], calendar)

    def sensors(self) -> Counter[str]:
        """How many rows there are of each sensor."""
        return Counter(self._series["sensor"].astype(str))

    def of_season(self, season: str, columns: Sequence[str]) -> pd.DataFrame:
        """Those columns of a season's rows, in the order of the table."""
        return self._series.loc[self._season == season, list(columns)]
