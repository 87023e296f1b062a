"""Looks and expected gaps by calendar month, from what the catalogue says of clouds."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from afterrains.scenes import Overpass
from afterrains.stages.cell_task import CellTask

__all__ = ["Month", "months"]


@dataclass(frozen=True)
class Month:
    """What a calendar month shows, over the years and cells of the programme."""

    month: int
    """1 to 12."""
    looks: float
    """Passes a year over a cell."""
    clear_looks: float
    """Of these, expected clear: one minus the scene's cloud cover, added up."""
    gap_percent: float
    """Chance, in percent, that a cell has no clear look at all in such a month."""


def months(tasks: Iterable[CellTask], start: date, end: date) -> tuple[Month, ...]:
    """Looks and expected gaps by calendar month, over the cells and years of a plan.

    A scene of unknown cloud cover counts as the mean of the others, or as clear where all are
    unknown. The chance of a gap takes looks as independent and a scene's cloud as spread evenly.
    """
    clouds: dict[tuple[str, int, int], list[float]] = defaultdict(list)
    cells: set[str] = set()
    looks = [(task.cell.cell_id, look) for task in tasks for look in task.overpasses]
    known = [c for _, look in looks if (c := _cloud(look)) is not None]
    unknown = float(np.mean(known)) if known else 0.0
    for cell_id, look in looks:
        cells.add(cell_id)
        cloud = _cloud(look)
        key = cell_id, look.date.year, look.date.month
        clouds[key].append(unknown if cloud is None else cloud)
    present = sorted({(day.year, day.month) for day in _days(start, end)})
    out = []
    for month in range(1, 13):
        years = [year for year, other in present if other == month]
        here = [clouds[cell, year, month] for cell in sorted(cells) for year in years]
        if here:
            out.append(
                Month(
                    month,
                    looks=float(np.mean([len(each) for each in here])),
                    clear_looks=float(np.mean([sum(1 - c for c in each) for each in here])),
                    gap_percent=100 * float(np.mean([math.prod(each) for each in here])),
                )
            )
    return tuple(out)


def _days(start: date, end: date) -> Iterable[date]:
    return (start + timedelta(days=n) for n in range((end - start).days + 1))


def _cloud(look: Overpass) -> float | None:
    """Cloud share of a pass, 0-1: the mean of its scenes."""
    known = [s.cloud_percent for s in look.scenes if s.cloud_percent is not None]
    return float(np.mean(known)) / 100 if known else None
