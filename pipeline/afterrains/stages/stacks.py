"""The looks of a cell's season, layer upon layer, until composites are made of them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from afterrains.scenes import Observation
from afterrains.signals.composites import season_composite
from afterrains.signals.indices import available, compute
from afterrains.signals.season_values import LATE_DAYS

__all__ = ["COMPOSITE_INDICES", "OUTCOME_LAYER", "SeasonStacks"]

COMPOSITE_INDICES = ("ndvi", "ndmi", "nbr", "nbr2")
"""Indices whose low, median and high are kept for each pixel and season, where bands allow."""
OUTCOME_LAYER = "ndvi"


class SeasonStacks:
    """The looks of a season by layer, until the composites are made of them."""

    def __init__(
        self,
        kind: str,
        observe_from: date,
        end: date,
        bands: Sequence[str],
        shape: Sequence[int],
    ) -> None:
        self._kind, self._observe_from, self._end = kind, observe_from, end
        self._shape = tuple(shape)
        layers = (*bands, *(index for index in COMPOSITE_INDICES if index in available(bands)))
        self._looks: dict[str, list[NDArray[np.float32]]] = {layer: [] for layer in layers}
        self._dates: list[date] = []

    def add(self, seen: Observation) -> None:
        """Keep a look that counts; bands that could not be read stay NaN."""
        if self._kind == "none" or seen.date < self._observe_from:
            return
        self._dates.append(seen.date)
        for layer, looks in self._looks.items():
            values = (
                compute(layer, seen.reflectance)
                if layer in COMPOSITE_INDICES
                else seen.reflectance[layer]
            )
            looks.append(np.asarray(values, dtype=np.float32))

    def composites(self) -> dict[str, NDArray[Any]]:
        """Of the season, and of a dry season's last days."""
        if self._kind == "none":
            return {}
        out = self._of("", [True] * len(self._dates))
        if self._kind == "dry":
            first_late = self._end - timedelta(days=LATE_DAYS - 1)
            out |= self._of("late_", [day >= first_late for day in self._dates])
        return out

    def _of(self, prefix: str, chosen: list[bool]) -> dict[str, NDArray[Any]]:
        out: dict[str, NDArray[Any]] = {}
        for layer, looks in self._looks.items():
            stack = [look for look, taken in zip(looks, chosen, strict=True) if taken]
            cube = np.stack(stack) if stack else np.full((1, *self._shape), np.nan, np.float32)
            found = season_composite(cube)
            stats = ("low", "median", "high") if layer in COMPOSITE_INDICES else ("median",)
            out |= {f"{prefix}{layer}_{stat}": found[stat] for stat in stats}
            if layer == OUTCOME_LAYER:
                out[f"{prefix}count"] = found["count"]
        return out
