"""The plan of a run: everything that must be known before a pixel is read.

Reads the inputs, lays out seasons, scenes and cells, and ends with the list of tasks. Nothing is
pulled here but catalogue pages.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from afterrains.errors import Finding, InputError
from afterrains.programme import Programme, Woody, load_programme
from afterrains.rain import RainRecord, inspect_rain
from afterrains.register import Register, check_inputs, read_register
from afterrains.scenes import (
    BANDS,
    Cell,
    Profiles,
    Refusal,
    Scene,
    lay_cells,
    load_profiles,
    search,
)
from afterrains.scenes.mixing import adjusted_profiles, bands_given
from afterrains.signals.indices import DEFAULT_INDICES, INDICES, available
from afterrains.stages.calendars import full_calendar, watched
from afterrains.stages.cellwork import CellTask
from afterrains.stages.stacks import MAP_COMPOSITES, PICTURE_BANDS, makeable_composites
from afterrains.stages.task_plan import footprint_of, serves_any, tasks_of
from afterrains.woody import DEFAULT_FEATURES, bands_needed, composites_needed, load, require_bands

__all__ = ["Prepared", "check_programme", "prepare"]

# Wide enough for a 60 m mask dilation and for later neighbourhood features at 10 m.
_SMALLEST_HALO_M = 60.0


@dataclass(frozen=True)
class Prepared:
    """What a run will do."""

    programme: Programme
    register: Register
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


def prepare(path: Path, *, training: bool = False) -> Prepared:
    """Read the inputs and plan the run.

    Parameters
    ----------
    path : Path
        The programme file.
    training : bool
        Plan for fitting a woody-cover model: the bands of its features are read, and what the file
        says under `woody` is not looked at, for it may name the model that is yet to be made.

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
    every_season = full_calendar(programme, rain)
    calendar = watched(every_season, programme.scenes.start, programme.scenes.end)
    profiles = load_profiles(programme.scenes.profiles)
    found = search(
        programme.scenes.catalogue,
        programme.scenes.collections,
        programme.scenes.start,
        programme.scenes.end,
        _bbox(register),
        programme.scenes.max_cloud_percent,
        profiles,
        trusted_hosts=programme.scenes.trusted_hosts,
    )
    resolution_m = programme.grid.resolution_m
    cells = lay_cells(
        register.sites,
        register.crs,
        resolution_m,
        scenes=found.scenes,
        halo_m=max(programme.scenes.mask_dilation_m, _SMALLEST_HALO_M),
    )
    footprints = {cell.cell_id: footprint_of(cell) for cell in cells}
    used = tuple(scene for scene in found.scenes if serves_any(scene, footprints.values()))
    if not used:
        raise InputError([_no_scene(programme, path, len(found.scenes), found.refused)])
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
    tasks = tuple(
        tasks_of(
            programme, register, calendar, cells, footprints, used, bands, indices,
            _composites(features, bands), profiles, adjusts=adjusts,
        )
    )  # fmt: skip
    return Prepared(
        programme=programme,
        register=register,
        rain=rain,
        full_calendar=every_season,
        calendar=calendar,
        scenes=used,
        refused=found.refused,
        notes=found.notes,
        cells=tuple(cells),
        bands=bands,
        indices=indices,
        tasks=tasks,
        warnings=tuple(findings),
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
        findings += _radar_findings(programme, path, profiles)
    except InputError as error:
        findings += error.findings
    if programme.controls.choose == "sampled":
        findings.append(
            Finding(
                "error",
                path.name,
                "controls.choose",
                "asks for sampled controls, which this version cannot draw",
                "list the controls in the sites file and set choose: listed",
                "sampled-not-available",
            )
        )
    return register, rain, findings


def _radar_findings(programme: Programme, path: Path, profiles: Profiles) -> list[Finding]:
    """One for each collection of radar images, which no index and no figure is made of yet."""
    named = {name: profiles.of(name) for name in programme.scenes.collections}
    return [
        Finding(
            "error",
            path.name,
            "scenes.collections",
            f"{name} holds radar images, which this version cannot use in a run",
            "leave it out; its profile serves the library's reader alone",
            "radar-not-available",
        )
        for name, profile in named.items()
        if profile is not None and profile.is_radar
    ]


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


def _bbox(register: Register) -> tuple[float, float, float, float]:
    west, south, east, north = register.sites.to_crs("EPSG:4326").total_bounds
    return float(west), float(south), float(east), float(north)


def _no_scene(programme: Programme, path: Path, found: int, refused: Sequence[Refusal]) -> Finding:
    what = f"no scene covers any site between {programme.scenes.start} and {programme.scenes.end}"
    if found or refused:
        what += f" ({found} found elsewhere, {len(refused)} refused)"
    mend = "check the dates, the collections, the catalogue and the sites' coordinates"
    return Finding("error", path.name, "scenes", what, mend, "no-scenes")
