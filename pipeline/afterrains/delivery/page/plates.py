"""The maps: each block's sites over its picture of the ground, and close-ups of single sites.

A plate is drawn 400 units wide whatever its ground, so that marks and numbers keep one size; the
page scales it. North is up as far as the analysis grid's north is (within a UTM zone, a few
degrees).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pyproj
import shapely
from shapely.geometry.base import BaseGeometry

from afterrains.delivery.page.axes import coordinate
from afterrains.delivery.page.folder import Folder
from afterrains.delivery.page.next_step import Verdict
from afterrains.delivery.page.pictures import Bounds, Inset, Raster, find_rasters, open_raster
from afterrains.delivery.page.seasons import SeasonNames

__all__ = ["CLOSE_WIDTH", "PLATE_WIDTH", "CloseUp", "Plate", "PlateSite", "SiteKey", "lay_plates"]

PLATE_WIDTH = 400
CLOSE_WIDTH = 120
_MARK = 7.0
_PLATE_PIXELS = 9_000_000  # of all plates together; some 4 MB in the page
_CLOSE_PIXELS = 2_500_000  # of all close-ups together; some 2 MB in the page
_SMALLEST_PLATE_M = 1_500.0
_SMALLEST_CLOSE_UP_M = 200.0


@dataclass(frozen=True)
class SiteKey:
    """What a map needs to know of a sown site."""

    site_id: str
    number: int
    verdict: Verdict
    first_sown: str
    """ISO date of the first sowing; "" when not known."""


@dataclass(frozen=True)
class PlateSite:
    """A sown site on a plate: outline, and where its mark and number stand."""

    site_id: str
    number: int
    verdict: Verdict
    outline: str
    x: str
    y: str


@dataclass(frozen=True)
class Plate:
    """A map of one block."""

    block: str
    season: str
    height: str
    picture: str
    sown: tuple[PlateSite, ...]
    controls: tuple[str, ...]
    bar_width: str
    bar_metres: int


@dataclass(frozen=True)
class CloseUp:
    """A close-up of one site: kind is "before", "now" or "trend"."""

    kind: str
    season: str
    height: str
    picture: str
    outline: str


@dataclass
class _Block:
    """A block's rasters and the sites on it."""

    name: str
    raster_path: Path
    pictures: Mapping[str, Path]
    trends: Mapping[str, Path]
    bounds: Bounds
    to_crs: pyproj.Transformer
    shapes: dict[str, BaseGeometry] = field(default_factory=dict)


def lay_plates(
    folder: Folder, keys: Mapping[str, SiteKey], names: SeasonNames
) -> tuple[tuple[Plate, ...], dict[str, tuple[CloseUp, ...]], tuple[str, ...]]:
    """Lay out all maps.

    Parameters
    ----------
    folder : Folder
        The output folder; rasters are found under its path.
    keys : mapping from site_id to SiteKey
        The sown sites.
    names : SeasonNames
        For the order of the rasters' seasons.

    Returns
    -------
    plates : tuple of Plate
        One for each block that holds a site, by name.
    close_ups : dict from site_id to tuple of CloseUp
        For the sown sites that lie on a raster.
    off_plates : tuple of str
        Sown sites that lie on none.
    """
    blocks = _blocks(folder)
    for site_id, ground in folder.grounds.items():
        _place(site_id, ground.geometry, blocks)
    used = [block for block in blocks if block.shapes]
    on_block = {site for block in used for site in block.shapes}
    sown_count = sum(1 for site in on_block if site in keys)
    side = _side(_PLATE_PIXELS, len(used), 160, 640)
    close_side = _side(_CLOSE_PIXELS, 2 * sown_count, 48, 128)
    plates = []
    close_ups: dict[str, tuple[CloseUp, ...]] = {}
    for block in used:
        if block.pictures:
            plates.append(_plate(block, keys, names, side))
        close_ups |= _close_ups(block, keys, names, close_side)
    off = tuple(site for site in sorted(keys) if site not in on_block)
    return tuple(plates), close_ups, off


def _side(pixels: int, images: int, least: int, most: int) -> int:
    """Longest side of each of `images` images that share `pixels`."""
    return max(least, min(most, int(math.sqrt(pixels / max(images, 1)))))


