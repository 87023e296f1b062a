"""Which cell is read through which season with which overpasses: one task each."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pyproj
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from afterrains.programme import Programme
from afterrains.register import Register
from afterrains.scenes import Cell, Footprints, Overpass, Profiles, Scene, overpasses
from afterrains.scenes.sources import may_lie_inside
from afterrains.stages.cell_task import CellTask

__all__ = ["footprint_of", "tasks_of"]


def footprint_of(cell: Cell) -> BaseGeometry:
    """The cell's outline in longitude and latitude, its edges bent as the projection bends them."""
    box = cell.geobox
    outline = shapely.segmentize(shapely.box(*box.boundingbox.bbox), box.resolution.x * 64)
    to_lonlat = pyproj.Transformer.from_crs(str(box.crs), "EPSG:4326", always_xy=True)

    def lonlat(xy: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.column_stack(to_lonlat.transform(xy[:, 0], xy[:, 1]))

    return shapely.transform(outline, lonlat)


@dataclass(frozen=True)
class _Stretch:
    """A season, or days that no season holds; those enter the series only."""

    season: str
    kind: str
    start: date
    end: date
    observe_from: date


def _stretches(calendar: pd.DataFrame, start: date, end: date) -> Iterator[_Stretch]:
    """All days from `start` to `end`, season by season, without gaps or overlaps."""
    day = start
    columns = ("season", "kind", "start", "end", "observe_from")
    for season, kind, begins, ends, observed in zip(
        *(calendar[column] for column in columns), strict=True
    ):
        first, last = begins.date(), ends.date()
        if first > day:
            yield _Stretch("", "none", day, first - timedelta(days=1), day)
        yield _Stretch(season, kind, max(first, start), min(last, end), observed.date())
        day = last + timedelta(days=1)
    if day <= end:
        yield _Stretch("", "none", day, end, day)


def tasks_of(
    programme: Programme,
    register: Register,
    calendar: pd.DataFrame,
    cells: Sequence[Cell],
    footprints: Mapping[str, BaseGeometry],
    scenes: Sequence[Scene],
    bands: tuple[str, ...],
    indices: tuple[str, ...],
    composites: Mapping[str, tuple[str, ...]],
    profiles: Profiles,
    *,
    adjusts: bool,
) -> Iterator[CellTask]:
    """One task for each cell and stretch of time that has scenes.

    `composites` names what is kept of each pixel, by the kind of the stretch.
    """
    cores = dict(zip(register.sites["site_id"], register.sites["core"].to_wkb(), strict=True))
    served = (profiles.of(name) for name in programme.scenes.collections)
    # Radar has tasks of its own, so that naming it changes no key of these.
    scenes_from = programme.scenes
    trusted = may_lie_inside(scenes_from.catalogue, scenes_from.trusted_hosts)
    used = Profiles({each.id: each for each in served if each is not None and not each.is_radar})
    grounds = Footprints(scenes)
    for cell in cells:
        here = overpasses(grounds.over(footprints[cell.cell_id]))
        for stretch in _stretches(calendar, programme.scenes.start, programme.scenes.end):
            looks: tuple[Overpass, ...] = tuple(
                look for look in here if stretch.start <= look.date <= stretch.end
            )
            if looks:
                yield CellTask(
                    cell=cell,
                    cores={site_id: cores[site_id] for site_id in cell.site_ids},
                    season=stretch.season,
                    kind=stretch.kind,
                    start=stretch.start,
                    end=stretch.end,
                    observe_from=stretch.observe_from,
                    overpasses=looks,
                    bands=bands,
                    indices=indices,
                    composites=composites[stretch.kind],
                    dilation_m=programme.scenes.mask_dilation_m,
                    profiles=used,
                    trusted=trusted,
                    adjust_bandpasses=adjusts,
                    store_bytes=round(scenes_from.store_gb * 1e9),
                )
