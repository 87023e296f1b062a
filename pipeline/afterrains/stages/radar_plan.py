"""Which radar passes a run reads: few, always seen alike, and none that nothing would use.

A woody-cover model may use radar; nothing else does. What it uses is the median of a dry season's
last days, so no other pass is read, and of each direction one track alone for the whole programme:
the same side and angle before and after sowing, on sown ground and on its controls. Ground or
seasons that the track does not show have no radar. That is no break in a series: a model that needs
radar gives no value there.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from afterrains.errors import Finding
from afterrains.programme import Programme
from afterrains.scenes import Cell, Footprints, Overpass, Profiles, Refusal, Scene, overpasses
from afterrains.scenes.radar import DIRECTIONS, direction_of
from afterrains.scenes.sources import may_lie_inside
from afterrains.signals.backscatter import LEAST_DATES
from afterrains.signals.season_values import LATE_DAYS
from afterrains.stages.radarwork import RadarTask

__all__ = ["LEAST_SHARE", "RadarPlan", "Window", "best_tracks", "late_windows", "plan_radar"]

LEAST_SHARE = 0.8
"""Share of cells and dry seasons that a track must show, of the newest season too: as many of a
site's seasons as must have woody cover for the site to be judged in points of it."""


@dataclass(frozen=True)
class Window:
    """The days of one complete dry season from which radar is taken."""

    season: str
    start: date
    end: date


@dataclass(frozen=True)
class RadarPlan:
    """The radar of a run."""

    tracks: tuple[str, ...] = ()
    """One for each direction at most."""
    tasks: tuple[RadarTask, ...] = ()
    used: tuple[Scene, ...] = ()
    refused: tuple[Refusal, ...] = ()
    findings: tuple[Finding, ...] = ()
    """Warnings."""

    def joined(self, other: RadarPlan, needed: Callable[[RadarTask], bool]) -> RadarPlan:
        """The plan with what another one needs of the same tracks on other ground."""
        more = tuple(task for task in other.tasks if needed(task))
        read = {
            scene.scene_id for task in more for look in task.overpasses for scene in look.scenes
        }
        read -= {scene.scene_id for scene in self.used}
        used = tuple(scene for scene in other.used if scene.scene_id in read)
        return replace(self, tasks=self.tasks + more, used=self.used + used)


def late_windows(calendar: pd.DataFrame) -> tuple[Window, ...]:
    """The last `LATE_DAYS` days of each complete dry season, oldest first."""
    dry = calendar[(calendar["kind"] == "dry") & calendar["complete"]]
    found = []
    for season, start, end in zip(dry["season"], dry["start"], dry["end"], strict=True):
        first = max(start.date(), end.date() - timedelta(days=LATE_DAYS - 1))
        found.append(Window(str(season), first, end.date()))
    return tuple(found)


def plan_radar(
    programme: Programme,
    scenes: Sequence[Scene],
    cells: Sequence[Cell],
    footprints: Mapping[str, BaseGeometry],
    calendar: pd.DataFrame,
    profiles: Profiles,
    *,
    wanted: Sequence[str] | None,
    file: str,
) -> RadarPlan:
    """Tasks, and what becomes of every radar scene.

    Parameters
    ----------
    programme : Programme
    scenes : sequence of Scene
        Radar scenes that the catalogue offers.
    cells, footprints
        The run's cells, and their outlines in longitude and latitude by id.
    calendar : DataFrame
        The seasons that the scenes touch.
    profiles : Profiles
    wanted : sequence of str, optional
        Tracks of the model at hand; empty where no model uses radar; None where one is to be
        fitted, which then tries the best track of each direction.
    file : str
        Name of the programme file, for messages.
    """
    windows = late_windows(calendar)
    names = ", ".join(name for name in programme.scenes.collections if _is_radar(profiles, name))
    if wanted is not None and not wanted:
        return RadarPlan(
            refused=tuple(_refusal(s, "radar-unused", "no woody model uses it") for s in scenes),
            findings=(_unused(file, names),),
        )
    shown = _dates_shown(scenes, footprints, windows)
    tracks = tuple(wanted) if wanted is not None else best_tracks(shown, footprints, windows)
    if not tracks:
        return RadarPlan(
            refused=tuple(_refusal(s, "radar-too-rare", "no track comes often") for s in scenes),
            findings=(_too_rare(file, names),),
        )
    used, refused = [], []
    for scene in scenes:
        if scene.track not in tracks:
            what = f"of {scene.track}; only {' and '.join(tracks)} are read, so that all seasons "
            refused.append(_refusal(scene, "radar-other-track", what + "are seen alike"))
        elif not any(window.start <= scene.solar_day <= window.end for window in windows):
            what = f"not in the last {LATE_DAYS} days of a complete dry season"
            refused.append(_refusal(scene, "radar-not-late-dry", what))
        else:
            used.append(scene)
    tasks = tuple(_tasks(programme, used, cells, footprints, windows, profiles))
    read = {scene.scene_id for task in tasks for look in task.overpasses for scene in look.scenes}
    missing = _missing(file, tracks, shown, footprints, windows)
    return RadarPlan(
        tracks=tracks,
        tasks=tasks,
        used=tuple(scene for scene in used if scene.scene_id in read),
        refused=tuple(refused),
        findings=() if missing is None else (missing,),
    )


