"""The rival to come near: generalised least squares that knows the true covariance and curve.

It knows every site's covariance, which control is bad and how the true gain grows, and spends the
error rate over the seasons in the same way. Season effects and site levels are unknown to it too.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import stats
from simulate import Floats, Simulated, curve

from afterrains.evidence.spending import boundary_levels, spent

Bools = NDArray[np.bool_]


def oracle_z(simulated: Simulated, shape: str) -> tuple[Floats, Floats]:
    """Score and standard error of the full gain, shape (sown, seasons after)."""
    setting = simulated.setting
    s, after = setting.sown, setting.after
    z, se = np.full((s, after), np.nan), np.full((s, after), np.nan)
    bad = max(1, round(setting.controls / 10)) if setting.bad_control else 0
    rows = [i for i in range(simulated.values.shape[0]) if not s <= i < s + bad]
    for look in range(after):
        seen_seasons = setting.before + look + 1
        precision = np.zeros((seen_seasons, seen_seasons))
        pull = np.zeros(seen_seasons)
        for i in rows:
            if i < s:
                continue
            y = simulated.values[i, :seen_seasons]
            block = _precision(simulated.covariance[i], np.isfinite(y))
            precision += block
            pull += block @ np.nan_to_num(y)
        spread = np.linalg.pinv(precision, hermitian=True, rcond=1e-9)
        season = spread @ pull
        for i in range(s):
            since = np.arange(seen_seasons) - simulated.first[i] + 1.0
            h = curve(shape, np.maximum(since, 0))
            y = simulated.values[i, :seen_seasons] - season
            seen = np.isfinite(y)
            if not h[seen].any() or since[-1] < 1:
                continue
            block = _precision(simulated.covariance[i, :seen_seasons, :seen_seasons] + spread, seen)
            information = h @ block @ h
            if information > 1e-12:
                se[i, look] = information**-0.5
                z[i, look] = (h @ block @ np.nan_to_num(y)) * se[i, look]
    return z, se


def _precision(covariance: Floats, seen: NDArray[np.bool_]) -> Floats:
    """Inverse covariance of the seen seasons with the site's level taken out; 0 elsewhere."""
    size = seen.size
    out = np.zeros((size, size))
    index = np.flatnonzero(seen)
    inverse = np.linalg.inv(covariance[np.ix_(index, index)])
    ones = inverse.sum(axis=1)
    inverse -= np.outer(ones, ones) / ones.sum()
    out[np.ix_(index, index)] = inverse
    return out


def oracle_calls(simulated: Simulated, z: Floats, se: Floats, error_rate: float) -> Bools:
    """Whether each site was ever called a gain, with the same spending by seasons since sowing."""
    setting = simulated.setting
    judged = setting.after
    newly = np.append(np.diff(spent(np.arange(judged + 1) / judged, error_rate / 2)), 0.0)
    calls = np.zeros(z.shape[0], dtype=bool)
    kept: dict[tuple[float, ...], Floats] = {}
    for site in range(z.shape[0]):
        since = setting.before + np.arange(z.shape[1]) + 1 - simulated.first[site]
        seen = np.isfinite(z[site]) & (since >= 1) & (since <= judged)
        if not seen.any():
            continue
        # A look at which nothing can be estimated hands its share to the next.
        due = np.diff(np.cumsum(newly)[since[seen] - 1], prepend=0.0)
        errors = tuple(np.round(se[site, seen] / se[site, seen][-1], 2))
        key = (*errors, *np.round(due, 9))
        if key not in kept:
            kept[key] = boundary_levels(np.array(errors) ** -2.0, due, np.empty(0))
        calls[site] = bool((z[site, seen] >= stats.norm.isf(kept[key])).any())
    return calls
