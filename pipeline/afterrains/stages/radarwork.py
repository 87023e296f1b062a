"""One task of radar: a cell of ground through the end of one dry season, from passes to medians.

It stands beside the cell's optical task of the season and changes nothing in it: a programme that
takes radar in, or leaves it out, reads no other scene anew. Its layers are read together with the
optical composites where a woody-cover model asks for them.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from afterrains.scenes import Cell, Overpass, Profiles, WindowReader, read_overpasses
from afterrains.scenes.model import RADAR_BANDS
from afterrains.scenes.radar import direction_of
from afterrains.signals.backscatter import LEAST_DATES, power_median
from afterrains.stages.cell_task import CellResult, identity
from afterrains.stages.cellwork import COMPOSITES
from afterrains.stages.layers import write_layers
from afterrains.stages.ledger import Ledger, key_of
from afterrains.stages.readers import BLOCKS, reader_of

__all__ = ["RadarTask", "perform_radar", "radar_layers"]

# Raise when the meaning of a task's result changes, so that older results are not taken for new.
_METHOD = 1
_FLOAT32_BYTES = 4
_SCRATCH_LAYERS = 4  # masks, and working copies of a layer while its median is taken


@dataclass(frozen=True)
class RadarTask:
    """Everything the radar medians of one cell and dry season depend on."""

    cell: Cell
    season: str
    start: date
    """First day taken: the season's last `LATE_DAYS` days, as of the other features."""
    end: date
    overpasses: tuple[Overpass, ...]
    """Of one track for each direction, none left out."""
    profiles: Profiles
    trusted: frozenset[str] | None = None
    """Hosts that may lie inside this network, None for all; no part of the key."""
    store_bytes: int = 50_000_000_000
    """The most that is kept of remote files; no part of the key."""

    @property
    def memory_bytes(self) -> int:
        """About the most that the task takes at once."""
        height, width = self.cell.geobox.shape
        layers = len(RADAR_BANDS) + _SCRATCH_LAYERS
        return int(height * width * len(self.overpasses) * layers * _FLOAT32_BYTES)

    @property
    def key(self) -> str:
        """Digest of the task: equal tasks, equal results."""
        box = self.cell.geobox
        return key_of(
            ["radar", _METHOD, LEAST_DATES],
            [str(box.crs), list(box.affine)[:6], list(box.shape)],
            [self.season, self.start, self.end],
            [[look.scenes[0].track, identity(look)] for look in self.overpasses],
            [profile.model_dump_json() for profile in self.profiles],
        )


def perform_radar(
    task: RadarTask, ledger: Ledger, *, reader: WindowReader | None = None
) -> CellResult:
    """Do the task and record it; a failed read is told in the result, never zero.

    Raises
    ------
    OutputError
        If the result cannot be written.
    """
    looks: list[tuple[str, Mapping[str, NDArray[np.float32]]]] = []
    unreadable: set[tuple[str, str, str]] = set()
    seen = read_overpasses(
        task.overpasses,
        task.cell.geobox,
        RADAR_BANDS,
        task.profiles,
        dilation_m=0.0,
        reader=reader or reader_of(ledger.folder / BLOCKS, task),
    )
    for overpass, look in zip(task.overpasses, seen, strict=True):
        looks.append((direction_of(overpass.scenes[0].track), look.reflectance))
        unreadable.update(look.unreadable)
    layers = radar_layers(looks)
    result = CellResult(
        task.key, task.cell.cell_id, task.season, 0, unreadable=tuple(sorted(unreadable))
    )
    with ledger.record(task.key) as folder:
        write_layers(folder / COMPOSITES, layers)
        told = {"unreadable": result.unreadable, "doubted": (), "always_masked": (), "rows": 0}
        (folder / "result.json").write_text(json.dumps(told), encoding="utf-8")
    return result


def radar_layers(
    looks: Sequence[tuple[str, Mapping[str, NDArray[np.float32]]]],
) -> dict[str, NDArray[Any]]:
    """Medians by direction: `late_<band>_<direction>_median`, and `late_radar_<direction>_count`.

    Parameters
    ----------
    looks : sequence of (direction, bands)
        Linear power (y, x) of `vv` and `vh`, NaN where missing; of one track for each direction.
    """
    out: dict[str, NDArray[Any]] = {}
    for direction in sorted({direction for direction, _ in looks}):
        mine = [bands for found, bands in looks if found == direction]
        for band in RADAR_BANDS:
            median, count = power_median(np.stack([bands[band] for bands in mine]))
            out[f"late_{band}_{direction}_median"] = median
        out[f"late_radar_{direction}_count"] = count
    return out
