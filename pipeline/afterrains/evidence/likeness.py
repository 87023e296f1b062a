"""Whether drawn ground looked like the sown ground near it, before anything was sown there.

Ground that nobody has seen may be water, a field, rock or a thicket. Such ground answers to rain
and use in its own way, and no weight makes it comparable. A patch is looked at over all dry seasons
before the first sowing near it, two at least, by medians: one bad season would choose what recovers
from it. Nothing later is looked at, so what came of a sowing cannot choose its controls. The limits
are wide: they part kinds of ground, the weights of `matching` do the rest.

Sen, P. K. (1968). Estimates of the regression coefficient based on Kendall's tau. J. Am. Stat.
Assoc. 63, 1379-1389. doi:10.1080/01621459.1968.10480934
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from afterrains.evidence.panel import Panel

__all__ = ["FEWEST_SEASONS", "OTHER_GROUND", "WIDTH", "Unlike", "unlike_ground"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Days = NDArray[np.datetime64]

FEWEST_SEASONS = 2
_SEASONS_OF_A_SLOPE = 4
_OF_A_MEDIAN = np.pi / 2
"""Variance of a median over that of a mean, for normal noise."""
WIDTH = 3.0
"""Standard deviations beyond the sown sites' range; our own choice."""
OTHER_GROUND = {
    "dry level": 0.02,
    "rains level": 0.04,
    "dry response": 0.5,
    "dry trend": 0.004,
}
"""How far ground of one kind differs in each feature, one standard deviation: NDVI of the dry
season and of the rains' flush, NDVI for one of the usual ground's, NDVI a season. Our own
choice."""


@dataclass(frozen=True)
class Unlike:
    """A patch that is no comparable ground, and why: its value of a feature and the sown sites'.

    `feature` is one of `OTHER_GROUND`, or "" where the patch had no value before sowing.
    """

    row: int
    feature: str = ""
    value: float = float("nan")
    low: float = float("nan")
    high: float = float("nan")


def unlike_ground(panel: Panel, patches: Ints, reach_m: float) -> list[Unlike]:
    """Patches that did not look like the sown ground within reach of them before sowing.

    Parameters
    ----------
    panel : Panel
        Greenness of all sites; `sown_on` their first sowing, NaT where none.
    patches : array of int
        Rows of the patches that are asked about.
    reach_m : float
        Sown sites whose outline (taken as a circle) lies within this of a patch's are those it is
        held against; the nearest where there is none. All of them where places are not known.

    Returns
    -------
    list of Unlike
        One for each patch that is left out, in the order of `patches`. A patch outside the sown
        sites' range of a feature by more than `WIDTH` standard deviations (of `OTHER_GROUND` and
        of the noise of a patch and of a site) is left out. A patch near sites of which none has
        two dry seasons before its sowing is not: nothing is judged there either.
    """
    sown = np.flatnonzero(panel.is_sown)
    if sown.size == 0:
        return []
    # A site that is not sown yet is unsown ground through the whole record.
    first = np.where(np.isnat(panel.sown_on), np.datetime64("9999-01-01"), panel.sown_on)
    features: dict[np.datetime64, dict[str, tuple[Floats, float]]] = {}
    found = []
    for patch in patches:
        near = _near(panel, int(patch), sown, reach_m)
        until = _first_sowing(panel, first[near])
        if until is None:
            continue
        if until not in features:
            known = ~panel.is_sown | (first >= until)
            known[patches] = False
            features[until] = _features(panel, known, until)
        unsown = near[first[near] >= until]
        told = _compared(features[until], int(patch), unsown)
        if told is not None:
            found.append(told)
    return found


