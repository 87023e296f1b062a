"""What a raster of rain says of itself: its step, grid and unit; and what makes it unfit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pyproj
import rasterio

from afterrains.errors import Finding
from afterrains.rain.lattice import Axis, Lattice, axis_of
from afterrains.rain.units import RainUnit, parse_unit

__all__ = ["Face", "StepRaster", "UnfitError", "lattice_of", "require_like", "unfit", "unit_of"]


@dataclass(frozen=True)
class StepRaster:
    """One band of one raster: the rain of one time step.

    `last` is the step's end, exclusive, where it is known. `unit`, `scale`, `offset` and `nodata`
    replace what the file itself says where they are not None.
    """

    href: str
    name: str
    first: pd.Timestamp
    last: pd.Timestamp | None = None
    band: int = 1
    unit: str | None = None
    scale: float | None = None
    offset: float | None = None
    nodata: float | None = None


class UnfitError(Exception):
    """The rasters cannot be used; carries the findings."""

    def __init__(self, *findings: Finding) -> None:
        self.findings = findings
        super().__init__("; ".join(map(str, findings)))


def unfit(file: str, where: str, what: str, mend: str, code: str) -> UnfitError:
    """The error that carries one finding."""
    return UnfitError(Finding("error", file, where, what, mend, code))


@dataclass(frozen=True)
class Face:
    """What all rasters of a stack share: shape, transform, CRS."""

    shape: tuple[int, int]
    transform: tuple[float, ...]
    crs: rasterio.crs.CRS

    @classmethod
    def of(cls, dataset: Any) -> Face:
        """The face of an open raster."""
        return cls(dataset.shape, tuple(dataset.transform)[:6], dataset.crs)

    def like(self, other: Face) -> bool:
        """The same cells, up to rounding of a hundredth of a cell over the whole raster."""
        cell = abs(self.transform[0])
        size = max(self.shape)
        a, b = np.array(self.transform), np.array(other.transform)
        reach = np.array([size, size, 1, size, size, 1])
        return (
            self.shape == other.shape
            and self.crs == other.crs
            and bool((np.abs(a - b) * reach <= 0.01 * cell).all())
        )


def lattice_of(dataset: Any, name: str, file: str) -> Lattice:
    """The cells of an open raster; an `UnfitError` where it is rotated or has no CRS."""
    transform = dataset.transform
    if transform.b or transform.d or transform.a <= 0 or transform.e == 0:
        what, mend = "is rotated or mirrored", "put the rain on an upright grid"
        raise unfit(file, name, what, mend, "rain-grid-irregular")
    if dataset.crs is None:
        what, mend = "has no CRS", "give the file its CRS"
        raise unfit(file, name, what, mend, "rain-grid-crs")
    crs = pyproj.CRS.from_user_input(dataset.crs)
    columns, rows = np.arange(dataset.width), np.arange(dataset.height)
    x = Axis(transform.c, transform.a, columns)
    if crs.is_geographic and x.high > 180 + x.step:
        turned = axis_of(transform.c + (columns + 0.5) * transform.a, longitude=True)
        x = turned if turned is not None else x
    if transform.e > 0:
        return Lattice(x, Axis(transform.f, transform.e, rows), crs)
    low = transform.f + transform.e * dataset.height
    return Lattice(x, Axis(low, -transform.e, rows[::-1].copy()), crs)


def _unit_text(dataset: Any, raster: StepRaster) -> str:
    tags = {key.lower(): value for key, value in dataset.tags(raster.band).items()}
    whole = {key.lower(): value for key, value in dataset.tags().items()}
    named = raster.unit or dataset.units[raster.band - 1]
    return str(named or tags.get("units") or tags.get("unit") or whole.get("units") or "")


def unit_of(dataset: Any, raster: StepRaster, file: str) -> tuple[RainUnit, list[Finding]]:
    """Unit of a raster's band; one that declares none is taken as mm in each step, with a warning.

    An `UnfitError` where it is no unit of rain.
    """
    text = _unit_text(dataset, raster)
    if not text:
        what, mend = "declares no unit, and is taken as mm in each step", "set the band's unit"
        assumed = Finding("warning", file, raster.name, what, mend, "rain-grid-no-unit")
        return RainUnit(1.0, rate=False), [assumed]
    unit = parse_unit(text)
    if unit is None:
        what = f"has the unit {text[:40]!r}"
        mend = "set it to mm/day, kg m-2 s-1, mm or m (the last two for each step)"
        raise unfit(file, raster.name, what, mend, "rain-grid-unit")
    return unit, []


def require_like(dataset: Any, raster: StepRaster, face: Face, unit: RainUnit, file: str) -> None:
    """Refuse a raster on another grid, or in another unit, than the first one of its stack."""
    if not face.like(Face.of(dataset)):
        what, mend = "lies on another grid than the first raster", "put all rasters on one grid"
        raise unfit(file, raster.name, what, mend, "rain-grid-mixed")
    text = _unit_text(dataset, raster)
    if text and parse_unit(text) != unit:
        what, mend = f"has another unit ({text[:40]!r}) than the first", "give all the same unit"
        raise unfit(file, raster.name, what, mend, "rain-grid-mixed")
