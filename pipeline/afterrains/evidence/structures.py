"""How the noise of a site may hang together from season to season.

No record is long enough to tell white noise from slow wandering, so a few dozen structures are
kept and weighted by how well they fit (`learning`). Each is, in units of the site's own variance,

    white share * (measurement noise) + (1 - white share) * (autocorrelated noise)
    + a random response to good and bad seasons + a random straight drift.

The first line is a matrix to be inverted; the second adds one direction each, so that all
combinations follow from the same few cross-products (`sweep`).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "DRIFT_PRIOR",
    "STRUCTURES",
    "TOGETHER",
    "Structures",
    "cross_products",
    "sweep",
    "whiteners",
]

Floats = NDArray[np.float64]

# Each list ends with how plausible its members are before any record is seen. A short record cannot
# tell a slow drift from none, and what it cannot tell the prior decides: drifts and responses as
# large as the noise itself are rarer than small ones (common practice, no source).
# (white share, correlation from one season to the next of the rest)
_NOISE = ((1.0, 0.0), (0.5, 0.2), (0.5, 0.5), (0.5, 0.85), (0.0, 0.3), (0.0, 0.55), (0.0, 0.8))
_NOISE_PRIOR = (0.15, 0.2, 0.15, 0.08, 0.2, 0.15, 0.07)
# Variance of the response, in units of the noise variance, to a season of average departure.
_RESPONSE = (0.0, 0.1, 0.5, 2.0)
_RESPONSE_PRIOR = (0.4, 0.3, 0.2, 0.1)
# Variance of a site's own drift (`common_drift` has that of all) over ten seasons, in units of the
# noise variance.
_DRIFT = (0.0, 0.1, 0.4, 1.5)
DRIFT_PRIOR = (0.42, 0.21, 0.21, 0.16)
DRIFT_SPAN = 10.0
# Ground that wanders in one way is likelier to wander in others too (a use that changes, a cover
# of several kinds), and calm ground to be calm throughout: how many times as plausible a structure
# is by how many of the three it has, noise that hangs together, a large response, a large drift.
# Set by measurement: independent, the three together were taken for far rarer than they need be,
# and intervals fell short (docs/evidence_method.md).
TOGETHER = (2.0, 1.0, 2.0, 6.0)
_SLOW, _LARGE_RESPONSE, _LARGE_DRIFT = 0.5, 0.5, 0.4


@dataclass(frozen=True)
class Structures:
    """The structures kept, as arrays of equal length; `noise` is a row of `noise_models`."""

    noise_models: tuple[tuple[float, float], ...]
    noise: NDArray[np.intp]
    response: Floats
    drift: Floats
    prior: Floats

    @property
    def count(self) -> int:
        """Number of structures."""
        return int(self.noise.size)

    def take(self, kept: NDArray[np.intp]) -> Structures:
        """The chosen structures; one may be chosen several times."""
        return Structures(
            self.noise_models,
            self.noise[kept],
            self.response[kept],
            self.drift[kept],
            self.prior[kept],
        )


def _all_structures() -> Structures:
    grid = list(product(range(len(_NOISE)), _RESPONSE, _DRIFT))
    noise, response, drift = (np.array(column) for column in zip(*grid, strict=True))
    prior = np.array(
        [np.prod(each) for each in product(_NOISE_PRIOR, _RESPONSE_PRIOR, DRIFT_PRIOR)]
    )
    slow = np.array([correlation >= _SLOW for _, correlation in _NOISE])[noise.astype(np.intp)]
    kinds = slow.astype(int) + (response >= _LARGE_RESPONSE) + (drift >= _LARGE_DRIFT)
    prior = prior * np.array(TOGETHER)[kinds]
    return Structures(_NOISE, noise.astype(np.intp), response, drift, prior / prior.sum())


STRUCTURES = _all_structures()


def whiteners(
    models: tuple[tuple[float, float], ...], variance: Floats, seen: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Inverse Cholesky factors of each site's noise under each model.

    A season without a value has no part: its row is 0 and its log-determinant 0.

    Parameters
    ----------
    models : tuple of (white share, correlation)
    variance : array, shape (sites, seasons)
        Relative variance of the white part; 1 is usual.
    seen : array of bool, shape (sites, seasons)

    Returns
    -------
    inverse : array, shape (models, sites, seasons, seasons)
        Lower triangular. The leading block is that of the leading seasons.
    log_terms : array, shape (models, sites, seasons)
        Log of each season's conditional variance; a running sum is the log-determinant.
    """
    sites, seasons = variance.shape
    inverse = np.empty((len(models), sites, seasons, seasons))
    log_terms = np.empty((len(models), sites, seasons))
    pattern, back = np.unique(np.where(seen, variance, -1.0), axis=0, return_inverse=True)
    lag = np.abs(np.subtract.outer(np.arange(seasons), np.arange(seasons)))
    here = pattern >= 0
    both = here[:, :, None] & here[:, None, :]
    eye = np.eye(seasons)
    for number, (white, correlation) in enumerate(models):
        smooth = (1 - white) * correlation**lag if correlation > 0 else (1 - white) * eye
        matrix = np.where(both, smooth, 0.0)
        diagonal = np.where(here, white * pattern + np.diag(smooth), 1.0)
        matrix = matrix * (1 - eye) + diagonal[:, :, None] * eye
        factor = np.linalg.cholesky(matrix)
        lower = np.linalg.inv(factor) * here[:, None, :]
        logs = 2 * np.log(np.diagonal(factor, axis1=1, axis2=2))
        inverse[number] = lower[back.ravel()]
        log_terms[number] = logs[back.ravel()]
    return inverse, log_terms


def cross_products(inverse: Floats, columns: Floats) -> Floats:
    """Generalised least-squares cross-products of the columns.

    Parameters
    ----------
    inverse : array, shape (models, sites, seasons, seasons)
    columns : array, shape (sites, seasons, k)
        0 where a season has no value.

    Returns
    -------
    array, shape (models, sites, k, k)
    """
    whitened = inverse @ columns[None]
    return np.swapaxes(whitened, -1, -2) @ whitened


def sweep(products: Floats, column: int, variance: Floats | float) -> tuple[Floats, Floats]:
    """Cross-products once a column has become a random effect of the given variance.

    Parameters
    ----------
    products : array, shape (..., k, k)
    column : int
        The column that is taken out; its row and column are left meaningless.
    variance : array or float
        Relative variance of the effect, broadcast against (...); infinity makes it a fixed effect.

    Returns
    -------
    products : array, shape (..., k, k)
    log_determinant : array, shape (...)
        What the effect adds to the log-determinant; for a fixed effect the log of its
        cross-product, as restricted likelihood wants it.
    """
    own = products[..., column, column]
    across = products[..., :, column]
    if np.isscalar(variance) and np.isinf(variance):
        # A column that the others already explain leaves rounding noise only.
        usable = own > 1e-8
        share = np.where(usable, 1 / np.where(usable, own, 1.0), 0.0)
        logs = np.where(usable, np.log(np.where(usable, own, 1.0)), 0.0)
    else:
        share = variance / (1 + variance * own)
        logs = np.log1p(variance * own)
    return products - share[..., None, None] * across[..., :, None] * across[..., None, :], logs
