"""What a task is: a cell of ground through one season, all that its result depends on, its answer.

The key of a task is a digest of that, so equal tasks have equal results, wherever they are done.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property
from typing import Any, Protocol

from afterrains.scenes import Cell, Overpass, Profiles
from afterrains.stages.ledger import key_of

__all__ = ["CellResult", "CellTask", "Task", "identity"]

# Raise when the meaning of a task's result changes, so that older results are not taken for new.
_METHOD = 4
_FLOAT32_BYTES = 4
# Working copies of one layer while it is checked or its composite is made, and the masks.
_SCRATCH_LAYERS = 8


class Task(Protocol):
    """What a task of any kind tells: enough to plan it and to find its record."""

    @property
    def key(self) -> str:
        """Digest of all that its result depends on."""

    @property
    def cell(self) -> Cell:
        """The ground."""

    @property
    def season(self) -> str:
        """Id of the season."""

    @property
    def overpasses(self) -> tuple[Overpass, ...]:
        """What is read."""

    @property
    def profiles(self) -> Profiles:
        """Of the scenes."""

    @property
    def memory_bytes(self) -> int:
        """About the most that it takes at once."""


@dataclass(frozen=True)
class CellTask:
    """Everything the result of one cell and season depends on."""

    cell: Cell
    cores: Mapping[str, bytes]
    """WKB of each site's polygon inside its margin, in the analysis CRS, by site_id."""
    season: str
    kind: str
    start: date
    end: date
    observe_from: date
    """First day whose scenes enter the composites; earlier days enter the series only."""
    overpasses: tuple[Overpass, ...]
    bands: tuple[str, ...]
    indices: tuple[str, ...]
    composites: tuple[str, ...]
    """Names of the composites that later stages need; see `stacks`."""
    dilation_m: float
    profiles: Profiles
    """Profiles of the programme's collections."""
    trusted: frozenset[str] | None = None
    """Hosts that may lie inside this network, None for all; no part of the key."""
    adjust_bandpasses: bool = False
    """Whether reflectance is adjusted between sensors, by the sets that the profiles name."""
    store_bytes: int = 50_000_000_000
    """The most that is kept of remote files; no part of the key."""
    doubted: Mapping[str, str] = field(default_factory=dict)
    """Scenes that are left out because other cells showed that they contradict their metadata, and
    why; see `pull`."""

    @property
    def memory_bytes(self) -> int:
        """About the most that the task takes at once: all bands of all looks of its season."""
        height, width = self.cell.geobox.shape
        of_looks = len(self.overpasses) * (len(self.bands) + _SCRATCH_LAYERS)
        return int(height * width * (of_looks + len(self.composites)) * _FLOAT32_BYTES)

    @cached_property
    def key(self) -> str:
        """Digest of the task: equal tasks, equal results."""
        box = self.cell.geobox
        return key_of(
            _METHOD,
            [str(box.crs), list(box.affine)[:6], list(box.shape)],
            dict(self.cores),
            [self.season, self.kind, self.start, self.end, self.observe_from],
            [identity(overpass) for overpass in self.overpasses],
            [self.bands, self.indices, self.composites, self.dilation_m, self.adjust_bandpasses],
            [profile.model_dump_json() for profile in self.profiles],
            dict(self.doubted),
        )


@dataclass(frozen=True)
class CellResult:
    """What one task reports back; its tables and rasters lie in the ledger under `key`."""

    key: str
    cell_id: str
    season: str
    rows: int
    unreadable: tuple[tuple[str, str, str], ...]
    """(scene_id, band, reason) of every read that failed for good."""
    doubted: tuple[tuple[str, str], ...] = ()
    """(scene_id, reason) of each scene left out because its numbers contradict its metadata."""
    always_masked: tuple[tuple[str, float], ...] = ()
    """(site_id, share) of sites of which a part was masked on nearly every date."""


def identity(overpass: Overpass) -> list[Any]:
    """What tells one overpass's data from another's: scenes, their versions and scaling."""
    return [
        [
            scene.scene_id,
            scene.collection,
            scene.sensor,
            scene.processed,
            scene.baseline,
            {
                band: [_unsigned(asset.href), asset.scale, asset.offset, asset.nodata]
                for band, asset in sorted(scene.bands.items())
            },
        ]
        for scene in overpass.scenes
    ]


def _unsigned(href: str) -> str:
    """An address without its query string, which a signing service changes from hour to hour."""
    return href.split("?", 1)[0] if "://" in href else href
