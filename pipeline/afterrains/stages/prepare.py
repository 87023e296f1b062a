"""The plan of a run: everything that must be known before a pixel is read.

Reads the inputs, lays out seasons, scenes and cells, and ends with the list of tasks. Nothing is
pulled here but catalogue pages.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from afterrains.errors import Finding, InputError
from afterrains.programme import Drawn, Programme, Woody, load_programme
from afterrains.rain import RainRecord, inspect_rain
from afterrains.register import Register, check_inputs, read_plots, read_register
from afterrains.scenes import (
    BANDS,
    Cell,
    Footprints,
    Refusal,
    Scene,
    lattice_origin,
    lay_cells,
    load_profiles,
    search,
)
from afterrains.scenes.mixing import adjusted_profiles, bands_given
from afterrains.signals.indices import DEFAULT_INDICES, INDICES, available
from afterrains.stages.calendars import full_calendar, watched
from afterrains.stages.cell_task import CellTask
from afterrains.stages.drawn_ground import DrawnGround, draw_ground, rain_of_drawn, with_drawn
from afterrains.stages.plot_ground import (
    PlotGround,
    bbox_with,
    lay_plot_ground,
    plots_in_reach,
    plots_with_scenes,
)
from afterrains.stages.radar_wanted import parted, radar_findings, radar_of_run
from afterrains.stages.radarwork import RadarTask
from afterrains.stages.stacks import MAP_COMPOSITES, PICTURE_BANDS, makeable_composites
from afterrains.stages.task_plan import footprint_of, tasks_of
from afterrains.woody import DEFAULT_FEATURES, bands_needed, composites_needed, load, require_bands

__all__ = ["Prepared", "check_programme", "prepare"]

# Wide enough for a 60 m mask dilation and for later neighbourhood features at 10 m.
_SMALLEST_HALO_M = 60.0


@dataclass(frozen=True)
class Prepared:
    """What a run will do."""

    programme: Programme
    register: Register
    """With the controls that were drawn, if the programme asks for them."""
    rain: RainRecord | None
    full_calendar: pd.DataFrame
    """Every season of the rain record: the reference for how wet a season was."""
    calendar: pd.DataFrame
    """The seasons that the scenes touch; `complete` only where they cover all of one."""
    scenes: tuple[Scene, ...]
    """Scenes that will be read."""
    refused: tuple[Refusal, ...]
    notes: tuple[str, ...]
    cells: tuple[Cell, ...]
    bands: tuple[str, ...]
    indices: tuple[str, ...]
    tasks: tuple[CellTask, ...]
    warnings: tuple[Finding, ...]
    drawn: DrawnGround | None = None
    """What is to be kept of the draw; None where the controls are listed."""
    radar: tuple[RadarTask, ...] = ()
    """Medians of radar for a woody-cover model; empty where none uses it."""
    radar_tracks: tuple[str, ...] = ()
    """What they are of, one track for each direction at most."""
    plots: pd.DataFrame | None = None
    """Field plots that a model is to be fitted to, those that scenes may show; None without."""
    plot_tasks: tuple[CellTask, ...] = ()
    """What is read for plots that lie in no cell of the sites."""

    @property
    def all_tasks(self) -> tuple[CellTask, ...]:
        """What is read for the sites, and then for plots alone."""
        return self.tasks + self.plot_tasks

    def once_read(self) -> Prepared:
        """What judging and delivering need of it: nothing of scenes, cells and tasks."""
        sites = self.register.sites.drop(columns="core")
        return replace(
            self,
            register=replace(self.register, sites=sites),
            scenes=(),
            cells=(),
            tasks=(),
            radar=(),
            plot_tasks=(),
        )


def check_programme(path: Path) -> list[Finding]:
    """Every problem in a programme file and all that it names, catalogue included.

    Raises
    ------
    ServiceError
        If a catalogue does not answer.
    """
    try:
        return list(prepare(path).warnings)
    except InputError as error:
        return list(error.findings)


def prepare(
    path: Path,
    *,
    training: bool = False,
    plots: pd.DataFrame | None = None,
    plots_file: str = "plots",
) -> Prepared:
    """Read the inputs and plan the run.

    Parameters
    ----------
    path : Path
        The programme file.
    training : bool
        Plan for fitting a woody-cover model: the bands of its features are read, and what the file
        says under `woody` is not looked at, for it may name the model that is yet to be made.
    plots : DataFrame, optional
        Plots to fit one to; those that the file names under `woody`, if not given.
    plots_file : str
        Name of the plots' file, for what is found about them.

    Raises
    ------
    InputError
        With every fault of the inputs; also when no scene serves any site.
    ServiceError
        If the catalogue does not answer.
    """
    programme = load_programme(path, leave_out=("woody",) if training else ())
    register, rain, findings = _read_inputs(programme, path)
    if register is None or any(finding.severity == "error" for finding in findings):
        raise InputError(findings)
    if plots is None and programme.woody is not None and programme.woody.train is not None:
        plots, plots_file = read_plots(programme.woody.train), programme.woody.train.name
    bbox = _bbox(register, programme.controls.drawing)
    if plots is not None:
        plots, told = plots_in_reach(plots, register.sites, plots_file)
        findings += told
        bbox = bbox_with(bbox, plots)
    every_season = full_calendar(programme, rain)
    calendar = watched(every_season, programme.scenes.start, programme.scenes.end)
    profiles = load_profiles(programme.scenes.profiles)
    found = search(
        programme.scenes.catalogue,
        programme.scenes.collections,
        programme.scenes.start,
        programme.scenes.end,
        bbox,
        programme.scenes.max_cloud_percent,
        profiles,
        trusted_hosts=programme.scenes.trusted_hosts,
    )
    optical, radar = parted(found.scenes, profiles)
    drawn = None
    if programme.controls.drawing is not None:
        drawn = draw_ground(programme, register, optical, path.name)
        findings += drawn.findings
        register = with_drawn(register, drawn.draw, programme)
        rain = rain_of_drawn(rain, register)
    resolution_m = programme.grid.resolution_m
    bounds = tuple(register.sites.total_bounds)
    lattice = lattice_origin(optical, register.crs, bounds, resolution_m)
    halo_m = max(programme.scenes.mask_dilation_m, _SMALLEST_HALO_M)
    cells = lay_cells(
        register.sites, register.crs, resolution_m, lattice=lattice, halo_m=halo_m
    )  # fmt: skip
    footprints = {cell.cell_id: footprint_of(cell) for cell in cells}
    plot_ground = PlotGround()
    if plots is not None:
        plot_ground = lay_plot_ground(
            plots, register.sites, cells, calendar, resolution_m, lattice=lattice, halo_m=halo_m
        )
    grounds = Footprints(optical)
    at_sites = {at for outline in footprints.values() for at in grounds.positions_over(outline)}
    if not at_sites:
        raise InputError([_no_scene(programme, path, len(optical), found.refused)])
    at_plots = plot_ground.shown_by(grounds, calendar)
    used = tuple(optical[at] for at in sorted(at_sites | at_plots))
    method = programme.scenes.adjust_bandpasses
    profiles, adjusts = adjusted_profiles(used, profiles, method, file=path.name)
    seen = bands_given(used, profiles, adjusts=adjusts)
    indices = tuple(name for name in DEFAULT_INDICES if name in available(seen))
    needed = {band for name in indices for band in INDICES[name].bands} | set(PICTURE_BANDS)
    features = _woody_features(programme.woody)
    if training or programme.woody is not None:
        require_bands(features, seen, file=path.name)
        needed |= bands_needed(features)
    bands = tuple(band for band in BANDS if band in needed & seen)
    kept = _composites(features, bands)
    tasks, of_plots = (
        tuple(
            tasks_of(
                programme, register, calendar, ground, outlines, used, bands, indices, kept,
                profiles, adjusts=adjusts,
            )
        )
        for ground, outlines in ((cells, footprints), (plot_ground.cells, plot_ground.outlines))
    )  # fmt: skip
    plot_tasks = tuple(
        task for task in of_plots if plot_ground.needs(task.cell.cell_id, task.season)
    )
    if plots is not None:
        read = {(task.cell.cell_id, task.season) for task in plot_tasks}
        plots, told = plots_with_scenes(plots, plot_ground, read, plots_file)
        findings += told
    plan = radar_of_run(
        programme, radar, cells, footprints, calendar, profiles, plot_ground, training=training,
        file=path.name,
    )  # fmt: skip
    return Prepared(
        programme=programme,
        register=register,
        rain=rain,
        full_calendar=every_season,
        calendar=calendar,
        scenes=(*used, *plan.used),
        refused=(*found.refused, *plan.refused),
        notes=found.notes,
        cells=tuple(cells),
        bands=bands,
        indices=indices,
        tasks=tasks,
        warnings=(*findings, *plan.findings),
        drawn=drawn,
        radar=plan.tasks,
        radar_tracks=plan.tracks,
        plots=plots,
        plot_tasks=plot_tasks,
    )


def _read_inputs(
    programme: Programme, path: Path
) -> tuple[Register | None, RainRecord | None, list[Finding]]:
    """The register and the rain, where they can be read, and every finding on the way."""
    findings = list(check_inputs(programme, path))
    register, rain = None, None
    if not any(finding.severity == "error" for finding in findings):
        register = read_register(programme)
    if programme.rain is not None:
        rain, rain_findings = inspect_rain(
            programme.rain, None if register is None else register.sites
        )
        findings += rain_findings
    try:
        profiles = load_profiles(programme.scenes.profiles)
        profiles.require(programme.scenes.collections, file=path.name)
        findings += radar_findings(programme, path.name, profiles)
    except InputError as error:
        findings += error.findings
    return register, rain, findings


def _woody_features(woody: Woody | None) -> Sequence[str]:
    """Features of the model at hand, or of one that is or may yet be fitted."""
    return load(woody.model).features if woody and woody.model else DEFAULT_FEATURES


def _composites(features: Sequence[str], bands: Sequence[str]) -> dict[str, tuple[str, ...]]:
    """What is kept of each pixel, by kind of season: what maps show and features are made of.

    Also without a model, so that one can be fitted later to what a run has kept.
    """
    needed = composites_needed(features)
    return {
        "dry": makeable_composites(needed["dry"] | set(MAP_COMPOSITES), bands),
        "rains": makeable_composites(needed["rains"], bands),
        "none": (),
    }


def _bbox(register: Register, drawing: Drawn | None) -> tuple[float, float, float, float]:
    """Bounds in degrees of the sites, and of the ground around them where some is to be drawn."""
    around = register.sites.geometry
    if drawing is not None:
        around = around.buffer(drawing.within_m)
    west, south, east, north = around.to_crs("EPSG:4326").total_bounds
    return float(west), float(south), float(east), float(north)


def _no_scene(programme: Programme, path: Path, found: int, refused: Sequence[Refusal]) -> Finding:
    what = f"no scene covers any site between {programme.scenes.start} and {programme.scenes.end}"
    if found or refused:
        what += f" ({found} found elsewhere, {len(refused)} refused)"
    mend = "check the dates, the collections, the catalogue and the sites' coordinates"
    return Finding("error", path.name, "scenes", what, mend, "no-scenes")
