"""The invented district: two grounds, its sown sites and its comparable unsown ground.

Nothing here is a real place, programme or person. The coordinates only give the ground a UTM zone
and a latitude. Each ground is a square split into four columns and five rows of slots; a site
lies in one slot (a multipolygon in two), so that neighbours keep a distance. Lengths are in
metres, x grows to the east, y to the north.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import Transformer
from shapely import MultiPolygon, Polygon, affinity
from shapely.geometry.base import BaseGeometry

from afterrains.sample.chance import chance
from afterrains.sample.plan import CONTROLS, MIXES, SOWN, WAYS, Kind, Plan

__all__ = ["EPSG", "GROUNDS", "SIZES", "Extent", "Ground", "Site", "SowingRow", "sites"]

EPSG = 32631
_COLUMNS, _ROWS = 4, 5


@dataclass(frozen=True)
class Extent:
    """How much is written: `pixels` of 10 m along a side of each ground, and the scene years."""

    pixels: int
    first_year: int
    last_year: int
    plots: int

    @property
    def scale(self) -> float:
        """Side of a ground as a share of the full one; sites shrink alike."""
        return self.pixels / 256


SIZES: dict[str, Extent] = {
    "full": Extent(pixels=256, first_year=2016, last_year=2025, plots=180),
    "small": Extent(pixels=160, first_year=2016, last_year=2023, plots=90),
}


@dataclass(frozen=True)
class Ground:
    """A square of ground, one scene tile. `dune_columns` are the slot columns of dune sand."""

    name: str
    tile: str
    west_m: float
    north_m: float
    dune_columns: tuple[int, int]


GROUNDS: dict[str, Ground] = {
    # Two grounds 30 km apart, on either side of a border of the military grid's squares.
    "west": Ground("west", "31PDR", 486_000.0, 1_551_200.0, (0, 1)),
    "east": Ground("east", "31PER", 516_400.0, 1_547_800.0, (2, 3)),
}


@dataclass(frozen=True)
class SowingRow:
    """A row of sowing.csv; `species` are joined by ';' in the file."""

    sown_on: date
    method: Literal["hand", "vehicle", "aircraft"]
    species: tuple[str, ...]
    seed_kg_per_ha: float
    seed_lot: str
    cost_per_ha: float


@dataclass(frozen=True)
class Site:
    """A site with its truth.

    `woody_percent` is the cover in 2016, `gain_points` what sowing (or, for a control, ground by
    itself) adds in the end, `full_after` the dry seasons until then, `event_on` the day of
    clearing or fire, `geometry` the outline in metres (EPSG:32631) as the vector file gives it.
    """

    site_id: str
    name: str
    ground: str
    stratum: str
    kind: Kind
    woody_percent: float
    gain_points: float
    full_after: float
    sowing: tuple[SowingRow, ...]
    event_on: date | None
    geometry: BaseGeometry
    lonlat: BaseGeometry

    @property
    def role(self) -> str:
        """`sown` or `control`, as the vector file says."""
        return "sown" if self.sowing else "control"

    @property
    def starts_on(self) -> date | None:
        """First day of the first dry season after sowing: the clock of a gain starts here."""
        if self.kind is Kind.RECOVERING:
            return date(2018, 10, 15)
        if not self.sowing:
            return None
        first = self.sowing[0].sown_on
        return date(first.year + (first > date(first.year, 8, 15)), 10, 15)


@cache
def sites(size: str, seed: int) -> tuple[Site, ...]:
    """Every site of the sample, sown ones first; outlines are irregular and depend on the seed."""
    made = []
    for prefix, plans in (("s", SOWN), ("c", CONTROLS)):
        for number, plan in enumerate(plans, start=1):
            made.append(_site(f"{prefix}{number:02d}", plan, SIZES[size], seed))
    return tuple(made)


def _site(site_id: str, plan: Plan, extent: Extent, seed: int) -> Site:
    """One row of the plan as a site, with its outline drawn and its sowing rows filled in."""
    rng = chance(seed, "outline", site_id)
    parts = [
        _outline(plan.ground, slot, plan.area_ha * share * extent.scale**2, extent.scale, rng)
        for slot, share in zip(plan.slots, _shares(len(plan.slots)), strict=True)
    ]
    lonlat = _rounded_lonlat(parts[0] if len(parts) == 1 else MultiPolygon(parts))
    # The truth is counted on what the file says, hence back from the rounded degrees.
    geometry = shapely.transform(lonlat, _metres)
    stratum = "dune" if plan.slots[0][0] in GROUNDS[plan.ground].dune_columns else "glacis"
    return Site(
        site_id=site_id,
        name=plan.name,
        ground=plan.ground,
        stratum=stratum,
        kind=plan.kind,
        woody_percent=plan.woody_percent,
        gain_points=plan.gain_points,
        full_after=plan.full_after,
        sowing=tuple(_sowing_row(plan.way, text, extent.last_year, rng) for text in plan.sown),
        event_on=date.fromisoformat(plan.event) if plan.event else None,
        geometry=geometry,
        lonlat=lonlat,
    )


def _shares(parts: int) -> tuple[float, ...]:
    return (1.0,) if parts == 1 else (0.6, 0.4)


def _sowing_row(way: str, text: str, last_year: int, rng: np.random.Generator) -> SowingRow:
    method_name, mix = way.split()
    method, kg_per_ha, cost_per_ha = WAYS[method_name]
    if text.startswith("-"):  # counted back from the last scene year
        text = f"{last_year - int(text[1])}{text[2:]}"
    sown_on = date.fromisoformat(text)
    return SowingRow(
        sown_on=sown_on,
        method=method,
        species=MIXES[mix],
        seed_kg_per_ha=round(kg_per_ha * float(rng.uniform(0.9, 1.1)), 1),
        seed_lot=f"L{sown_on.year % 100}-{mix.upper()}{int(rng.integers(1, 4))}",
        cost_per_ha=cost_per_ha * float(rng.uniform(0.92, 1.08)),
    )


def _outline(
    ground: str, slot: tuple[int, int], area_ha: float, scale: float, rng: np.random.Generator
) -> Polygon:
    """An irregular closed outline of the given area around the middle of a slot."""
    angle = np.linspace(0.0, 2 * np.pi, 26, endpoint=False)
    radius = np.ones_like(angle)
    for waves, height in ((2, 0.10), (3, 0.07), (5, 0.04)):
        radius += height * np.cos(waves * angle + rng.uniform(0, 2 * np.pi))
    stretch = np.sqrt(rng.uniform(1.05, 1.35))
    shape = Polygon(np.c_[radius * np.cos(angle) * stretch, radius * np.sin(angle) / stretch])
    factor = np.sqrt(area_ha * 10_000 / shape.area)
    side_m = 2560.0 * scale
    x = GROUNDS[ground].west_m + (slot[0] + 0.5) * side_m / _COLUMNS
    y = GROUNDS[ground].north_m - (slot[1] + 0.5) * side_m / _ROWS
    scaled = affinity.scale(shape, factor, factor, origin=shape.centroid)
    return affinity.translate(scaled, x - scaled.centroid.x, y - scaled.centroid.y)


@cache
def _to_metres() -> Transformer:
    return Transformer.from_crs("EPSG:4326", EPSG, always_xy=True)


def _metres(degrees: NDArray[np.float64]) -> NDArray[np.float64]:
    x, y = _to_metres().transform(degrees[:, 0], degrees[:, 1])
    metres: NDArray[np.float64] = np.c_[x, y]
    return metres


def _rounded_lonlat(shape: BaseGeometry) -> BaseGeometry:
    """The outline in degrees, rounded to 0.1 m as vector files from the field are."""

    def degrees(metres: NDArray[np.float64]) -> NDArray[np.float64]:
        lon, lat = _to_metres().transform(metres[:, 0], metres[:, 1], direction="INVERSE")
        rounded: NDArray[np.float64] = np.rint(np.c_[lon, lat] * 1e6) / 1e6
        return rounded

    return shapely.transform(shape, degrees)
