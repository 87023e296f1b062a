"""Close-ups of single sites: before sowing, newest, woody change and the trend in between."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from afterrains.delivery.page.blocks import Block, SiteKey, newest
from afterrains.delivery.page.ground_drawing import GroundDrawing, Placed, around
from afterrains.delivery.page.pictures import Bounds, open_raster
from afterrains.delivery.page.seasons import SeasonNames

__all__ = ["CLOSE_WIDTH", "CloseUp", "draw_close_ups"]

CLOSE_WIDTH = 120
_SMALLEST_CLOSE_UP_M = 200.0


@dataclass(frozen=True)
class CloseUp:
    """A square close-up of one site: kind is "before", "now", "change" or "trend"."""

    kind: str
    season: str
    picture: str
    placed: Placed
    outline: str


def draw_close_ups(
    block: Block, keys: Mapping[str, SiteKey], names: SeasonNames, longest_side: int
) -> dict[str, tuple[CloseUp, ...]]:
    """Before, now, change and trend of each sown site on the block; each raster is opened once."""
    wanted: list[tuple[str, str, Path, list[str]]] = []
    sown = [site for site in block.shapes if site in keys]
    if block.pictures:
        now = newest(block.pictures, names)
        before: dict[str, list[str]] = {}
        for site in sown:
            season = _last_before(block.pictures, keys[site].first_sown, names)
            if season and season != now:
                before.setdefault(season, []).append(site)
        wanted += [("before", s, block.pictures[s], before[s]) for s in sorted(before)]
        wanted.append(("now", now, block.pictures[now], sown))
    if block.changes:
        latest = newest(block.changes, names)
        wanted.append(("change", latest, block.changes[latest], sown))
    if block.trends:
        latest = newest(block.trends, names)
        wanted.append(("trend", latest, block.trends[latest], sown))
    found: dict[str, list[CloseUp]] = {site: [] for site in sown}
    for kind, season, path, sites in wanted:
        with ExitStack() as files:
            raster = files.enter_context(open_raster(path))
            look = raster.trend if kind == "trend" else raster.picture
            if kind == "change":
                cover = block.covers.get(season)
                beside = files.enter_context(open_raster(cover)) if cover else None
                look = partial(raster.change, cover=beside)
            for site in sites:
                shape = block.shapes[site]
                frame = _square(around([shape], 0.35, _SMALLEST_CLOSE_UP_M))
                inset, drawing = look(frame, longest_side), GroundDrawing(frame, CLOSE_WIDTH)
                placed = drawing.placed(inset.bounds)
                close_up = CloseUp(kind, season, inset.uri, placed, drawing.outline(shape))
                found[site].append(close_up)
    return {site: tuple(close_ups) for site, close_ups in found.items()}


def _square(bounds: Bounds) -> Bounds:
    """`bounds` widened to a square, so that close-ups stand in a row."""
    west, south, east, north = bounds
    wide, tall = max(0, (north - south) - (east - west)), max(0, (east - west) - (north - south))
    return west - wide / 2, south - tall / 2, east + wide / 2, north + tall / 2


def _last_before(pictures: Mapping[str, Path], first_sown: str, names: SeasonNames) -> str:
    """The newest picture whose season started before the first sowing; "" where there is none."""
    earlier = [season for season in pictures if names.order(season)[0] < first_sown]
    return max(earlier, key=names.order, default="")
