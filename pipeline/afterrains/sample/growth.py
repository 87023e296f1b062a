"""What daily rain makes of grass, leaves and surface wetness: simple daily buckets.

All quantities are shares (0-1) of the *open* ground (grass) or of the crown (leaves); one value a
day. The rules are plain on purpose and are stated with the scenes; they imitate the order and
the size of what Sahelian pasture does (green-up within two weeks of the first storms, death within
a month after the last, standing dead matter that is grazed and broken through the dry season), from
memory of the field's literature, and are no calibrated model.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "TRAITS",
    "Grass",
    "GrassTraits",
    "grow_grass",
    "leaf_share",
    "rested",
    "surface_wetness",
]


@dataclass(frozen=True)
class GrassTraits:
    """How the grass of a stratum answers to rain.

    `capture`: share of rain that enters the soil; `capacity_mm`: what the root zone holds;
    `most_green`: cover in the best of seasons; `dead_loss`: share of standing dead matter lost on a
    dry day to grazing, termites and wind; `late_days`: days by which seed set comes later;
    `perennial`: cover of tufts that stay green at the base while the deep store lasts.
    """

    capture: float
    capacity_mm: float
    most_green: float
    dead_loss: float
    late_days: float
    perennial: float


_LEAST_GREEN = 0.003  # cover of herbs that hang on through any drought
_USUAL_CATCH_MM = 260.0  # caught by the end of a usual season
_STORE_MEMORY_DAYS = 150.0  # deep soil water: rain weighted by exp(-age / memory)
_FULL_STORE_MM = 2.0  # of that weighted rain a day, the store is full

TRAITS: dict[str, GrassTraits] = {
    "dune": GrassTraits(0.95, 70.0, 0.58, 0.0048, 0.0, 0.080),
    "glacis": GrassTraits(0.72, 55.0, 0.54, 0.0052, 0.0, 0.090),
}


@dataclass(frozen=True)
class Grass:
    """Cover by day: `green` and `dead`, each of shape (..., days)."""

    green: NDArray[np.float64]
    dead: NDArray[np.float64]


def rested(traits: GrassTraits) -> GrassTraits:
    """Return the same grass behind a fence: more of it, greener for longer, its litter ungrazed."""
    return GrassTraits(
        traits.capture,
        traits.capacity_mm * 1.25,
        min(0.85, traits.most_green * 1.25),
        traits.dead_loss * 0.75,
        traits.late_days + 16.0,
        traits.perennial * 1.15,
    )


def grow_grass(
    rain_mm: NDArray[np.float64],
    day_of_year: NDArray[np.int64],
    traits: GrassTraits,
    response: NDArray[np.float64],
) -> Grass:
    """Run the daily bucket and the two pools of grass.

    Parameters
    ----------
    rain_mm : array, shape (days,)
        Daily rain.
    day_of_year : array, shape (days,)
        1-366.
    traits : GrassTraits
        The grass.
    response : array, shape (n,)
        Multiplies the rain that the ground catches: 1 is usual, more is run-on, less is run-off.

    Returns
    -------
    Grass
        Arrays of shape (n, days), cover of open ground.
    """
    water = np.zeros_like(response)
    green = np.full_like(response, _LEAST_GREEN)
    dead = np.full_like(response, 0.10)
    caught_mm = np.zeros_like(response)
    keep = np.exp(-1.0 / _STORE_MEMORY_DAYS)
    store = np.full_like(response, 0.5)
    greens = np.empty((response.size, rain_mm.size))
    deads = np.empty_like(greens)
    for day in range(rain_mm.size):
        if day_of_year[day] == 1:
            caught_mm[:] = 0.0
        caught_mm += rain_mm[day] * traits.capture * response
        # The stand that a season can carry follows the rain that the ground has caught so far.
        stand = traits.most_green * np.clip(0.30 + 0.70 * caught_mm / _USUAL_CATCH_MM, 0.30, 1.5)
        water = np.minimum(water + rain_mm[day] * traits.capture * response, traits.capacity_mm)
        supply = np.clip(water / (0.35 * traits.capacity_mm), 0.0, 1.0)
        use = (1.2 + 4.0 * green / stand) * supply
        water = np.maximum(water - use, 0.0)
        # Annual grasses set seed by day length, whatever the rain does.
        ripe = 1.0 / (1.0 + np.exp(-(day_of_year[day] - 268.0 - traits.late_days) / 6.0))
        if day_of_year[day] < 120:
            ripe = 1.0
        growth = 0.16 * (green + 0.004) * supply * np.maximum(1.0 - green / stand, 0.0) * (1 - ripe)
        death = (green - _LEAST_GREEN) * (0.006 + 0.045 * (1.0 - supply) + 0.035 * ripe)
        wet = min(rain_mm[day] / 8.0, 1.0)
        # What stands rots in the rains; in the dry months it is only eaten and blown away.
        loss = dead * (traits.dead_loss + 0.02 * wet + 0.012 * supply)
        green = np.maximum(green + growth - death, _LEAST_GREEN)
        dead = dead + 0.85 * death - loss
        store = store * keep + rain_mm[day] * response * (1.0 - keep)
        greens[:, day] = green + traits.perennial * np.minimum(store / _FULL_STORE_MM, 1.2) ** 2
        deads[:, day] = dead
    return Grass(greens, deads)


def surface_wetness(rain_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Wetness of the soil's skin, 0 (dry) to 1; it loses a third a day. Shape (days,)."""
    wetness = np.empty_like(rain_mm)
    now = 0.0
    for day, rain in enumerate(rain_mm):
        now = min(1.0, now * 0.65 + rain / 12.0)
        wetness[day] = now
    return wetness


def leaf_share(rain_mm: NDArray[np.float64], *, least: float = 0.45) -> NDArray[np.float64]:
    """Share of the crown in leaf, `least` to 1: woody plants drain a deep, slow store.

    Semi-evergreen crowns fill in the rains and thin out towards the next ones, more so after a poor
    year: the store is the rain weighted by exp(-age / 150 days), full at 2 mm a day.
    Shape (days,).
    """
    keep = np.exp(-1.0 / _STORE_MEMORY_DAYS)
    store = np.empty_like(rain_mm)
    now = 0.5
    for day, rain in enumerate(rain_mm):
        now = now * keep + rain * (1.0 - keep)
        store[day] = now
    full: NDArray[np.float64] = np.clip(store / _FULL_STORE_MM, 0.0, 1.0)
    return least + (1.0 - least) * full
