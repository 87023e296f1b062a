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
import scipy
from numpy.typing import NDArray

from afterrains.evidence.gap_series import (
    GAP,
    RAMP,
    STEP,
    GapModel,
    GapSeries,
    in_parts,
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
    sites = series.gap.shape[0]
    parts = in_parts(sites, noise.structure.size)
    # Thousands of sites under all structures at once would take gigabytes: the sums over all sites
    # are taken first, and each site is taken out of them afterwards.
    whole = sum(_told(model, series, noise, part).sum(axis=-1, keepdims=True) for part in parts)
    out = np.zeros(sites)
    for part in parts:
        scores = _scores(whole - _told(model, series, noise, part))
        odds = scipy.special.logit(STEP_SHARE) + (scores[0] - scores[1]) / 2
        out[part] = noise.weight @ scipy.special.expit(odds)
    return out


def _told(model: GapModel, series: GapSeries, noise: Noise, part: slice) -> Floats:
    """What some sites tell of the mean gain along both curves, shape (5, 2, structures, sites).

    The gain times its precision, the precision, the gain squared times it, whether the site tells
    anything, and what the controls add to its variance, in its units; 0 where it tells nothing.
    """
    seasons = series.gap.shape[1]
    columns = series.columns(model.seen, part)
    products = cross_products(model.factors(part, seasons), columns)
    chosen = under_structures(products, noise.structure)
    pull = np.stack([chosen[..., curve, GAP] for curve in (STEP, RAMP)])
    own = np.stack([chosen[..., curve, curve] for curve in (STEP, RAMP)])
    known = own > _LEAST_INFORMATION
    scale = noise.variance[:, None]
    pull, own = np.where(known, pull / scale, 0.0), np.where(known, own / scale, 0.0)
    squares = np.where(known, pull**2 / np.where(known, own, 1.0), 0.0)
    return np.stack([pull, own, squares, known, known * np.nan_to_num(series.spread[part])])


def _scores(told: Floats) -> Floats:
    """Squared score of the mean gain of some sites along each curve, from their sums of `_told`."""
    pull, own, squares, count, shared = told
    some = own > _LEAST_INFORMATION
    fitted = np.where(some, pull**2 / np.where(some, own, 1.0), 0.0)
    apart = (squares - fitted) / np.maximum(np.rint(count) - 1, 1)
    # One spread of the gains for both curves: that along the curve which fits the better.
    wider = np.maximum(apart.min(axis=0), 1.0)
    out: Floats = fitted / (wider + shared)
    return out
