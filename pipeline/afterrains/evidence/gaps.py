"""Season effects of comparable ground, and the gap of each site to them.

A control's missing season must not move the mean of the others by its level, so controls enter as
departures from their own level: site and season effects are fitted together (two-way), as far as
each was known at the season of judging.
"""

from __future__ import annotations

import numpy as np
import scipy
from numpy.typing import NDArray

from afterrains.evidence.matching import Match

__all__ = ["site_levels", "weighted_seasons"]

Floats = NDArray[np.float64]
_SWEEPS = 30
_SETTLED = 1e-7


def site_levels(values: Floats, trust: Floats) -> Floats:
    """Level of each control with the season effects taken out.

    Parameters
    ----------
    values : array, shape (controls, seasons)
        NaN where missing.
    trust : array, shape (controls, seasons)
        Weight of each value in the season effects; 0 leaves it out of them. A control that is left
        out altogether still has its own level fitted.

    Returns
    -------
    array, shape (controls,)
        NaN for a control without a value; the season effects average 0.
    """
    seen = np.isfinite(values)
    filled = np.where(seen, values, 0.0)
    weight = seen * trust
    own = seen * np.where(trust.any(axis=1, keepdims=True), trust, 1.0)
    per_site = np.maximum(own.sum(axis=1), 1e-12)
    per_season = weight.sum(axis=0)
    level = (own * filled).sum(axis=1) / per_site
    scale = max(float(np.std(values[seen])), 1e-12) if seen.any() else 1.0
    for _ in range(_SWEEPS):
        season = (weight * (filled - level[:, None])).sum(axis=0) / np.where(
            per_season > 0, per_season, 1.0
        )
        season -= season[per_season > 0].mean() if (per_season > 0).any() else 0.0
        new = (own * (filled - season)).sum(axis=1) / per_site
        moved = float(np.max(np.abs(new - level), initial=0.0))
        level = new
        if moved < _SETTLED * scale:
            break
    out: Floats = np.where(seen.any(axis=1), level, np.nan)
    return out


def weighted_seasons(
    departures: Floats, match: Match, row_of: NDArray[np.intp], trust: Floats
) -> tuple[Floats, Floats]:
    """Season effects as each target's own weighted controls show them.

    Parameters
    ----------
    departures : array, shape (controls, seasons)
        Control values minus their levels; NaN where missing.
    match : Match
        Controls (panel rows) and weights of each target.
    row_of : array of int
        Row in `departures` of each panel row.
    trust : array, shape (controls, seasons)
        Further weight of each value: its precision, 0 for a control that was cleared.

    Returns
    -------
    seasons : array, shape (targets, seasons)
        NaN in a season in which no control of the target has a value.
    spread : array, shape (targets,)
        Variance of the controls' weighted mean in units of one ordinary control's, averaged over
        the seasons; 1/J for J equal ones.
    """
    seen = np.isfinite(departures)
    filled = np.where(seen, departures, 0.0)
    columns = row_of[match.controls]
    weight = match.weights
    targets = np.repeat(np.arange(weight.shape[0]), weight.shape[1])
    shape = (weight.shape[0], departures.shape[0])
    table = scipy.sparse.csr_array((weight.ravel(), (targets, columns.ravel())), shape=shape)
    worth = seen * trust
    total = table @ worth
    some = total > 1e-9
    safe = np.where(some, total, 1.0)
    seasons = np.where(some, (table @ (worth * filled)) / safe, np.nan)
    share = np.where(some, (table.power(2) @ worth) / safe**2, np.nan)
    count = some.sum(axis=1)
    spread = np.where(count > 0, np.nansum(share, axis=1) / np.maximum(count, 1), np.nan)
    return seasons, spread
