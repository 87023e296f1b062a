"""What gaps tell of their noise, and what the noise makes of a gain to come.

`gap_residuals` feeds `learning`; `standard_errors` gives the information of each look, past and
future, that the levels of testing and the outlook rest on.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from afterrains.evidence.gap_series import (
    GAP,
    ONE,
    RAIN,
    RAMP,
    STEP,
    GapModel,
    GapSeries,
    in_parts,
    random_effects,
    scaled_season,
    under_structures,
)
from afterrains.evidence.growth import mixed
from afterrains.evidence.learning import Noise, Residuals
from afterrains.evidence.structures import (
    DRIFT_SPAN,
    STRUCTURES,
    cross_products,
    sweep,
    whiteners,
)

__all__ = ["gap_residuals", "rain_part", "standard_errors", "without_gain"]

Floats = NDArray[np.float64]


def gap_residuals(model: GapModel, series: GapSeries, *, gain: bool) -> Residuals:
    """Restricted sums of squares of each site's gaps under every structure.

    With `gain`, each site's own step and ramp since sowing are fitted and taken out, so that the
    seasons after sowing tell of the noise and not of what the sowing did.
    """
    sites, seasons = series.gap.shape
    squares = np.zeros((STRUCTURES.count, sites))
    logs = np.zeros((STRUCTURES.count, sites))
    seen = model.seen[:, :seasons]
    for part in in_parts(sites, STRUCTURES.count):
        columns = series.columns(model.seen, part)
        products = cross_products(model.factors(part, seasons), columns)
        own = model.log_determinants(part, seasons)
        chosen, extra = random_effects(products, STRUCTURES)
        for column in (ONE, STEP, RAMP) if gain else (ONE,):
            chosen, fixed = sweep(chosen, column, np.inf)
            extra = extra + fixed
        squares[:, part] = np.maximum(chosen[..., GAP, GAP], 0.0)
        logs[:, part] = own[STRUCTURES.noise] + extra
    fitted = 1.0
    if gain:
        after = seen & (series.step > 0)
        high = np.where(after, series.ramp, -1.0).max(axis=1)
        low = np.where(after, series.ramp, 2.0).min(axis=1)
        fitted = 1.0 + after.any(axis=1) + (high > low + 1e-9)
    df = np.maximum(seen.sum(axis=1) - fitted - series.rain_terms, 0.0)
    squares = np.where(df > 0, squares, 0.0)
    logs = np.where(df > 0, logs, 0.0)
    return Residuals(squares, logs, df, np.nan_to_num(series.spread))


def without_gain(model: GapModel, series: GapSeries) -> Floats:
    """Gaps less each site's own least-squares level, step, ramp and rain; NaN where not seen."""
    seen = model.seen[:, : series.gap.shape[1]]
    regressors = [ONE, STEP, RAMP, *([] if series.rain is None else [RAIN])]
    columns = series.columns(model.seen, slice(None))
    fit = _least_squares(model, series, regressors)
    told = np.einsum("ntk,nk->nt", columns[..., regressors], fit)
    return np.where(seen, columns[..., GAP] - told, np.nan)


def rain_part(model: GapModel, series: GapSeries) -> Floats:
    """What each gap owes to a difference in rain, by least squares; 0 where there is none."""
    if series.rain is None:
        return np.zeros(series.gap.shape)
    fit = _least_squares(model, series, [ONE, STEP, RAMP, RAIN])
    out: Floats = fit[:, -1:] * series.rain.column
    return out


def _least_squares(model: GapModel, series: GapSeries, regressors: list[int]) -> Floats:
    """Coefficients of each site's gap, shape (sites, regressors)."""
    columns = series.columns(model.seen, slice(None))
    chosen = columns[..., regressors]
    square = np.swapaxes(chosen, 1, 2) @ chosen
    pull = np.einsum("ntk,nt->nk", chosen, columns[..., GAP])
    out: Floats = np.einsum("nkl,nl->nk", np.linalg.pinv(square, rcond=1e-9, hermitian=True), pull)
    return out


def standard_errors(noise: Noise, season: Floats, step: Floats, ramp: Floats, first: int) -> Floats:
    """Standard error of the full gain of a site with every value, at each look of one sowing.

    Parameters
    ----------
    noise : Noise
    season : array, shape (known,)
        Mean departures of the controls so far; later seasons are taken to vary like them.
    step, ramp : array, shape (seasons,)
        The curves of one sowing, seasons to come included.
    first : int
        Number of seasons before sowing.

    Returns
    -------
    array, shape (seasons - first,)
        For one season after sowing, two, three and so on.
    """
    total = step.size
    inverse, _ = whiteners(
        STRUCTURES.noise_models, np.ones((1, total)), np.ones((1, total), dtype=bool)
    )
    curve = mixed(step, ramp)
    again = np.resize(scaled_season(season), total)
    time = np.arange(total) / DRIFT_SPAN
    columns = np.stack([np.ones(total), again, time, curve], axis=-1)[None]
    whitened = (inverse @ columns[None])[:, 0]
    running = np.cumsum(whitened[..., :, None] * whitened[..., None, :], axis=1)[:, first:]
    chosen = under_structures(running, noise.structure)
    own = np.maximum(chosen[..., STEP, STEP], 1e-12)
    out: Floats = np.sqrt(np.einsum("k,kn->n", noise.weight * noise.variance, 1 / own))
    return out
