"""Spending an error rate over the seasons in which a site is judged.

Lan-DeMets spending of the O'Brien-Fleming kind: nearly nothing in the first seasons, when nothing
can be seen anyway. How much is spent by when follows the calendar. What level a season is then
tested at follows from how much of its information the earlier looks had already seen: efficient
estimates of one gain have independent increments (Jennison & Turnbull 1997,
doi:10.1080/01621459.1997.10473655), so the chance of a first crossing is integrated exactly.
`nominal_levels` is the union bound, which needs no such assumption and costs power.
"""

from __future__ import annotations

import numpy as np
import scipy
from numpy.typing import NDArray

__all__ = ["boundary_levels", "nominal_levels", "spent"]

Floats = NDArray[np.float64]


def spent(fraction: Floats, error_rate: float) -> Floats:
    """Error rate spent, one-sided, when `fraction` of the judged seasons has passed.

    Parameters
    ----------
    fraction : array
        Share of the judged seasons that has passed; clipped to 0..1.
    error_rate : float
        The one-sided error rate over all judged seasons.

    Returns
    -------
    array
        2 - 2 Phi(z(error_rate / 2) / sqrt(fraction)); 0 at fraction 0, `error_rate` from 1 on.

    References
    ----------
    Lan, K. K. G. & DeMets, D. L. (1983). Discrete sequential boundaries for clinical trials.
    Biometrika 70, 659-663. doi:10.1093/biomet/70.3.659
    """
    if not 0 < error_rate < 1:
        raise ValueError(f"error_rate is {error_rate}; it must lie between 0 and 1")
    share = np.clip(np.asarray(fraction, dtype=float), 1e-12, 1.0)
    out: Floats = 2 * scipy.stats.norm.sf(scipy.stats.norm.isf(error_rate / 2) / np.sqrt(share))
    return out


def nominal_levels(judged_seasons: int, error_rate: float) -> Floats:
    """One-sided level at which each of the judged seasons is tested.

    Parameters
    ----------
    judged_seasons : int
        Number of seasons the error rate is spent over; at least 1.
    error_rate : float
        The one-sided error rate over all of them.

    Returns
    -------
    array, shape (judged_seasons,)
        Levels that sum to `error_rate`, so that the chance of ever crossing is at most that.
    """
    if judged_seasons < 1:
        raise ValueError(f"judged_seasons is {judged_seasons}; at least one season is judged")
    fractions = np.arange(judged_seasons + 1) / judged_seasons
    levels: Floats = np.diff(spent(fractions, error_rate))
    return levels


_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(80)
_REACH = 7.0  # standard deviations beyond which nothing is integrated
_LEAST_SPENT = 1e-9  # a season that may spend less than this is not tested


def boundary_levels(information: Floats, newly_spent: Floats, used: Floats) -> Floats:
    """One-sided level of each look such that the chance of crossing first there is what it spends.

    Parameters
    ----------
    information : array, shape (looks,)
        1 / variance of the estimated gain at each look.
    newly_spent : array, shape (looks,)
        Error rate that each look may spend.
    used : array, shape (m,), m <= looks
        Levels at which the first looks were tested when their time came; they are kept.

    Returns
    -------
    array, shape (looks,)
        Levels on the normal scale; 0 where nothing is spent.

    References
    ----------
    Armitage, P., McPherson, C. K. & Rowe, B. C. (1969). Repeated significance tests on accumulating
    data. J. R. Stat. Soc. A 132, 235-244. doi:10.2307/2343787
    """
    levels = np.zeros(information.size)
    # A look that adds nothing cannot be integrated over; it adds next to nothing here instead.
    information = np.maximum.accumulate(information * (1 + 1e-6 * np.arange(information.size)))
    points = mass = np.empty(0)
    before = 0.0
    for look, now in enumerate(information):
        gained = max(now - before, 1e-6 * now)
        step, size = np.sqrt(gained), np.sqrt(now)
        if look < used.size:
            level = float(used[look])
        elif newly_spent[look] <= _LEAST_SPENT:
            level = 0.0
        elif points.size == 0:
            level = float(newly_spent[look])
        else:
            level = _level(points, mass, step, size, float(newly_spent[look]))
        levels[look] = level
        bound = float(-scipy.special.ndtri(level)) if level > 0 else _REACH
        new_points = size * ((bound + _REACH) / 2 * (_NODES + 1) - _REACH)
        new_weights = size * (bound + _REACH) / 2 * _WEIGHTS
        if points.size == 0:
            density = np.exp(-((new_points / size) ** 2) / 2) / (size * np.sqrt(2 * np.pi))
        else:
            apart = (new_points[:, None] - points[None, :]) / step
            kernel = np.exp(-(apart**2) / 2) / (step * np.sqrt(2 * np.pi))
            density = kernel @ mass
        points, mass, before = new_points, new_weights * density, now
    return levels


def _level(points: Floats, mass: Floats, step: float, size: float, wanted: float) -> float:
    """Level whose bound is first crossed with chance `wanted`."""

    def too_often(bound: float) -> float:
        return float(mass @ scipy.special.ndtr((points - bound * size) / step)) - wanted

    if too_often(0.0) <= 0:  # what is left to cross is less than may be spent
        return 0.5
    bound = scipy.optimize.brentq(too_often, 0.0, _REACH + 3, xtol=1e-9)
    return float(scipy.special.ndtr(-bound))
