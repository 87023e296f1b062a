"""Whether a run has radar, what a woody-cover model wants of it, and what cannot be."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd
from shapely.geometry.base import BaseGeometry

from afterrains.errors import Finding, InputError
from afterrains.programme import Programme
from afterrains.scenes import Cell, Profiles, Scene
from afterrains.stages.plot_ground import PlotGround
from afterrains.stages.radar_plan import RadarPlan, plan_radar
from afterrains.woody import load

__all__ = ["parted", "radar_findings", "radar_of_run"]


def parted(
    scenes: Sequence[Scene], profiles: Profiles
) -> tuple[tuple[Scene, ...], tuple[Scene, ...]]:
    """Optical scenes, and radar, which enters no series, index or count of clear looks."""
    optical: list[Scene] = []
    radar: list[Scene] = []
    for scene in scenes:
        profile = profiles.of(scene.collection)
        (radar if profile is not None and profile.is_radar else optical).append(scene)
    return tuple(optical), tuple(radar)


def radar_of_run(
    programme: Programme,
    scenes: Sequence[Scene],
    cells: Sequence[Cell],
    footprints: Mapping[str, BaseGeometry],
    calendar: pd.DataFrame,
    profiles: Profiles,
    plot_ground: PlotGround,
    *,
    training: bool,
    file: str,
) -> RadarPlan:
    """The radar that a model at hand needs, or that one to be fitted may try."""
    woody = programme.woody
    model = load(woody.model) if woody and woody.model and not training else None
    fits = training or (woody is not None and woody.model is None)
    wanted = None if fits else () if model is None else model.tracks
    named = (profiles.of(name) for name in programme.scenes.collections)
    if not any(profile is not None and profile.is_radar for profile in named):
        plan = RadarPlan()
    else:
        plan = plan_radar(
            programme, scenes, cells, footprints, calendar, profiles, wanted=wanted, file=file
        )
    if wanted and not plan.tasks:
        what = f"the model needs radar of {', '.join(wanted)}, which the scenes do not have"
        mend = "name the collection of radar it was trained with, or train a model for this ground"
        raise InputError([Finding("error", file, "woody", what, mend, "woody-model-radar")])
    if not plan.tracks or not plot_ground.cells:
        return plan
    of_plots = plan_radar(
        programme, scenes, plot_ground.cells, plot_ground.outlines, calendar, profiles,
        wanted=plan.tracks, file=file,
    )  # fmt: skip
    return plan.joined(of_plots, lambda task: plot_ground.needs(task.cell.cell_id, task.season))


def radar_findings(programme: Programme, file: str, profiles: Profiles) -> list[Finding]:
    """Radar stands beside other scenes, and comes from one collection alone."""
    named = {name: profiles.of(name) for name in programme.scenes.collections}
    radar = [name for name, profile in named.items() if profile is not None and profile.is_radar]
    wrong = []
    if radar and len(radar) == len(named):
        what = f"{', '.join(radar)} is radar, which tells no greenness"
        wrong.append((what, "name a collection such as sentinel-2-l2a beside it", "radar-alone"))
    if len(radar) > 1:
        what = f"{' and '.join(radar)} are both radar; processed apart, their numbers differ"
        wrong.append((what, "name one of them", "radar-twice"))
    return [Finding("error", file, "scenes.collections", *each) for each in wrong]
