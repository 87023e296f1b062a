"""Drawn controls: from the register and the scenes to patches, and from the kept file back.

The patches of an earlier run stand as long as seed and settings do, whatever season is added. Sown
ground that is added gets patches only where it has too few within reach, and a patch is given up
where sown or listed ground comes to lie on it or beside it. All of that is told.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from afterrains.delivery.atomic import write_bytes
from afterrains.delivery.drawn_layer import (
    FILE,
    KeptDraw,
    as_written,
    frame_of,
    read_kept,
    write_kept,
)
from afterrains.delivery.geojson import plain_geometry
from afterrains.drawn import Patch, draw_patches
from afterrains.errors import Finding
from afterrains.programme import Drawn, Programme
from afterrains.rain import RainRecord
from afterrains.register import Register
from afterrains.register.findings import first_few
from afterrains.register.grid import cores, geodesic_area_ha
from afterrains.scenes import Scene, block_boxes
from afterrains.stages.drawn_told import Tell, tell_left_out, tell_reach
from afterrains.stages.history import FORMER
from afterrains.stages.scene_cover import Coverage

__all__ = ["DrawnGround", "as_kept", "draw_ground", "keep", "rain_of_drawn", "with_drawn"]

_LEAST_PIXELS = 4
"""Pixels along a side of the smallest patch, inside the margin."""


@dataclass(frozen=True)
class DrawnGround:
    """The draw of a run, what is to be told of it, and whether it differs from the kept one."""

    draw: KeptDraw
    findings: tuple[Finding, ...]
    changed: bool


def draw_ground(
    programme: Programme, register: Register, scenes: Sequence[Scene], file: str
) -> DrawnGround:
    """The draw that the output folder keeps, or a new one, or what must be added to it.

    Nothing is written. `file` is the programme file's name, for the findings.

    Raises
    ------
    InputError
        If the kept file cannot be read.
    """
    wanted = programme.controls.drawing
    assert wanted is not None, "only a programme that asks for drawn ground comes here"
    settings = wanted.model_dump(mode="json", exclude={"leave_out"})
    kept = read_kept(programme.output_folder)
    findings: list[Finding] = []

    def tell(what: str, mend: str, code: str) -> None:
        findings.append(Finding("warning", file, "controls.drawn", what, mend, code))

    standing = kept
    if kept is not None and kept.settings != settings:
        tell(
            "differs from what the patches so far were drawn with, so ground is drawn anew and a "
            "new verdict history begins",
            "put the former settings back, unless the change is meant",
            "drawn-anew",
        )
        standing = None
    if standing is not None:
        standing = _without_taken(standing, programme, register, tell)
    # Numbers go on even after a new draw, so that an id never stands for two grounds.
    last = 0 if kept is None else kept.last_number
    draw = _topped_up(standing, last, settings, wanted, programme, register, scenes)
    if standing is not None and len(draw.patches) > len(standing.patches):
        more = len(draw.patches) - len(standing.patches)
        tell(
            f"gets {more} more {'patch' if more == 1 else 'patches'}, since sown ground was added; "
            "a new verdict history begins",
            "nothing to do, unless a site's outline was changed by mistake",
            "drawn-more",
        )
    tell_left_out(wanted, draw, tell)
    tell_reach(wanted, draw, register, tell)
    return DrawnGround(draw, tuple(findings), kept is None or _told(kept) != _told(draw))


def keep(ground: DrawnGround, folder: Path) -> None:
    """Write a draw that is new or changed; the one before is put beside the former histories."""
    if not ground.changed:
        return
    former, before = folder / FILE, read_kept(folder)
    if before is not None and not _holds(ground.draw, before):
        content = former.read_bytes()
        name = f"drawn_controls-{hashlib.sha256(content).hexdigest()[:12]}.geojson"
        write_bytes(folder / FORMER / name, content)
    write_kept(ground.draw, folder)


def as_kept(programme: Programme, register: Register) -> Register:
    """The register with the patches that a run has kept; as it is where there are none."""
    kept = None if programme.controls.drawing is None else read_kept(programme.output_folder)
    return register if kept is None else with_drawn(register, kept, programme)


def with_drawn(register: Register, draw: KeptDraw, programme: Programme) -> Register:
    """The register with the drawn patches among its controls, those that were left out not."""
    wanted = programme.controls.drawing
    left_out = () if wanted is None else wanted.leave_out
    patches = draw.patches[~draw.patches["site_id"].isin(left_out)]
    if patches.empty:
        return register
    laid = patches.to_crs(register.crs)
    laid["core"] = gpd.GeoSeries(
        cores(laid.geometry, programme.grid.margin_m), index=laid.index, crs=register.crs
    )
    # A stratum that was mended in the sites file is mended here too.
    strata = register.sites.set_index("site_id")["stratum"]
    laid["stratum"] = laid["nearest_sown"].map(strata).fillna(laid["stratum"])
    laid = laid.assign(role="control", name="")
    sites = pd.concat([register.sites, laid[list(register.sites.columns)]], ignore_index=True)
    sites = sites.sort_values("site_id", kind="stable").reset_index(drop=True)
    nearest = dict(zip(laid["site_id"], laid["nearest_sown"], strict=True))
    return replace(register, sites=sites, drawn=nearest)


def rain_of_drawn(rain: RainRecord | None, register: Register) -> RainRecord | None:
    """The rain record with each patch getting its nearest sown site's rain."""
    if rain is None or rain.programme_wide or not register.drawn:
        return rain
    columns = {
        patch: rain.daily[site] for patch, site in register.drawn.items() if site in rain.daily
    }
    daily = pd.concat([rain.daily, pd.DataFrame(columns, index=rain.daily.index)], axis=1)
    return replace(rain, daily=daily)


