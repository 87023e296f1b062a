"""How the gains of a programme grow, as the other sown sites show it.

The contrast of a site must follow the course of its gain, which is not known: a blend of step and
ramp is safe and costs power whichever is true. One site cannot tell them apart, all sown sites
together can. So each site's blend is weighed by how well a step and the programme's ramp explain
the *other* sites' gaps. A site's own values have no part in the choice of its own contrast, so its
test stays as exact as with a contrast fixed beforehand; where the others gained nothing, or show
both curves alike, the blend stays what it was.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special

from afterrains.evidence.gap_series import (
    GAP,
    RAMP,
    SITES_AT_ONCE,
    STEP,
    GapModel,
    GapSeries,
    under_structures,
)
from afterrains.evidence.growth import STEP_SHARE
from afterrains.evidence.learning import Noise
from afterrains.evidence.structures import cross_products

__all__ = ["step_shares"]

Floats = NDArray[np.float64]

_LEAST_INFORMATION = 1e-10


def step_shares(model: GapModel, series: GapSeries, noise: Noise) -> Floats:
    """Share of the step in each site's contrast, the rest being the ramp's, shape (sites,).

    Parameters
    ----------
    model : GapModel
    series : GapSeries
        Gaps of the sown sites; sites without a value after sowing tell nothing.
    noise : Noise

    Returns
    -------
    array, shape (sites,)
        `growth.STEP_SHARE` where no other site tells anything. Under each structure the odds of the
        step are its prior odds times exp((z_step² - z_ramp²) / 2), where z is the score of the
        other sites' mean gain along that curve: the ratio of the two curves' maximum likelihoods.
        The error of that mean has the part of the controls, which all sites share, and grows where
        the sites differ more than their noise, so that one burnt site cannot choose for all.

    References
    ----------
    Cox, D. R. (1975). A note on data-splitting for the evaluation of significance levels.
    Biometrika 62, 441-444. doi:10.1093/biomet/62.2.441 (what is tested may be chosen by data that
    have no part in the test).
    """
    sites, seasons = series.gap.shape
    kept = noise.structure.size
    pull, own = np.zeros((2, kept, sites)), np.zeros((2, kept, sites))
    for start in range(0, sites, SITES_AT_ONCE):
        part = slice(start, start + SITES_AT_ONCE)
        columns = series.columns(model.seen, part)
        products = cross_products(model.inverse[:, part, :seasons, :seasons], columns)
        chosen = under_structures(products, noise.structure)
        for number, curve in enumerate((STEP, RAMP)):
            pull[number, :, part] = chosen[..., curve, GAP]
            own[number, :, part] = chosen[..., curve, curve]
    told = own > _LEAST_INFORMATION
    scale = noise.variance[:, None]
    pull, own = np.where(told, pull / scale, 0.0), np.where(told, own / scale, 0.0)
    scores = _scores_of_others(pull, own, np.nan_to_num(series.spread))
    odds = special.logit(STEP_SHARE) + (scores[0] - scores[1]) / 2
    out: Floats = noise.weight @ special.expit(odds)
    return out


def _scores_of_others(pull: Floats, own: Floats, spread: Floats) -> Floats:
    """Squared score of the other sites' mean gain along each curve; shape as `pull`.

    `pull` and `own` are each site's gain times its precision, and its precision, 0 where it has
    none; `spread` (sites,) is what the controls add to each site's variance, in its units.
    """
    known = own > 0
    safe = np.where(known, own, 1.0)
    squares = np.where(known, pull**2 / safe, 0.0)

    def others(each: Floats) -> Floats:
        out: Floats = each.sum(axis=-1, keepdims=True) - each
        return out

    total = others(own)
    some = total > _LEAST_INFORMATION
    fitted = np.where(some, others(pull) ** 2 / np.where(some, total, 1.0), 0.0)
    count = np.rint(others(known.astype(float)))
    apart = (others(squares) - fitted) / np.maximum(count - 1, 1)
    # One spread of the gains for both curves: that along the curve which fits the better.
    wider = np.maximum(apart.min(axis=0), 1.0)
    shared = others(known * spread)
    out: Floats = fitted / (wider + shared)
    return out