def _near(panel: Panel, patch: int, sown: Ints, reach_m: float) -> Ints:
    """The sown sites within reach, or the nearest."""
    radius = np.sqrt(np.nan_to_num(panel.area_ha) * 10_000 / np.pi)
    apart = np.hypot(panel.x[sown] - panel.x[patch], panel.y[sown] - panel.y[patch])
    apart = apart - radius[sown] - radius[patch]
    if not np.isfinite(apart).any():
        return sown
    within: NDArray[np.bool_] = np.nan_to_num(apart, nan=np.inf) <= reach_m
    return sown[within] if within.any() else sown[[int(np.nanargmin(apart))]]


def _first_sowing(panel: Panel, first: Days) -> np.datetime64 | None:
    """The earliest sowing that leaves dry seasons enough before it."""
    for day in np.unique(first):
        if panel.dry.until(day).times.size >= FEWEST_SEASONS:
            return np.datetime64(day)
    return None


def _features(
    panel: Panel, known: NDArray[np.bool_], until: np.datetime64
) -> dict[str, tuple[Floats, float]]:
    """Each feature of all sites from the seasons before, and its variance from noise."""
    out = {}
    dry, rains = panel.dry.until(until).values, panel.rains.until(until).values
    for name, values in (("dry level", dry), ("rains level", rains)):
        if np.isfinite(values).any():
            out[name] = (_medians(values), _OF_A_MEDIAN * _noise(values) / values.shape[1])
    season = _medians(dry[known].T)
    seen = np.isfinite(season)
    if seen.sum() >= _SEASONS_OF_A_SLOPE:
        # What the season did to all is taken out, so that one odd season moves no slope.
        gap = dry[:, seen] - season[seen]
        time: Floats = np.flatnonzero(seen).astype(np.float64)
        for name, regressor, usual in (
            ("dry response", season[seen], 1.0), ("dry trend", time, 0.0)
        ):  # fmt: skip
            size = float(np.var(regressor) * regressor.size)
            if size > 0:
                noise = _OF_A_MEDIAN * _noise(dry) / size
                out[name] = (usual + _median_slopes(gap, regressor), noise)
    return out


def _medians(values: Floats) -> Floats:
    """Median of each row over its known values; NaN where it has none."""
    out = np.full(values.shape[0], np.nan)
    some = np.isfinite(values).any(axis=1)
    out[some] = np.nanmedian(values[some], axis=1)
    return out


def _median_slopes(values: Floats, regressor: Floats) -> Floats:
    """Median of the slopes between all pairs of seasons that differ, for each row (Sen 1968)."""
    one, other = np.triu_indices(regressor.size, k=1)
    apart = regressor[other] - regressor[one]
    differ = np.abs(apart) > 1e-9
    return _medians((values[:, other[differ]] - values[:, one[differ]]) / apart[differ])


def _noise(values: Floats) -> float:
    """Variance of a usual site's seasons about its own level and the season's.

    Odd sites, up to half of them, do not move it.
    """
    rest = values - _medians(values)[:, None]
    rest = rest - _medians(rest.T)
    seen = np.isfinite(rest)
    df = seen.sum(axis=1) - 1
    square = np.where(seen, rest**2, 0.0).sum(axis=1)
    return float(np.median(square[df > 0] / df[df > 0])) if (df > 0).any() else 0.0


def _compared(features: dict[str, tuple[Floats, float]], patch: int, sown: Ints) -> Unlike | None:
    """The feature in which a patch lies farthest outside, if any; a patch never seen is unlike."""
    level = features.get("dry level")
    if level is None or not np.isfinite(level[0][sown]).any():
        return None
    if not np.isfinite(level[0][patch]):
        return Unlike(patch)
    worst, told = WIDTH, None
    for name, (values, noise) in features.items():
        theirs = values[sown][np.isfinite(values[sown])]
        mine = float(values[patch])
        if theirs.size == 0 or not np.isfinite(mine):
            continue
        low, high = float(theirs.min()), float(theirs.max())
        outside = max(low - mine, mine - high, 0.0)
        spread = float(np.sqrt(OTHER_GROUND[name] ** 2 + 2 * noise))
        if outside / spread > worst:
            worst, told = outside / spread, Unlike(patch, name, mine, low, high)
    return told
