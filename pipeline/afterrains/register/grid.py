"""The analysis CRS, areas on the ellipsoid, and the core of a site that pixels may be read from."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS, Geod, Proj
from shapely.geometry import box
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from afterrains.register.geometry import polygon_parts

__all__ = [
    "area_by_utm_zone",
    "cores",
    "geodesic_area_ha",
    "scale_error",
    "utm_crs_of_most_area",
]

_WGS84 = Geod(ellps="WGS84")
_UTM_SOUTH, _UTM_NORTH = -80.0, 84.0


def geodesic_area_ha(geometry: BaseGeometry) -> float:
    """Area of a polygon on the WGS 84 ellipsoid, holes taken out, its edges being geodesics.

    Parameters
    ----------
    geometry : Polygon or MultiPolygon
        Longitude and latitude in degrees, WGS 84.

    Returns
    -------
    float
        Hectares.

    References
    ----------
    Karney, C. F. F. (2013). Algorithms for geodesics. J. Geodesy 87, 43-55.
    doi:10.1007/s00190-012-0578-z
    """
    # Holes count as negative area only where they wind against their shell.
    square_metres = sum(
        _WGS84.geometry_area_perimeter(orient(part))[0] for part in polygon_parts(geometry)
    )
    return float(square_metres) / 10_000


def area_by_utm_zone(lonlat: Iterable[BaseGeometry], area_ha: Iterable[float]) -> dict[int, float]:
    """Hectares in each UTM zone, as EPSG codes (326zz north, 327zz south of the equator).

    `area_ha` is the geodesic area of each polygon, which is then not computed again.

    Polygons that cross a zone's edge or the equator are cut there. Zones are the plain six degrees
    of longitude, without the exceptions that the military grid makes around Norway and Svalbard.
    Ground beyond 84° N and 80° S is in no zone and is left out.
    """
    areas: dict[int, float] = defaultdict(float)
    for geometry, whole_ha in zip(lonlat, area_ha, strict=True):
        pieces = [piece for part in polygon_parts(geometry) for piece in _by_zone(part)]
        for code, piece in pieces:
            areas[code] += whole_ha if piece is geometry else geodesic_area_ha(piece)
    return dict(areas)


def _by_zone(part: BaseGeometry) -> list[tuple[int, BaseGeometry]]:
    west, south, east, north = part.bounds
    # The last degree of longitude, 180 itself, belongs to zone 60 here.
    first, last = (min(int((lon + 180) // 6) + 1, 60) for lon in (west, east))
    pieces: list[tuple[int, BaseGeometry]] = []
    for zone in range(first, last + 1):
        left = 6.0 * zone - 186.0
        for family, low, high in ((32600, 0.0, _UTM_NORTH), (32700, _UTM_SOUTH, 0.0)):
            if south >= high or north <= low:
                continue
            whole = first == last and low <= south and north <= high
            piece = part if whole else shapely.intersection(part, box(left, low, left + 6, high))
            if polygon_parts(piece):
                pieces.append((family + zone, piece))
    return pieces


def utm_crs_of_most_area(areas: Mapping[int, float]) -> CRS | None:
    """The UTM CRS of the zone with the most area, in the hemisphere with more of that zone's area.

    Of equal zones the first is taken, and north before south. None where no ground is in any zone.
    """
    if not areas:
        return None
    by_zone: dict[int, float] = defaultdict(float)
    for code, area in areas.items():
        by_zone[code % 100] += area
    zone = min(by_zone, key=lambda number: (-by_zone[number], number))
    north, south = 32600 + zone, 32700 + zone
    return CRS.from_epsg(north if areas.get(north, 0.0) >= areas.get(south, 0.0) else south)


def scale_error(
    crs: CRS, lon: NDArray[np.floating], lat: NDArray[np.floating]
) -> NDArray[np.float64]:
    """Largest relative error of lengths in a projected CRS at each place, in any direction.

    Parameters
    ----------
    crs : CRS
        A projected CRS.
    lon, lat : array, shape (places,)
        Degrees, WGS 84.

    Returns
    -------
    array, shape (places,)
        0.01 means that a metre on the grid is between 0.99 and 1.01 metres of ground; infinity
        where the CRS does not reach.

    References
    ----------
    Snyder, J. P. (1987). Map projections: a working manual. USGS Professional Paper 1395, section
    4, on Tissot's indicatrix. doi:10.3133/pp1395
    """
    factors = Proj(crs).get_factors(np.asarray(lon), np.asarray(lat), errcheck=False)
    axes = np.array([factors.tissot_semimajor, factors.tissot_semiminor])
    return np.where(np.isfinite(axes).all(axis=0), np.abs(axes - 1).max(axis=0), np.inf)


def cores(geometry: Iterable[BaseGeometry], margin_m: float) -> NDArray[Any]:
    """Each polygon without its rim, so that no pixel read mixes with the ground beside it.

    Parameters
    ----------
    geometry : polygons
        In a projected CRS in metres.
    margin_m : float
        Width of the rim; 0 gives the polygons themselves.

    Returns
    -------
    array of Polygon or MultiPolygon
        Empty polygons where nothing is left.
    """
    whole = np.array(list(geometry), dtype=object)
    return np.asarray(shapely.buffer(whole, -margin_m) if margin_m > 0 else whole)
