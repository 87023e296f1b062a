"""What the seasons before sowing show: trends of sites against control, a low newest season."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from afterrains.evidence.common_drift import CommonDrift, Slopes, believe_drift
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

__all__ = ["newest_departure", "shown_before", "slopes_before", "trend_tests"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


def shown_before(
    model: GapModel, series: GapSeries, noise: Noise
) -> tuple[Floats, Floats, Floats, CommonDrift]:
    """Each site's trend with its error and p-value, and the drift that sites share.

    The slopes under all structures, the largest table of the judging, are not handed on.
    """
    slopes = slopes_before(model, series, noise)
    return *trend_tests(slopes, noise), believe_drift(slopes, noise.variance, DRIFT_SPAN)


def slopes_before(model: GapModel, series: GapSeries, noise: Noise) -> Slopes:
    """Slope of each site's gap before sowing under every kept structure.

    Per `DRIFT_SPAN` seasons; sites with fewer than two seasons before sowing have none.
    """
    sites, seasons = series.gap.shape
    kept = noise.structure.size
    slope, variance = np.zeros((kept, sites)), np.full((kept, sites), np.inf)
    part_of = model.seen[:, :seasons] & series.before
    counted = part_of.sum(axis=1) - series.rain_terms
    df = np.maximum(counted - 2.0, 0.0)
    drift = STRUCTURES.drift[noise.structure][:, None]
    for part in in_parts(sites, kept):
        columns = series.columns(model.seen, part) * part_of[part, :, None]
        whitened = model.inverse[:, part, :seasons, :seasons] @ columns[None]
        whitened = whitened * part_of[part][None, :, :, None]
        products = np.swapaxes(whitened, -1, -2) @ whitened
        each, place = np.unique(noise.structure, return_inverse=True)
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
        wider = 1 + np.nan_to_num(series.spread[part])
        middle = (prior * noise.variance[:, None] + squares / wider) / (prior + df[part])
        slope[:, part] = rise
        variance[:, part] = np.where(usable, middle * (1 / own + drift), np.inf)
    return Slopes(slope, variance, np.nan_to_num(series.spread), df)


def trend_tests(slopes: Slopes, noise: Noise) -> tuple[Floats, Floats, Floats]:
    """Slope of each site's gap before sowing, per season, its standard error and two-sided p.

    The slope is tested against the drifts that structures of this record allow; NaN with fewer
    than four seasons before sowing.
    """
    enough = (slopes.df >= 2) & np.isfinite(slopes.variance).all(axis=0)
    out = np.full((3, enough.size), np.nan)
    tested = np.flatnonzero(enough)
    for piece in in_parts(tested.size, noise.structure.size):
        part = tested[piece]
        se = np.sqrt(slopes.variance[:, part] * (1 + slopes.spread[part]))
        df = noise.df[:, None] + slopes.df[part]
        mixture = Mixture(noise.weight, slopes.slope[:, part], se, df)
        p = mixture.below(0.0)
        out[0, part] = mixture.mean / DRIFT_SPAN
        out[1, part] = mixture.standard_error / DRIFT_SPAN
        out[2, part] = 2 * np.minimum(p, 1 - p)
    return out[0], out[1], out[2]


def newest_departure(before: Bools, gap: Floats) -> Floats:
    """Newest gap before sowing minus the mean of the earlier ones; NaN with fewer than two."""
    count = before.sum(axis=1)
    last = before.shape[1] - 1 - np.argmax(before[:, ::-1], axis=1)
    newest = np.take_along_axis(np.nan_to_num(gap), last[:, None], axis=1)[:, 0]
    total = np.where(before, np.nan_to_num(gap), 0.0).sum(axis=1)
    out: Floats = np.where(count > 1, newest - (total - newest) / np.maximum(count - 1, 1), np.nan)
    return out