def _blocks(folder: Folder) -> list[_Block]:
    pictures = find_rasters(folder.path, "picture")
    trends = find_rasters(folder.path, "greenness_trend")
    blocks = []
    for name in sorted({*pictures, *trends}):
        paths = [*pictures.get(name, {}).values(), *trends.get(name, {}).values()]
        with open_raster(paths[0]) as raster:
            to_crs = pyproj.Transformer.from_crs("EPSG:4326", raster.crs, always_xy=True)
            blocks.append(
                _Block(
                    name,
                    paths[0],
                    pictures.get(name, {}),
                    trends.get(name, {}),
                    raster.bounds,
                    to_crs,
                )
            )
    return blocks


def _place(site_id: str, geometry: BaseGeometry, blocks: Sequence[_Block]) -> None:
    """Give the site to the block that holds its inner point, if any."""
    point = geometry.representative_point()
    for block in blocks:
        x, y = block.to_crs.transform(point.x, point.y)
        west, south, east, north = block.bounds
        if west <= x <= east and south <= y <= north:
            block.shapes[site_id] = shapely.transform(
                geometry, block.to_crs.transform, interleaved=False
            )
            return


def _around(shapes: Sequence[BaseGeometry], margin: float, smallest: float) -> Bounds:
    """Bounds of the shapes with a margin (share of the longer side), at least `smallest` wide."""
    west, south, east, north = (float(b) for b in shapely.total_bounds(list(shapes)))
    room = margin * max(east - west, north - south)
    room = max(room, (smallest - max(east - west, north - south)) / 2)
    return west - room, south - room, east + room, north + room


def _frame(bounds: Bounds, limits: Bounds) -> Bounds:
    """`bounds` brought to a page-friendly shape and kept within `limits`."""
    west, south, east, north = bounds
    width, height = east - west, north - south
    wide, tall = max(0.0, 1.1 * height - width) / 2, max(0.0, 0.62 * width - height) / 2
    west, east, south, north = west - wide, east + wide, south - tall, north + tall
    return (
        max(west, limits[0]),
        max(south, limits[1]),
        min(east, limits[2]),
        min(north, limits[3]),
    )


class _Sheet:
    """Ground coordinates to drawing units."""

    def __init__(self, bounds: Bounds, width: float) -> None:
        west, south, east, north = bounds
        self._west, self._north = west, north
        self._scale = width / (east - west)
        self.height = (north - south) * self._scale
        self.metres_per_unit = 1 / self._scale

    def outline(self, shape: BaseGeometry) -> str:
        """Path data of a polygon's rings."""
        drawn = shapely.transform(
            shape,
            lambda x, y: ((x - self._west) * self._scale, (self._north - y) * self._scale),
            interleaved=False,
        )
        drawn = shapely.simplify(drawn, 0.4)
        return "".join(_ring_path(ring) for ring in _rings(drawn))

    def point(self, shape: BaseGeometry) -> tuple[float, float]:
        """A place inside the shape, in drawing units."""
        inside = shape.representative_point()
        return (inside.x - self._west) * self._scale, (self._north - inside.y) * self._scale


def _rings(shape: BaseGeometry) -> list[list[tuple[float, float]]]:
    polygons = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]
    return [
        [(x, y) for x, y, *_ in ring.coords]
        for polygon in polygons
        for ring in (polygon.exterior, *polygon.interiors)
    ]


