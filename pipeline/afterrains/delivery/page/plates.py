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
from afterrains.delivery.page.ground_drawing import GroundDrawing, around
from afterrains.delivery.page.next_step import Verdict
from afterrains.delivery.page.pictures import Bounds, open_raster
from afterrains.delivery.page.seasons import SeasonNames

__all__ = ["PLATE_WIDTH", "Plate", "PlateSite", "lay_plates"]

PLATE_WIDTH = 400
_PLATE_PIXELS = 9_000_000  # of all plates together; some 4 MB in the page
_CLOSE_PIXELS = 2_500_000  # of all close-ups together; some 2 MB in the page
_SMALLEST_PLATE_M = 1_500.0


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
    plates = []
    close_ups: dict[str, tuple[CloseUp, ...]] = {}
    for block in blocks:
        if block.pictures:
            plates.append(_plate(block, keys, names, side))
        close_ups |= draw_close_ups(block, keys, names, close_side)
    off = tuple(site for site in sorted(keys) if site not in on_block)
    return tuple(plates), close_ups, off


def _side(pixels: int, images: int, least: int, most: int) -> int:
    """Longest side of each of `images` images that share `pixels`."""
    return max(least, min(most, int(math.sqrt(pixels / max(images, 1)))))


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


def _plate(
    block: Block, keys: Mapping[str, SiteKey], names: SeasonNames, longest_side: int
) -> Plate:
    season = newest(block.pictures, names)
    wanted = _frame(around(list(block.shapes.values()), 0.08, _SMALLEST_PLATE_M), block.bounds)
    with open_raster(block.pictures[season]) as raster:
        inset = raster.picture(wanted, longest_side)
    drawing = GroundDrawing(inset.bounds, PLATE_WIDTH)
    sown = [(site, shape) for site, shape in block.shapes.items() if site in keys]
    spots = _spread([drawing.point(shape) for _, shape in sown], PLATE_WIDTH, drawing.height)
    metres = _round_length(drawing.metres_per_unit * PLATE_WIDTH / 4)
    return Plate(
        block=block.name,
        season=season,
        height=coordinate(drawing.height),
        picture=inset.uri,
        sown=tuple(
            PlateSite(
                site,
                keys[site].number,
                keys[site].verdict,
                drawing.outline(shape),
                coordinate(x),
                coordinate(y),
            )
            for (site, shape), (x, y) in zip(sown, spots, strict=True)
        ),
        controls=tuple(
            drawing.outline(shape) for site, shape in block.shapes.items() if site not in keys
        ),
        bar_width=coordinate(metres / drawing.metres_per_unit),
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
