"""Days in the field and the places they allow, reckoned simply.

Sites within 10 km of one another, from site to site, are one ground. A team checks so many places
a day on a ground and travels between grounds in straight lines, from the westernmost always to the
nearest one not yet seen. Roads, weather, permits and the way to the first ground are not in it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.cluster.hierarchy import fcluster, linkage

__all__ = ["Journey", "journey", "nearest_first"]

GROUND_M = 10_000.0


@dataclass(frozen=True)
class Journey:
    """The grounds of a programme and the way between them."""

    ground: NDArray[np.intp]
    """Of each site: its ground, numbered in the order of the journey."""
    travel_km: float
    points_per_day: int
    travel_km_per_day: float

    @property
    def travel_days(self) -> float:
        """Days on the way, in halves, rounded up."""
        return float(np.ceil(2 * self.travel_km / self.travel_km_per_day) / 2)

    def places(self, days: float) -> int:
        """How many places can be checked; 0 or less where the way takes all the days."""
        return int(np.floor((days - self.travel_days) * self.points_per_day))

    def days(self, places: int) -> float:
        """How many days the places take, in halves, rounded up."""
        return float(np.ceil(2 * places / self.points_per_day) / 2) + self.travel_days

    def told(self) -> str:
        """How days were reckoned, in a sentence."""
        grounds = int(self.ground.max()) + 1 if self.ground.size else 0
        kinds = "one ground" if grounds == 1 else f"{grounds} grounds"
        return (
            f"{self.points_per_day} places a day on {kinds}; {self.travel_km:.0f} km between "
            f"grounds in straight lines at {self.travel_km_per_day:g} km a day are "
            f"{self.travel_days:g} days; the way there and back is not in it"
        )


def journey(
    x: ArrayLike, y: ArrayLike, *, points_per_day: int, travel_km_per_day: float
) -> Journey:
    """The grounds of sites at x, y (metres) and the way between them."""
    places = np.column_stack([np.asarray(x, np.float64), np.asarray(y, np.float64)])
    if len(places) < 2:
        return Journey(np.zeros(len(places), np.intp), 0.0, points_per_day, travel_km_per_day)
    label = fcluster(linkage(places, "single"), GROUND_M, "distance") - 1
    centres = np.array([places[label == each].mean(axis=0) for each in range(label.max() + 1)])
    order = nearest_first(centres[:, 0], centres[:, 1])
    steps = np.diff(centres[order], axis=0)
    number = np.empty(order.size, dtype=np.intp)
    number[order] = np.arange(order.size)
    return Journey(
        ground=number[label],
        travel_km=float(np.hypot(steps[:, 0], steps[:, 1]).sum() / 1000),
        points_per_day=points_per_day,
        travel_km_per_day=travel_km_per_day,
    )


def nearest_first(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.intp]:
    """An order of places: the westernmost, then always the nearest one left."""
    left = np.ones(x.size, dtype=bool)
    order = np.empty(x.size, dtype=np.intp)
    at = int(np.argmin(x)) if x.size else 0
    for step in range(x.size):
        order[step] = at
        left[at] = False
        apart = np.where(left, (x - x[at]) ** 2 + (y - y[at]) ** 2, np.inf)
        at = int(np.argmin(apart))
    return order
