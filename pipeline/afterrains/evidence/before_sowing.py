"""What the seasons before sowing show: trends of sites against control, a low newest season."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from afterrains.evidence.common_drift import CommonDrift, MeanSlope, Slopes, believe_drift
from afterrains.evidence.gap_series import (
    GAP,
    ONE,
    RAIN,
    SEASON,
    TIME,
    GapModel,
    GapSeries,
    in_parts,
)
from afterrains.evidence.learning import Noise
from afterrains.evidence.mixture import Mixture
from afterrains.evidence.structures import DRIFT_SPAN, STRUCTURES, sweep

__all__ = ["newest_departure", "shown_before"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


def shown_before(
    model: GapModel, series: GapSeries, noise: Noise
) -> tuple[Floats, Floats, Floats, CommonDrift]:
    """Each site's trend with its error and p-value (`_trend_tests`), and the drift they share."""
    tests, mean = [np.empty((3, 0))], MeanSlope(noise.structure.size)
    for slopes in _slopes_before(model, series, noise):
        tests.append(_trend_tests(slopes, noise))
        mean.add(slopes)
    slope, error, p = np.concatenate(tests, axis=1)
    return slope, error, p, believe_drift(mean, noise.variance, DRIFT_SPAN)


def _slopes_before(model: GapModel, series: GapSeries, noise: Noise) -> Iterator[Slopes]:
    """Slope of each site's gap before sowing under every kept structure, some sites at a time.

    Per `DRIFT_SPAN` seasons; sites with fewer than two seasons before sowing have none.
    """
    sites, seasons = series.gap.shape
    part_of = model.seen[:, :seasons] & series.before
    counted = part_of.sum(axis=1) - series.rain_terms
    df = np.maximum(counted - 2.0, 0.0)
    drift = STRUCTURES.drift[noise.structure][:, None]
    each, place = np.unique(noise.structure, return_inverse=True)
    for part in in_parts(sites, noise.structure.size):
        columns = series.columns(model.seen, part) * part_of[part, :, None]
        whitened = model.factors(part, seasons) @ columns[None]
        whitened = whitened * part_of[part][None, :, :, None]
        products = np.swapaxes(whitened, -1, -2) @ whitened
        chosen = products[STRUCTURES.noise[each]]
        chosen, _ = sweep(chosen, SEASON, STRUCTURES.response[each][:, None])
        if series.rain is not None:
            chosen, _ = sweep(chosen, RAIN, np.inf)
        chosen, _ = sweep(chosen, ONE, np.inf)
        chosen = chosen[place]
        usable = (chosen[..., TIME, TIME] > 1e-10) & (counted[part] >= 2)
        own = np.where(usable, chosen[..., TIME, TIME], 1.0)
        rise = np.where(usable, chosen[..., TIME, GAP] / own, 0.0)
        squares = np.maximum(chosen[..., GAP, GAP] - rise**2 * own, 0.0)
        prior = noise.df[:, None]
        spread = np.nan_to_num(series.spread[part])
        middle = (prior * noise.variance[:, None] + squares / (1 + spread)) / (prior + df[part])
        variance = np.where(usable, middle * (1 / own + drift), np.inf)
        yield Slopes(rise, variance, spread, df[part])


def _trend_tests(slopes: Slopes, noise: Noise) -> Floats:
    """Slope of each site's gap before sowing, per season, its standard error and two-sided p.

    Shape (3, sites). The slope is tested against the drifts that structures of this record allow;
    NaN with fewer than four seasons before sowing.
    """
    tested = (slopes.df >= 2) & np.isfinite(slopes.variance).all(axis=0)
    out = np.full((3, tested.size), np.nan)
    if not tested.any():
        return out
    se = np.sqrt(slopes.variance[:, tested] * (1 + slopes.spread[tested]))
    df = noise.df[:, None] + slopes.df[tested]
    mixture = Mixture(noise.weight, slopes.slope[:, tested], se, df)
    p = mixture.below(0.0)
    out[0, tested] = mixture.mean / DRIFT_SPAN
    out[1, tested] = mixture.standard_error / DRIFT_SPAN
    out[2, tested] = 2 * np.minimum(p, 1 - p)
    return out


def newest_departure(before: Bools, gap: Floats) -> Floats:
    """Newest gap before sowing minus the mean of the earlier ones; NaN with fewer than two."""
    count = before.sum(axis=1)
    last = before.shape[1] - 1 - np.argmax(before[:, ::-1], axis=1)
    newest = np.take_along_axis(np.nan_to_num(gap), last[:, None], axis=1)[:, 0]
    total = np.where(before, np.nan_to_num(gap), 0.0).sum(axis=1)
    out: Floats = np.where(count > 1, newest - (total - newest) / np.maximum(count - 1, 1), np.nan)
    return out
