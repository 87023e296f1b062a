"""The looks of a cell's season, layer upon layer, until composites are made of them.

A composite is named `<layer>_<statistic>`: the layer a band or one of `COMPOSITE_INDICES`, the
statistic `low`, `median` or `high`; `count` is that of the clear looks of `OUTCOME_LAYER`. With the
prefix `late_` it is of a dry season's last `LATE_DAYS` days alone, when grass is deadest. Only what
later stages ask for is made: the others would take most of a task's time and of the store.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from datetime import date, timedelta
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from afterrains.scenes import Observation
from afterrains.signals.composites import season_composite
from afterrains.signals.indices import available, compute
from afterrains.signals.season_values import LATE_DAYS

__all__ = [
    "COMPOSITE_INDICES",
    "MAP_COMPOSITES",
    "OUTCOME_LAYER",
    "PICTURE_BANDS",
    "SeasonStacks",
    "layers_of",
    "makeable_composites",
]

COMPOSITE_INDICES = ("ndvi", "ndmi", "nbr", "nbr2")
"""Indices of which composites can be made, where bands allow."""
OUTCOME_LAYER = "ndvi"
PICTURE_BANDS = ("red", "green", "blue")
MAP_COMPOSITES = (
    f"late_{OUTCOME_LAYER}_median",
    "late_count",
    *(f"{band}_median" for band in PICTURE_BANDS),
)
"""What the maps of a dry season show."""
_LATE = "late_"


class _Parts(NamedTuple):
    """What a composite's name says."""

    late: bool
    layer: str
    statistic: str


def _parts(name: str) -> _Parts:
    stem = name.removeprefix(_LATE)
    layer, _, statistic = stem.rpartition("_")
    return _Parts(name.startswith(_LATE), layer or OUTCOME_LAYER, statistic)


def layers_of(composites: Iterable[str]) -> tuple[str, ...]:
    """The layers that these composites are made of, sorted."""
    return tuple(sorted({_parts(name).layer for name in composites}))


def makeable_composites(names: Iterable[str], bands: Collection[str]) -> tuple[str, ...]:
    """Those of the composites that these bands allow, sorted."""
    known = {*bands, *(set(COMPOSITE_INDICES) & set(available(bands)))}
    return tuple(sorted({name for name in names if _parts(name).layer in known}))


class SeasonStacks:
    """The looks of a season, until the composites are made of them, one layer at a time."""

    def __init__(
        self, composites: Collection[str], observe_from: date, end: date, shape: Sequence[int]
    ) -> None:
        self._wanted = {name: _parts(name) for name in composites}
        self._observe_from, self._end = observe_from, end
        self._shape = tuple(shape)
        self._looks: list[Observation] = []

    def add(self, seen: Observation) -> None:
        """Keep a look that counts; looks come in order of time, bands not read stay NaN."""
        if self._wanted and seen.date >= self._observe_from:
            self._looks.append(seen)

    def composites(self) -> dict[str, NDArray[Any]]:
        """By name, (y, x) each, in the order of their names."""
        first_late = self._end - timedelta(days=LATE_DAYS - 1)
        early = sum(look.date < first_late for look in self._looks)
        out: dict[str, NDArray[Any]] = {}
        for layer in layers_of(self._wanted):
            cube = self._cube(layer)
            for late in (False, True):
                names = {
                    name: parts.statistic
                    for name, parts in self._wanted.items()
                    if (parts.late, parts.layer) == (late, layer)
                }
                if names:
                    found = season_composite(
                        cube[early if late else 0 :], names=frozenset(names.values())
                    )
                    out |= {name: found[statistic] for name, statistic in names.items()}
        return {name: out[name] for name in sorted(out)}

    def _cube(self, layer: str) -> NDArray[np.float32]:
        """A layer of all looks, (time, y, x)."""
        cube = np.empty((len(self._looks), *self._shape), np.float32)
        for at, look in enumerate(self._looks):
            cube[at] = (
                compute(layer, look.reflectance)
                if layer in COMPOSITE_INDICES
                else look.reflectance[layer]
            )
        return cube
