"""Ground to be read for field plots alone: those that lie in no cell of the sites.

A plot teaches in one dry season only, so each block of ground gets a small cell for every season in
which plots there were surveyed, and nothing else of it is read.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely.geometry.base import BaseGeometry

from afterrains.errors import Finding
from afterrains.register.findings import counted, first_few
from afterrains.scenes import Cell, Footprints, lay_cells
from afterrains.stages.task_plan import footprint_of
from afterrains.woody import DEFAULT_FEATURES, plot_seasons, plots_inside
from afterrains.woody.plots import DEFAULT_RADIUS_M, POSITION_ERROR_M

__all__ = [
    "FARTHEST_PLOT_M",
    "PlotGround",
    "bbox_with",
    "lay_plot_ground",
    "plots_in_reach",
    "plots_with_scenes",
]

FARTHEST_PLOT_M = 100_000.0
"""A plot farther than this from every site lies on other ground, or its place was mistyped (common
practice, no source)."""
_ROOM_DEGREES = 0.02
BBox = tuple[float, float, float, float]


@dataclass(frozen=True)
class PlotGround:
    """Cells laid for plots; none where every plot lies in a cell of the sites."""

    cells: tuple[Cell, ...] = ()
    seasons: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """By cell: its plots' dry season and, where a feature asks for them, the rains before it."""
    outlines: Mapping[str, BaseGeometry] = field(default_factory=dict)
    """By cell, in longitude and latitude."""
    members: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    """By cell: the positions of its plots in their table."""

    def needs(self, cell_id: str, season: str) -> bool:
        """Whether a cell is read in a season."""
        return season in self.seasons[cell_id]

    def shown_by(self, grounds: Footprints, calendar: pd.DataFrame) -> set[int]:
        """Places of the scenes that show any of the cells in a season in which it is read."""
        days = calendar.set_index("season")[["start", "end"]]
        found = set()
        for cell_id, seasons in self.seasons.items():
            spans = days[days.index.isin(seasons)].itertuples(index=False)
            read = [(start.date(), end.date()) for start, end in spans]
            for at in grounds.positions_over(self.outlines[cell_id]):
                day = grounds.scenes[at].solar_day
                if any(start <= day <= end for start, end in read):
                    found.add(at)
        return found


def plots_in_reach(
    plots: pd.DataFrame, sites: gpd.GeoDataFrame, file: str
) -> tuple[pd.DataFrame, list[Finding]]:
    """The plots near enough to the sites, and a warning of the others.

    Parameters
    ----------
    plots : DataFrame
        As `read_plots` gives them.
    sites : GeoDataFrame
        The register's, in metres.
    file : str
        Name of the plots' file, for the warning.
    """
    ground = sites.geometry.union_all()
    near = _places(plots, sites).distance(ground).to_numpy() <= FARTHEST_PLOT_M
    if near.all():
        return plots, []
    what = f"{_listed(plots[~near])} more than {FARTHEST_PLOT_M / 1000:g} km from every site"
    mend = "correct longitude and latitude, or leave them out; they are not used"
    warning = Finding("warning", file, "", what, mend, "plots-too-far")
    return plots[near].reset_index(drop=True), [warning]


def bbox_with(bbox: BBox, plots: pd.DataFrame) -> BBox:
    """A box in degrees, widened so that it holds the plots with room for their circles."""
    if plots.empty:
        return bbox
    lon, lat = plots["lon"], plots["lat"]
    west, south, east, north = bbox
    return (
        min(west, float(lon.min()) - _ROOM_DEGREES),
        min(south, float(lat.min()) - _ROOM_DEGREES),
        max(east, float(lon.max()) + _ROOM_DEGREES),
        max(north, float(lat.max()) + _ROOM_DEGREES),
    )


def lay_plot_ground(
    plots: pd.DataFrame,
    sites: gpd.GeoDataFrame,
    cells: Sequence[Cell],
    calendar: pd.DataFrame,
    resolution_m: float,
    *,
    lattice: tuple[float, float],
    halo_m: float,
    names: Sequence[str] = DEFAULT_FEATURES,
) -> PlotGround:
    """Cells for the plots that no cell of the sites holds.

    Parameters
    ----------
    plots : DataFrame
        In reach of the sites.
    sites : GeoDataFrame
        The register's, in the analysis CRS.
    cells : sequence of Cell
        Of the sites.
    calendar : DataFrame
        Seasons that the scenes touch.
    resolution_m, lattice, halo_m
        As for `lay_cells`; the lattice is that of the sites' cells.
    names : sequence of str
        Features of the model to be fitted.
    """
    away = np.ones(len(plots), dtype=bool)
    for cell in cells:
        away &= ~plots_inside(plots, cell.geobox)
    needed = plot_seasons(plots, calendar, names)
    circles = _places(plots, sites).buffer(
        plots["plot_radius_m"].fillna(DEFAULT_RADIUS_M) + POSITION_ERROR_M
    )
    laid: list[Cell] = []
    seasons: dict[str, tuple[str, ...]] = {}
    held: dict[str, tuple[int, ...]] = {}
    for wanted in sorted({each for each, lone in zip(needed, away, strict=True) if lone and each}):
        members = [at for at in np.flatnonzero(away) if needed[at] == wanted]
        ground = gpd.GeoDataFrame(
            {"site_id": [str(at) for at in members]},
            geometry=circles.iloc[members].to_numpy(),
            crs=sites.crs,
        )
        for cell in lay_cells(ground, sites.crs, resolution_m, lattice=lattice, halo_m=halo_m):
            cell_id = f"{cell.cell_id}-plots-{wanted[0]}"
            laid.append(replace(cell, cell_id=cell_id, site_ids=()))
            seasons[cell_id], held[cell_id] = wanted, tuple(int(at) for at in cell.site_ids)
    outlines = {cell.cell_id: footprint_of(cell) for cell in laid}
    return PlotGround(tuple(laid), seasons, outlines, held)


def plots_with_scenes(
    plots: pd.DataFrame, ground: PlotGround, read: Collection[tuple[str, str]], file: str
) -> tuple[pd.DataFrame, list[Finding]]:
    """The plots without those whose cell no scene shows in their season, and a warning of these.

    Parameters
    ----------
    plots : DataFrame
        Those that the ground was laid for.
    ground : PlotGround
    read : collection of (cell id, season)
        What there are scenes for.
    file : str
        Name of the plots' file.
    """
    lost = sorted(
        at
        for cell in ground.cells
        if (cell.cell_id, ground.seasons[cell.cell_id][0]) not in read
        for at in ground.members[cell.cell_id]
    )
    if not lost:
        return plots, []
    what = f"{_listed(plots.iloc[lost])} where no scene shows the season of the survey"
    mend = "let collections, dates and cloud limit take in their ground, or leave them out"
    warning = Finding("warning", file, "", what, mend, "plots-no-scene")
    return plots.drop(index=plots.index[lost]).reset_index(drop=True), [warning]


def _places(plots: pd.DataFrame, sites: gpd.GeoDataFrame) -> gpd.GeoSeries:
    """The plots' centres in the sites' CRS."""
    points = gpd.points_from_xy(plots["lon"], plots["lat"], crs="EPSG:4326")
    return gpd.GeoSeries(points, index=plots.index).to_crs(sites.crs)


def _listed(plots: pd.DataFrame) -> str:
    verb = "lies" if len(plots) == 1 else "lie"
    return f"{counted(len(plots), 'plot')} ({first_few(plots['plot_id'])}) {verb}"
