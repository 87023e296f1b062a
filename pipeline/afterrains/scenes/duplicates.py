"""One observation per ground and pass: passes found, tiles grouped, repeated products dropped.

A satellite in a sun-synchronous orbit sees the same ground at most once in an orbit of about 100
minutes. Scenes of one sensor and solar day that lie close in time are therefore one pass, whatever
their catalogue says about datatakes or paths. Within a pass and tile the newest processing wins; a
product whose frame the winner does not hold (a pass cut into two datastrips) is kept beside it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from shapely.geometry import shape

from afterrains.scenes.model import Overpass, Refusal, Scene

__all__ = ["assign_overpasses", "deduplicate", "overpasses"]

_ONE_PASS = timedelta(minutes=45)
_HELD = 0.95  # reprocessing shifts a frame's corners a little; a datastrip cut leaves far less
_NEVER = datetime.min.replace(tzinfo=UTC)


def assign_overpasses(scenes: Iterable[Scene]) -> list[Scene]:
    """The scenes with `overpass` set, sorted by acquisition and id.

    The name is sensor and solar day, as "landsat-8_2020-12-04"; a second pass on the same day, as
    happens near the poles, is numbered.
    """
    by_day: dict[tuple[str, str], list[Scene]] = defaultdict(list)
    for scene in sorted(scenes, key=_in_time):
        by_day[scene.sensor, scene.solar_day.isoformat()].append(scene)
    named = []
    for (sensor, day), group in by_day.items():
        number, latest = 1, group[0].acquired
        for scene in group:
            if scene.acquired - latest > _ONE_PASS:
                number += 1
            latest = scene.acquired
            suffix = f"_{number}" if number > 1 else ""
            named.append(replace(scene, overpass=f"{sensor}_{day}{suffix}"))
    return sorted(named, key=_in_time)


def deduplicate(scenes: Iterable[Scene]) -> tuple[list[Scene], list[Refusal]]:
    """Of several products of the same tile and pass, the newest; the others as refusals.

    Newest goes by processing time, then baseline, then id, so that the answer never depends on the
    order in which a catalogue lists them. Scenes without a tile are told apart by their frame
    alone.
    """
    groups: dict[tuple[str, str], list[Scene]] = defaultdict(list)
    for scene in scenes:
        groups[scene.overpass, scene.tile].append(scene)
    kept: list[Scene] = []
    refused: list[Refusal] = []
    for group in groups.values():
        winners: list[Scene] = []
        for scene in sorted(group, key=newest, reverse=True):
            holder = next((winner for winner in winners if _holds(winner, scene)), None)
            if holder is None:
                winners.append(scene)
            else:
                refused.append(_duplicate(scene, holder))
        kept += winners
    return sorted(kept, key=_in_time), refused


def overpasses(scenes: Iterable[Scene]) -> list[Overpass]:
    """The scenes grouped into passes, sorted by date and name; tiles in each sorted by name.

    The date is the solar day that most of the tiles bear, the earliest on a tie.
    """
    groups: dict[str, list[Scene]] = defaultdict(list)
    for scene in scenes:
        groups[scene.overpass].append(scene)
    found = []
    for name, group in groups.items():
        days = sorted(scene.solar_day for scene in group)
        day = max(days, key=lambda d: (days.count(d), -d.toordinal()))
        tiles = tuple(sorted(group, key=lambda scene: (scene.tile, scene.scene_id)))
        found.append(Overpass(day, tiles[0].sensor, name, tiles))
    return sorted(found, key=lambda overpass: (overpass.date, overpass.overpass))


def newest(scene: Scene) -> tuple[datetime, str, str, str]:
    """Sort key: later is newer; the last two parts only make the order certain."""
    first = min((asset.href for asset in scene.bands.values()), default="")
    return scene.processed or _NEVER, scene.baseline or "", scene.scene_id, first


def _in_time(scene: Scene) -> tuple[datetime, str, tuple[datetime, str, str, str]]:
    return scene.acquired, scene.scene_id, newest(scene)


def _holds(winner: Scene, scene: Scene) -> bool:
    """Whether nearly all of a scene's frame lies inside the winner's."""
    if winner.footprint == scene.footprint:
        return True
    outer, inner = shape(winner.footprint), shape(scene.footprint)
    if not (outer.is_valid and inner.is_valid):
        outer, inner = outer.buffer(0), inner.buffer(0)
    return bool(inner.intersection(outer).area >= _HELD * inner.area)


def _duplicate(scene: Scene, winner: Scene) -> Refusal:
    made = winner.processed.isoformat() if winner.processed else "at an unknown time"
    detail = f"same tile and pass as {winner.scene_id}, processed {made}"
    if winner.baseline and winner.baseline != scene.baseline:
        detail += f" with baseline {winner.baseline}"
    return Refusal(scene.scene_id, scene.collection, scene.acquired, "duplicate", detail)