def _ring_path(ring: Sequence[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{coordinate(x)} {coordinate(y)}" for x, y in ring[:-1]) + "Z"


def _newest(paths: Mapping[str, Path], names: SeasonNames) -> str:
    return max(paths, key=names.order)


def _plate(
    block: _Block, keys: Mapping[str, SiteKey], names: SeasonNames, longest_side: int
) -> Plate:
    season = _newest(block.pictures, names)
    wanted = _frame(_around(list(block.shapes.values()), 0.08, _SMALLEST_PLATE_M), block.bounds)
    with open_raster(block.pictures[season]) as raster:
        inset = raster.picture(wanted, longest_side)
    sheet = _Sheet(inset.bounds, PLATE_WIDTH)
    sown = [(site, shape) for site, shape in block.shapes.items() if site in keys]
    spots = _spread([sheet.point(shape) for _, shape in sown], PLATE_WIDTH, sheet.height)
    metres = _round_length(sheet.metres_per_unit * PLATE_WIDTH / 4)
    return Plate(
        block=block.name,
        season=season,
        height=coordinate(sheet.height),
        picture=inset.uri,
        sown=tuple(
            PlateSite(
                site,
                keys[site].number,
                keys[site].verdict,
                sheet.outline(shape),
                coordinate(x),
                coordinate(y),
            )
            for (site, shape), (x, y) in zip(sown, spots, strict=True)
        ),
        controls=tuple(
            sheet.outline(shape) for site, shape in block.shapes.items() if site not in keys
        ),
        bar_width=coordinate(metres / sheet.metres_per_unit),
        bar_metres=metres,
    )


def _spread(
    points: Sequence[tuple[float, float]], width: float, height: float
) -> list[tuple[float, float]]:
    """Move marks that would lie on each other to the nearest free place around their site."""
    taken: list[tuple[float, float]] = []
    steps = [(0.0, 0.0)] + [
        (ring * dx, ring * dy)
        for ring in (1.0, 2.0, 3.0)
        for dx, dy in ((0, -15), (0, 15), (30, 0), (-30, 0), (30, -15), (-30, -15), (30, 15))
    ]
    for px, py in points:
        places = [
            (min(max(px + dx, 18), width - 18), min(max(py + dy, 10), height - 10))
            for dx, dy in steps
        ]
        free = (
            p for p in places if all(abs(p[0] - q[0]) > 29 or abs(p[1] - q[1]) > 14 for q in taken)
        )
        taken.append(next(free, places[0]))
    return taken


def _round_length(metres: float) -> int:
    """The largest of 1, 2, 5 times ten to n that is not longer than `metres`."""
    power = 10 ** math.floor(math.log10(max(metres, 1.0)))
    return int(max(step * power for step in (1, 2, 5) if step * power <= max(metres, 1.0)))


def _close_ups(
    block: _Block, keys: Mapping[str, SiteKey], names: SeasonNames, longest_side: int
) -> dict[str, tuple[CloseUp, ...]]:
    """Before, now and trend of each sown site on the block; each raster is opened once."""
    wanted: list[tuple[str, str, Path, list[str]]] = []
    sown = [site for site in block.shapes if site in keys]
    if block.pictures:
        newest = _newest(block.pictures, names)
        before: dict[str, list[str]] = {}
        for site in sown:
            season = _last_before(block.pictures, keys[site].first_sown, names)
            if season and season != newest:
                before.setdefault(season, []).append(site)
        wanted += [("before", s, block.pictures[s], before[s]) for s in sorted(before)]
        wanted.append(("now", newest, block.pictures[newest], sown))
    if block.trends:
        newest = _newest(block.trends, names)
        wanted.append(("trend", newest, block.trends[newest], sown))
    found: dict[str, list[CloseUp]] = {site: [] for site in sown}
    for kind, season, path, sites in wanted:
        with open_raster(path) as raster:
            for site in sites:
                inset = _inset(raster, kind, block.shapes[site], longest_side)
                sheet = _Sheet(inset.bounds, CLOSE_WIDTH)
                found[site].append(
                    CloseUp(
                        kind,
                        season,
                        coordinate(sheet.height),
                        inset.uri,
                        sheet.outline(block.shapes[site]),
                    )
                )
    return {site: tuple(close_ups) for site, close_ups in found.items()}


def _inset(raster: Raster, kind: str, shape: BaseGeometry, longest_side: int) -> Inset:
    bounds = _around([shape], 0.35, _SMALLEST_CLOSE_UP_M)
    if kind == "trend":
        return raster.trend(bounds, longest_side)
    return raster.picture(bounds, longest_side)


def _last_before(pictures: Mapping[str, Path], first_sown: str, names: SeasonNames) -> str:
    """The newest picture whose season started before the first sowing; "" where there is none."""
    earlier = [season for season in pictures if names.order(season)[0] < first_sown]
    return max(earlier, key=names.order, default="")
