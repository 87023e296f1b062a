"""Daily rain over the invented district: one rainy season a year, dry spells, good and bad years.

Occurrence is a two-state Markov chain whose wet chance follows the season; amounts are gamma
distributed (Richardson 1981, doi:10.1029/WR017i001p00182, who had exponential amounts).
Each year has its own onset, wetness and storm size. The years in which the story of the sample
needs a certain season (a false start in 2021, wet years after it) are set by hand. Rain is in mm a
day; both grounds share most of it and differ by storm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from afterrains.sample.chance import chance
from afterrains.sample.district import GROUNDS

__all__ = ["FIRST_RAIN_YEAR", "Weather", "make_weather"]

FIRST_RAIN_YEAR = 1994

# Rain of these years as a multiple of the usual, so that the sample's story holds at any seed.
_WETNESS = {
    2015: 0.95,
    2016: 1.10,
    2017: 0.78,
    2018: 1.12,
    2019: 0.92,
    2020: 1.30,
    2021: 0.66,
    2022: 1.22,
    2023: 0.90,
    2024: 1.32,
    2025: 1.00,
}
_MEAN_WET_DAY_MM = 9.6
_GAMMA_SHAPE = 0.75


@dataclass(frozen=True)
class Weather:
    """Daily rain: `days` (datetime64[D]), `rain_mm` for each ground, all of shape (days,)."""

    days: NDArray[np.datetime64]
    rain_mm: dict[str, NDArray[np.float64]]

    @property
    def programme_mm(self) -> NDArray[np.float64]:
        """The programme-wide table: mean over the grounds, to 0.1 mm."""
        mean: NDArray[np.float64] = np.mean(list(self.rain_mm.values()), axis=0)
        return np.round(mean, 1)


def make_weather(seed: int, last_year: int) -> Weather:
    """Rain from 1994 to the end of `last_year`."""
    days: list[NDArray[np.datetime64]] = []
    rain: list[NDArray[np.float64]] = []
    for year in range(FIRST_RAIN_YEAR, last_year + 1):
        year_days = np.arange(f"{year}-01-01", f"{year + 1}-01-01", dtype="datetime64[D]")
        days.append(year_days)
        rain.append(_year_of_rain(seed, year, year_days.size))
    common = np.concatenate(rain)
    local: dict[str, NDArray[np.float64]] = {}
    for name in GROUNDS:
        rng = chance(seed, "storms", name)
        # Storms are patchy: on a wet day a ground gets anything between half and double.
        factor = rng.lognormal(-0.5 * 0.35**2, 0.35, common.size)
        missed = rng.random(common.size) < 0.08
        local[name] = np.rint(np.where(missed, 0.0, common * factor) * 10) / 10
    return Weather(np.concatenate(days), local)


def _year_of_rain(seed: int, year: int, length: int) -> NDArray[np.float64]:
    """Common rain of one year, shape (days in the year,)."""
    rng = chance(seed, "rain", year)
    drawn_wetness = float(rng.lognormal(-0.02, 0.22))
    wetness = _WETNESS.get(year, drawn_wetness)
    onset = 174.0 + 7.0 * float(rng.standard_normal())
    end = 276.0 + 7.0 * float(rng.standard_normal())
    day = np.arange(1, length + 1, dtype=float)
    rise = 1.0 / (1.0 + np.exp(-(day - onset) / 6.0))
    fall = 1.0 / (1.0 + np.exp((day - end) / 7.0))
    peak = 0.55 + 0.45 * np.exp(-(((day - 225.0) / 32.0) ** 2))
    wet_chance = 0.50 * rise * fall * peak + 0.0015 * ((day > 60) & (day < 330))
    chances = rng.random(length)
    amounts = rng.gamma(_GAMMA_SHAPE, _MEAN_WET_DAY_MM / _GAMMA_SHAPE, length)
    rain = np.zeros(length)
    wet = False
    for i in range(length):
        # Wet days come in runs, and so do dry ones.
        wet = bool(chances[i] < wet_chance[i] * (1.35 if wet else 0.85))
        if wet:
            rain[i] = amounts[i]
    rain *= np.sqrt(wetness) * _storm_size(rain, wetness)
    rain[rain < 0.2] = 0.0
    if year == 2021:
        _false_start(rain)
    return rain


def _storm_size(rain: NDArray[np.float64], wetness: float) -> float:
    """Factor that pulls the year's total half-way (in logarithms) to its wetness times the mean."""
    total = max(float(rain.sum()), 80.0)
    return float(np.sqrt(350.0 * wetness / total) / np.sqrt(np.sqrt(wetness)))


def _false_start(rain: NDArray[np.float64]) -> None:
    """A good first storm in mid-June and then four weeks with next to nothing."""
    first = 164
    rain[120 : first - 1] = 0.0
    rain[first - 1 : first + 2] = (24.0, 0.0, 13.0)
    rain[first + 2 : first + 29] = 0.0
    rain[first + 12] = 1.4
