"""Bringing the sites onto the analysis CRS, and what the grid cannot do for some of them."""

from __future__ import annotations

import math

import geopandas as gpd
import numpy as np
import shapely
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from afterrains.programme import Grid
from afterrains.register.findings import FindingList, first_few
from afterrains.register.geometry import polygon_parts
from afterrains.register.grid import (
    area_by_utm_zone,
    cores,
    geodesic_area_ha,
    scale_error,
    utm_crs_of_most_area,
)
from afterrains.register.sites import place_of

__all__ = ["FEWEST_CORE_PIXELS", "lay_out"]

FEWEST_CORE_PIXELS = 9
"""Pixels of core below which a site is not assessable: three by three; our own choice."""
# Beyond these a stray point or a wrong CRS is likelier than a sowing (common practice, no source).
_LARGEST_SITE_HA = 100_000.0
_FARTHEST_REACH_KM = 50.0
# UTM itself reaches 0.001 inside its zones; pixel counts and areas go wrong by twice the error.
_SCALE_ERROR_TOLD = 0.02
_SCALE_ERROR_REFUSED = 0.10


def lay_out(frame: gpd.GeoDataFrame, grid: Grid, found: FindingList) -> gpd.GeoDataFrame | None:
    """Reproject the sites, add area and core, and check them against the grid.

    Parameters
    ----------
    frame : GeoDataFrame
        A `SiteTable.frame`: longitude and latitude.
    grid : Grid
        The programme's grid settings.
    found : FindingList
        Takes the findings.

    Returns
    -------
    GeoDataFrame or None
        The register's sites (sorted by site_id, with area_ha and core) and the column feature;
        None where no analysis CRS holds them.
    """
    area_ha = [geodesic_area_ha(geometry) for geometry in frame.geometry]
    areas = area_by_utm_zone(frame.geometry, area_ha)
    crs = utm_crs_of_most_area(areas) if grid.crs == "auto" else CRS.from_user_input(grid.crs)
    if crs is None:
        what, mend = "no site lies between 80° S and 84° N, where UTM ends", "set grid.crs"
        found.error("", what, mend, "grid-no-utm")
        return None
    laid = frame.to_crs(crs)
    reached = np.isfinite(laid.bounds.to_numpy()).all(axis=1)
    if not reached.all():
        lost = first_few(frame.loc[~reached, "site_id"])
        what = f"cannot be brought to the analysis CRS {crs.name}: {lost}"
        found.error("", what, "choose another grid.crs", "grid-crs-out-of-reach")
        return None
    laid["geometry"] = [_still_valid(geometry) for geometry in laid.geometry]
    laid["area_ha"] = area_ha
    laid["core"] = gpd.GeoSeries(cores(laid.geometry, grid.margin_m), index=laid.index, crs=crs)
    _tell_zones(areas, crs, found)
    _tell_scale(frame, crs, found)
    _tell_sizes(laid, grid, found)
    columns = ["site_id", "role", "name", "stratum", "area_ha", "core", "geometry", "feature"]
    return laid[columns].sort_values("site_id", kind="stable").reset_index(drop=True)


def _still_valid(geometry: BaseGeometry) -> BaseGeometry:
    """Reprojection moves points by rounding; what it closes up is opened again."""
    if geometry.is_valid:
        return geometry
    return shapely.union_all(polygon_parts(shapely.make_valid(geometry)))


def _tell_zones(areas: dict[int, float], crs: CRS, found: FindingList) -> None:
    by_zone: dict[int, float] = {}
    for code, area in areas.items():
        by_zone[code % 100] = by_zone.get(code % 100, 0.0) + area
    total = sum(by_zone.values())
    if len(by_zone) < 2 or total <= 0:
        return
    shares = ", ".join(f"{zone} ({area / total:.0%})" for zone, area in sorted(by_zone.items()))
    what = f"the sites lie in {len(by_zone)} UTM zones: {shares}; all are worked on in {crs.name}"
    mend = "run far-apart districts as programmes of their own"
    found.warning("", what, mend, "sites-several-zones")


def _tell_scale(frame: gpd.GeoDataFrame, crs: CRS, found: FindingList) -> None:
    points = frame.geometry.representative_point()
    errors = scale_error(crs, points.x.to_numpy(), points.y.to_numpy())
    bent = errors > _SCALE_ERROR_TOLD
    if bent.any():
        worst = errors.max()
        amount = f"up to {worst:.0%}" if np.isfinite(worst) else "beyond use"
        what = f"{crs.name} stretches lengths by {amount} at {first_few(frame.site_id[bent])}"
        mend = "set grid.crs: auto, or a CRS made for the district; or split the programme"
        tell = found.error if worst > _SCALE_ERROR_REFUSED else found.warning
        tell("", what, mend, "grid-crs-stretched")


def _diagonal_m(bounds: tuple[float, float, float, float]) -> float:
    west, south, east, north = bounds
    return math.hypot(east - west, north - south)


def _tell_sizes(laid: gpd.GeoDataFrame, grid: Grid, found: FindingList) -> None:
    pixel_m2 = grid.resolution_m**2
    for site in laid.itertuples(index=False):
        where = place_of(site.feature, site.site_id)
        pixels = site.core.area / pixel_m2
        if pixels < FEWEST_CORE_PIXELS:
            width = 2 * site.geometry.area / site.geometry.length
            what = (
                f"is too small or too narrow for the grid: of {site.area_ha:.2f} ha, about "
                f"{width:.0f} m wide, only {pixels:.1f} pixels are left inside a margin of "
                f"{grid.margin_m:g} m, so it will be not-assessable"
            )
            mend = "join it with the ground around that was treated alike, or leave it out"
            found.warning(where, what, mend, "site-too-small")
            continue
        parts = polygon_parts(site.geometry)
        slivers = sum(part.area < pixel_m2 for part in parts)
        if slivers:
            what = f"has parts smaller than a pixel ({slivers} of {len(parts)})"
            found.warning(where, what, "delete the slivers", "site-slivers")
        reach_km = max(_diagonal_m(part.bounds) for part in parts) / 1000
        if site.area_ha > _LARGEST_SITE_HA or reach_km > _FARTHEST_REACH_KM:
            what = f"is {site.area_ha:,.0f} ha large and reaches over {reach_km:,.0f} km"
            mend = "check for a stray point, and the CRS that the file declares"
            found.warning(where, what, mend, "site-very-large")