def _holds(now: KeptDraw, before: KeptDraw) -> bool:
    """Whether nothing of the draw before is given up."""
    gone = set(before.patches["site_id"]) - set(now.patches["site_id"])
    return not gone and now.settings == before.settings


def _told(draw: KeptDraw) -> tuple[Any, ...]:
    """What two draws are told apart by."""
    outlines = [plain_geometry(each) for each in draw.patches.geometry]
    ids = list(draw.patches["site_id"])
    return ids, outlines, dict(draw.settings), dict(draw.served), draw.last_number


def _without_taken(
    draw: KeptDraw, programme: Programme, register: Register, tell: Tell
) -> KeptDraw:
    """The draw without patches on which, or beside which, sown or listed ground lies by now."""
    sites = register.sites
    laid = draw.patches.to_crs(register.crs).geometry.to_numpy()
    taken = np.zeros(len(laid), dtype=bool)
    spill_over_m = programme.controls.spill_over_m
    for role, nearer_m in (("sown", spill_over_m), ("control", 0.0)):
        of_role = sites.loc[sites["role"] == role, "geometry"].to_numpy()
        if len(of_role) and len(laid):
            hit = shapely.STRtree(of_role).query(laid, predicate="dwithin", distance=nearer_m)[0]
            taken[hit] = True
    if not taken.any():
        return draw
    names = first_few(draw.patches["site_id"][taken])
    tell(
        f"loses {names}: sown ground or a listed control lies there by now, so a new verdict "
        "history begins",
        "nothing to do, unless a site's outline is wrong",
        "drawn-taken",
    )
    return replace(draw, patches=draw.patches[~taken].reset_index(drop=True))


def _topped_up(
    standing: KeptDraw | None,
    last: int,
    settings: Mapping[str, Any],
    wanted: Drawn,
    programme: Programme,
    register: Register,
    scenes: Sequence[Scene],
) -> KeptDraw:
    """The draw with patches for every sown site that has not had its turn."""
    sown = register.sites[register.sites["role"] == "sown"]
    lonlat = sown.to_crs("EPSG:4326").geometry
    digests = {
        site_id: _digest_of(outline)
        for site_id, outline in zip(sown["site_id"], lonlat, strict=True)
    }
    before = {} if standing is None else standing.served
    new = np.array([before.get(site_id) != digest for site_id, digest in digests.items()], bool)
    old = frame_of([]) if standing is None else standing.patches
    if new.any():
        outlines = sown.geometry.to_numpy()
        known = register.sites.geometry.to_numpy()
        coverage = Coverage(scenes, lonlat[new].representative_point().to_numpy(), register.crs)
        resolution_m = programme.grid.resolution_m
        drawn = draw_patches(
            list(outlines[new]),
            list(sown["site_id"][new]),
            list(known),
            list(old.to_crs(register.crs).geometry),
            number=wanted.number,
            apart_m=max(wanted.apart_m, programme.controls.spill_over_m),
            within_m=wanted.within_m,
            most=max(wanted.most - len(old), 0),
            seed=wanted.seed,
            least_side_m=2 * programme.grid.margin_m + _LEAST_PIXELS * resolution_m,
            near_by=shapely.union_all(
                block_boxes(register.sites, register.crs, resolution_m, scenes=scenes)
            ),
            may_serve=coverage.serves,
        )
    else:
        drawn = []
    # Ids of the sites file are passed over: somebody may have copied a patch into it.
    taken = set(register.sites["site_id"]) - set(register.drawn)
    rows, last = _as_rows(drawn, sown, register, taken, last)
    patches = old
    if rows:
        more = frame_of(rows)
        patches = more if old.empty else pd.concat([old, more], ignore_index=True)
    return KeptDraw(patches, settings, digests, last)


def _as_rows(
    drawn: Iterable[Patch], sown: gpd.GeoDataFrame, register: Register, taken: set[str], last: int
) -> tuple[list[dict[str, Any]], int]:
    """The patches as the file keeps them, numbered on from `last`."""
    tree = shapely.STRtree(sown.geometry.to_numpy())
    rows = []
    for patch in drawn:
        last += 1
        while f"drawn-{last:03d}" in taken:
            last += 1
        at = int(tree.nearest(patch.outline))
        outline = as_written(patch.outline, register.crs)
        rows.append(
            {
                "site_id": f"drawn-{last:03d}",
                "nearest_sown": sown["site_id"].iloc[at],
                "stratum": sown["stratum"].iloc[at],
                "area_ha": round(geodesic_area_ha(outline), 4),
                "geometry": outline,
            }
        )
    return rows, last


def _digest_of(outline: BaseGeometry) -> str:
    text = json.dumps(plain_geometry(outline.normalize()))
    return hashlib.sha256(text.encode()).hexdigest()[:16]
