"""The gap of sites to their controls, and what it is regressed on.

Columns of the regression are a constant, the season's size, time, the step and the ramp of a gain,
the gap itself and a pulse in the last season, in the order of the names below; and, where rain
differed between sites and controls, that difference.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from afterrains.evidence.rain_gap import RainGap
from afterrains.evidence.structures import (
    DRIFT_SPAN,
    STRUCTURES,
    Structures,
    sweep,
    whiteners,
)

__all__ = [
    "GAP",
    "ONE",
    "PULSE",
    "RAIN",
    "RAMP",
    "SEASON",
    "STEP",
    "TIME",
    "GapModel",
    "GapSeries",
    "in_parts",
    "random_effects",
    "scaled_season",
    "under_structures",
]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.intp]

ONE, SEASON, TIME, STEP, RAMP, GAP, PULSE = range(7)
RAIN = 7  # the last column, where there is one
_SITES_AT_ONCE, _TABLES_AT_ONCE = 25, 5_000


@dataclass(frozen=True)
class GapModel:
    """Inverse noise factors of a group of sites under every noise model, for all seasons.

    The factors of a shorter record are their leading blocks, so one is made for the whole judging.
    Some sites share the factors of all: `rows` says whose they are, `seen` (sites, seasons) is
    theirs alone.
    """

    inverse: Floats
    log_terms: Floats
    rows: Ints
    seen: Bools

    @classmethod
    def of(cls, variance: Floats, seen: Bools) -> GapModel:
        """Factors for cells of the given relative variance, shape (sites, seasons)."""
        inverse, log_terms = whiteners(STRUCTURES.noise_models, variance, seen)
        return cls(inverse, log_terms, np.arange(seen.shape[0]), seen)

    def take(self, rows: Ints | slice, seen: Bools | None = None) -> GapModel:
        """Some of the sites, with what is seen of them."""
        seen = self.seen[rows] if seen is None else seen
        return GapModel(self.inverse, self.log_terms, self.rows[rows], seen)

    def factors(self, part: slice, seasons: int) -> Floats:
        """Inverse factors of some sites, shape (models, sites, seasons, seasons)."""
        return self.inverse[:, self.rows[part], :seasons, :seasons]

    def log_determinants(self, part: slice, seasons: int) -> Floats:
        """Of the noise of some sites where it was seen, shape (models, sites)."""
        terms = self.log_terms[:, self.rows[part], :seasons]
        out: Floats = (terms * self.seen[part, :seasons]).sum(axis=-1)
        return out


@dataclass(frozen=True)
class GapSeries:
    """Gaps of a group of sites up to one season, with what they are regressed on.

    `gap`, `step`, `ramp` have shape (sites, seasons), `season` (seasons,) is the mean departure of
    the controls, `before` (sites, seasons) is True before sowing, `spread` (sites,) is the variance
    of the controls' mean in units of one site's. `rain` is the difference in rain between sites and
    controls, None where there was none.
    """

    gap: Floats
    season: Floats
    step: Floats
    ramp: Floats
    before: Bools
    spread: Floats
    rain: RainGap | None = None

    @property
    def rain_terms(self) -> NDArray[np.intp]:
        """Degrees of freedom that rain costs each site, 0 or 1, shape (sites,)."""
        if self.rain is None:
            return np.zeros(self.gap.shape[0], dtype=np.intp)
        return self.rain.used.astype(np.intp)

    def columns(self, seen: Bools, part: slice) -> Floats:
        """Regressors and gap of some sites, shape (sites, seasons, 7 or 8); 0 where not seen."""
        seasons = self.gap.shape[1]
        time = (np.arange(seasons) - (seasons - 1) / 2) / DRIFT_SPAN
        shape = self.gap[part].shape
        stack = [np.ones(shape), np.broadcast_to(scaled_season(self.season), shape)]
        stack += [np.broadcast_to(time, shape), self.step[part], self.ramp[part], self.gap[part]]
        pulse = np.zeros(shape)
        pulse[:, -1] = 1.0
        stack.append(pulse)
        if self.rain is not None:
            stack.append(self.rain.column[part])
        columns = np.stack(stack, axis=-1)
        return np.where(seen[part, :seasons, None], np.nan_to_num(columns), 0.0)


def in_parts(sites: int, structures: int) -> list[slice]:
    """Sites in parts of which all structures fit in some megabytes: 25 at most at once."""
    size = max(1, min(_SITES_AT_ONCE, _TABLES_AT_ONCE // max(structures, 1)))
    return [slice(start, start + size) for start in range(0, sites, size)]


def scaled_season(season: Floats) -> Floats:
    """Season effects centred and in units of their own size; zeros where they do not vary."""
    filled = np.nan_to_num(season)
    centred = filled - filled.mean() if filled.size else filled
    size = np.sqrt((centred**2).mean()) if filled.size else 0.0
    return centred / size if size > 0 else np.zeros_like(centred)


def random_effects(products: Floats, structures: Structures) -> tuple[Floats, Floats]:
    """Cross-products per structure with response and drift taken in as random effects.

    A difference in rain, where there is one, is taken in as a fixed effect.
    """
    shape = (structures.count,) + (1,) * (products.ndim - 3)
    chosen = products[structures.noise]
    chosen, response = sweep(chosen, SEASON, structures.response.reshape(shape))
    chosen, drift = sweep(chosen, TIME, structures.drift.reshape(shape))
    if products.shape[-1] > RAIN:
        chosen, rain = sweep(chosen, RAIN, np.inf)
        return chosen, response + drift + rain
    return chosen, response + drift


def under_structures(products: Floats, structure: NDArray[np.intp]) -> Floats:
    """Cross-products under structures given by number, their random effects and the level taken in.

    A structure may be given several times, once for each spread of the sites' variances; it is
    swept once.
    """
    each, place = np.unique(structure, return_inverse=True)
    chosen, _ = random_effects(products, STRUCTURES.take(each))
    chosen, _ = sweep(chosen, ONE, np.inf)
    out: Floats = chosen[place]
    return out
