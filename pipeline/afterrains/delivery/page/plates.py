"""The maps: each block's sites over its picture of the ground.

A plate is drawn 400 units wide whatever its ground, so that marks and numbers keep one size; the
page scales it. North is up as far as the analysis grid's north is (within a UTM zone, a few
degrees).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from afterrains.delivery.page.axes import coordinate
from afterrains.delivery.page.blocks import Block, SiteKey, find_blocks, newest
from afterrains.delivery.page.close_ups import CloseUp, draw_close_ups
from afterrains.delivery.page.folder import Folder
from afterrains.delivery.page.ground_drawing import GroundDrawing, Placed, around
from afterrains.delivery.page.next_step import Verdict
from afterrains.delivery.page.pictures import Bounds, open_raster
from afterrains.delivery.page.seasons import SeasonNames

__all__ = ["PLATE_WIDTH", "Plate", "PlateSite", "lay_plates"]

PLATE_WIDTH = 400
_FACING_WIDTH = (
    270  # of maps two abreast: in fewer units of their own, marks and numbers are larger
)
_FACING = range(3, 7)
_PLATE_PIXELS = 9_000_000  # of all plates together; some 4 MB in the page
_CLOSE_PIXELS = 2_500_000  # of all close-ups together; some 2 MB in the page
_SMALLEST_PLATE_M = 1_500.0
_TALLEST, _FLATTEST = 0.95, 0.5  # height to width


@dataclass(frozen=True)
class PlateSite:
    """A sown site on a plate: its outline, and where its mark and number stand, once a part."""

    site_id: str
    verdict: Verdict
    outline: str
    pins: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Plate:
    """A map of one block."""

    block: str
    season: str
    width: int
    height: str
    picture: str
    placed: Placed
    sown: tuple[PlateSite, ...]
    controls: tuple[str, ...]
    bar_width: str
    bar_metres: int


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
    blocks = find_blocks(folder)
    on_block = {site for block in blocks for site in block.shapes}
    sown_count = sum(1 for site in on_block if site in keys)
    side = _side(_PLATE_PIXELS, len(blocks), 160, 640)
    close_side = _side(_CLOSE_PIXELS, 2 * sown_count, 48, 128)
    width = _FACING_WIDTH if sum(bool(each.pictures) for each in blocks) in _FACING else PLATE_WIDTH
    plates = []
    close_ups: dict[str, tuple[CloseUp, ...]] = {}
    for block in blocks:
        if block.pictures:
            plates.append(_plate(block, keys, names, side, width))
        close_ups |= draw_close_ups(block, keys, names, close_side)
    off = tuple(site for site in sorted(keys) if site not in on_block)
    return tuple(plates), close_ups, off


def _side(pixels: int, images: int, least: int, most: int) -> int:
    """Longest side of each of `images` images that share `pixels`."""
    return max(least, min(most, int(math.sqrt(pixels / max(images, 1)))))


def _frame(sites: Bounds, raster: Bounds) -> Bounds:
    """The sites' bounds, not beyond the raster's rim without need, in a shape fit for a page."""
    west, south = max(sites[0], raster[0]), max(sites[1], raster[1])
    east, north = min(sites[2], raster[2]), min(sites[3], raster[3])
    width, height = east - west, north - south
    wide = max(0.0, height / _TALLEST - width) / 2
    tall = max(0.0, width * _FLATTEST - height) / 2
    return west - wide, south - tall, east + wide, north + tall


def _plate(
    block: Block, keys: Mapping[str, SiteKey], names: SeasonNames, longest_side: int, width: int
) -> Plate:
    season = newest(block.pictures, names)
    frame = _frame(around(list(block.shapes.values()), 0.08, _SMALLEST_PLATE_M), block.bounds)
    with open_raster(block.pictures[season]) as raster:
        inset = raster.picture(frame, longest_side)
    drawing = GroundDrawing(frame, width)
    metres = _round_length(drawing.metres_per_unit * width / 4)
    return Plate(
        block=block.name,
        season=season,
        width=width,
        height=coordinate(drawing.height),
        picture=inset.uri,
        placed=drawing.placed(inset.bounds),
        sown=_sown(block, keys, drawing, width),
        controls=tuple(
            drawing.outline(shape) for site, shape in block.shapes.items() if site not in keys
        ),
        bar_width=coordinate(metres / drawing.metres_per_unit),
        bar_metres=metres,
    )


def _sown(
    block: Block, keys: Mapping[str, SiteKey], drawing: GroundDrawing, width: int
) -> tuple[PlateSite, ...]:
    """Outlines and pins of the block's sown sites."""
    sown = {site: shape for site, shape in block.shapes.items() if site in keys}
    wanted = [(site, point) for site, shape in sown.items() for point in drawing.points(shape)]
    spots = _spread([point for _, point in wanted], width, drawing.height)
    pins: dict[str, list[tuple[str, str]]] = {site: [] for site in sown}
    for (site, _), (x, y) in zip(wanted, spots, strict=True):
        pins[site].append((coordinate(x), coordinate(y)))
    return tuple(
        PlateSite(site, keys[site].verdict, drawing.outline(shape), tuple(pins[site]))
        for site, shape in sown.items()
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