def best_tracks(
    shown: Mapping[tuple[str, str, str], int],
    cells: Iterable[str],
    windows: Sequence[Window],
) -> tuple[str, ...]:
    """Of each direction the track that shows most cells and seasons, where it shows enough.

    Parameters
    ----------
    shown : mapping
        Dates by track, cell and season.
    cells : iterable of str
    windows : sequence of Window
    """
    cells = list(cells)
    whole = len(cells) * len(windows)
    found = []
    for direction in DIRECTIONS:
        enough: Counter[str] = Counter()
        dates: Counter[str] = Counter()
        newest: Counter[str] = Counter()
        for (track, _, season), count in shown.items():
            if direction_of(track) == direction:
                enough[track] += count >= LEAST_DATES
                dates[track] += count
                newest[track] += season == windows[-1].season and count >= LEAST_DATES
        if not dates:
            continue
        best = max(sorted(dates), key=lambda track: (enough[track], dates[track]))
        if enough[best] >= LEAST_SHARE * whole and newest[best] >= LEAST_SHARE * len(cells):
            found.append(best)
    return tuple(found)


def _dates_shown(
    scenes: Iterable[Scene], footprints: Mapping[str, BaseGeometry], windows: Sequence[Window]
) -> Counter[tuple[str, str, str]]:
    """Passes over the middle of each cell, by track, cell and season."""
    middles = {cell_id: outline.centroid for cell_id, outline in footprints.items()}
    shown: Counter[tuple[str, str, str]] = Counter()
    for look in overpasses(scenes):
        season = next((w.season for w in windows if w.start <= look.date <= w.end), None)
        if season is None:
            continue
        ground = shapely.union_all([shapely.geometry.shape(s.footprint) for s in look.scenes])
        shapely.prepare(ground)
        for cell_id, middle in middles.items():
            if ground.intersects(middle):
                shown[look.scenes[0].track, cell_id, season] += 1
    return shown


def _tasks(
    programme: Programme,
    used: Sequence[Scene],
    cells: Sequence[Cell],
    footprints: Mapping[str, BaseGeometry],
    windows: Sequence[Window],
    profiles: Profiles,
) -> Iterable[RadarTask]:
    """One for each cell and dry season that has passes, however few."""
    named = (profiles.of(name) for name in programme.scenes.collections)
    radar = Profiles({each.id: each for each in named if each is not None and each.is_radar})
    trusted = may_lie_inside(programme.scenes.catalogue, programme.scenes.trusted_hosts)
    grounds = Footprints(used)
    for cell in cells:
        here = overpasses(grounds.over(footprints[cell.cell_id]))
        for window in windows:
            looks: tuple[Overpass, ...] = tuple(
                look for look in here if window.start <= look.date <= window.end
            )
            if looks:
                yield RadarTask(
                    cell=cell,
                    season=window.season,
                    start=window.start,
                    end=window.end,
                    overpasses=looks,
                    profiles=radar,
                    trusted=trusted,
                    store_bytes=round(programme.scenes.store_gb * 1e9),
                )


def _is_radar(profiles: Profiles, collection: str) -> bool:
    profile = profiles.of(collection)
    return profile is not None and profile.is_radar


def _refusal(scene: Scene, reason: str, detail: str) -> Refusal:
    return Refusal(scene.scene_id, scene.collection, scene.acquired, reason, detail)


def _unused(file: str, names: str) -> Finding:
    return Finding(
        "warning",
        file,
        "scenes.collections",
        f"{names} is radar, which only a woody-cover model can use, and none here does; none of "
        "it is read",
        "leave it out, or try it with `afterrains train` on your plots",
        "radar-unused",
    )


def _too_rare(file: str, names: str) -> Finding:
    return Finding(
        "warning",
        file,
        "scenes.collections",
        f"{names}: no track has {LEAST_DATES} dates at the end of {100 * LEAST_SHARE:.0f} % of "
        "the dry seasons, the newest among them; a model with radar would leave most sites to "
        "greenness, so none is read",
        "nothing to mend: the satellites did not come; leave the collection out",
        "radar-too-rare",
    )


def _missing(
    file: str,
    tracks: Sequence[str],
    shown: Mapping[tuple[str, str, str], int],
    footprints: Mapping[str, BaseGeometry],
    windows: Sequence[Window],
) -> Finding | None:
    """Seasons in which a track shows most cells too seldom."""
    told = []
    for track in tracks:
        rare = [
            window.season
            for window in windows
            if 2 * sum(shown.get((track, c, window.season), 0) < LEAST_DATES for c in footprints)
            > len(footprints)
        ]
        if rare:
            told.append(f"{track} in {', '.join(rare)}")
    if not told:
        return None
    return Finding(
        "warning",
        file,
        "scenes.collections",
        f"too few radar dates ({LEAST_DATES} are needed) on most ground: {'; '.join(told)}. A "
        "model that uses this radar gives no woody cover then, and a site with too few seasons "
        "left is judged on greenness in all of them",
        "nothing to mend: the satellites did not come; or train without radar",
        "radar-seasons-missing",
    )
