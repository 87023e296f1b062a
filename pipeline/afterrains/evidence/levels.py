"""Levels at which each season of each sowing is tested, decided when its time comes and then kept.

Sites of one sowing season share their looks. A past look keeps the level it was tested at; those
to come are planned with the information foreseen today.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from afterrains.evidence.growth import GrowthCurve, blend
from afterrains.evidence.spending import boundary_levels, spent

__all__ = ["LevelBook", "Levels"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


class Levels:
    """Level and relative standard error of today's look and those to come, shape (sites, 1 + h)."""

    def __init__(self, gain: Floats, loss: Floats, ahead: Floats) -> None:
        self.gain, self.loss, self.ahead = gain, loss, ahead


class LevelBook:
    """Keeps the levels used so far, by season of sowing.

    Parameters
    ----------
    error_rate : float
        One-sided, over all judged seasons.
    judged_seasons : int
    growth : GrowthCurve
        To turn errors of the full gain into errors of the gain of a season.
    """

    def __init__(self, error_rate: float, judged_seasons: int, growth: GrowthCurve) -> None:
        self.judged, self.growth = judged_seasons, growth
        fractions = np.arange(judged_seasons + 1) / judged_seasons
        self.spends = {
            "gain": np.diff(spent(fractions, error_rate)),
            # Half of a loss's error rate is kept for sudden falls.
            "loss": np.diff(spent(fractions, error_rate / 2)),
        }
        self.used: dict[tuple[str, int], list[float]] = {}

    def at(self, last: int, since: Ints, errors: dict[int, Floats], horizon: int) -> Levels:
        """Levels of the sites judged at season number `last`, `since` seasons after sowing."""
        shape = (since.size, horizon + 1)
        out = {"gain": np.zeros(shape), "loss": np.zeros(shape)}
        ahead = np.ones(shape)
        for age in np.unique(since):
            of = since == age
            error = errors[int(age)]
            cohort = last - int(age)
            out["gain"][of] = self._planned("gain", cohort, int(age), error, horizon)
            # Nothing is foretold of losses: their levels are needed today only.
            out["loss"][of, :1] = self._planned("loss", cohort, int(age), error[:age], 0)
            curve = blend(np.arange(age, age + horizon + 1, dtype=float), self.growth)
            now = error[age - 1 : age + horizon] * curve
            ahead[of] = now / now[0]
        return Levels(out["gain"], out["loss"], ahead)

    def _planned(self, kind: str, cohort: int, age: int, error: Floats, horizon: int) -> Floats:
        looks = min(error.size, self.judged)
        book = self.used.setdefault((kind, cohort), [])
        levels = np.zeros(max(age + horizon, looks))
        kept = np.array(book[: age - 1])
        if kept.size < min(age - 1, looks):  # a season in which nothing could be judged
            kept = np.append(kept, np.zeros(min(age - 1, looks) - kept.size))
        levels[:looks] = boundary_levels(error[:looks] ** -2, self.spends[kind][:looks], kept)
        self.used[(kind, cohort)] = [*kept.tolist(), float(levels[age - 1])]
        return levels[age - 1 : age + horizon]
