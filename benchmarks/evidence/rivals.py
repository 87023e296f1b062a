"""Methods in common use, on the same panels: how often they call a gain where there is none.

Each is used the way it is used: one look at the end of the record, 5 % two-sided, a call when it is
significant and upwards. That flatters them, as none allows for looking every season.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats
from simulate import Floats, Simulated

Bools = NDArray[np.bool_]
LEVEL = 0.05


def before_after(simulated: Simulated) -> Bools:
    """Welch's t-test of a sown site's own seasons after against before; no control."""
    calls = []
    for row, first in zip(simulated.values, simulated.first, strict=False):
        before, after = row[:first], row[first:]
        before, after = before[np.isfinite(before)], after[np.isfinite(after)]
        test = stats.ttest_ind(after, before, equal_var=False)
        calls.append(test.pvalue < LEVEL and test.statistic > 0)
    return np.array(calls)


def mann_kendall(simulated: Simulated) -> Bools:
    """Mann-Kendall trend test of the site's own yearly value, the whole record."""
    calls = []
    for row in simulated.values[: simulated.setting.sown]:
        seen = np.isfinite(row)
        test = stats.kendalltau(np.flatnonzero(seen), row[seen])
        calls.append(test.pvalue < LEVEL and test.statistic > 0)
    return np.array(calls)


def difference_in_differences(simulated: Simulated, *, clustered: bool) -> Bools:
    """Two-way fixed effects by OLS, one sown site with all controls; plain or clustered errors."""
    setting, calls = simulated.setting, []
    controls = simulated.values[setting.sown :]
    for site, first in enumerate(simulated.first):
        y = np.vstack([simulated.values[site], controls])
        treated = np.zeros_like(y)
        treated[0, first:] = 1.0
        seen = np.isfinite(y)
        d, e = _two_way(treated, seen), _two_way(np.where(seen, y, 0.0), seen)
        effect = (d * e).sum() / (d * d).sum()
        residual = np.where(seen, e - effect * d, 0.0)
        units, seasons = y.shape
        if clustered:
            score = (d * residual).sum(axis=1)
            variance = (score**2).sum() / (d * d).sum() ** 2 * units / (units - 1)
            p = 2 * stats.t.sf(abs(effect) / np.sqrt(variance), units - 1)
        else:
            df = seen.sum() - units - seasons
            variance = (residual**2).sum() / df / (d * d).sum()
            p = 2 * stats.t.sf(abs(effect) / np.sqrt(variance), df)
        calls.append(p < LEVEL and effect > 0)
    return np.array(calls)


def _two_way(table: Floats, seen: Bools) -> Floats:
    """Residual of site and season effects over the seen cells, by sweeps."""
    out = np.where(seen, table, 0.0)
    for _ in range(40 if not seen.all() else 1):
        for axis in (1, 0):
            mean = out.sum(axis=axis, keepdims=True) / np.maximum(
                seen.sum(axis=axis, keepdims=True), 1
            )
            out = np.where(seen, out - mean, 0.0)
    return out


def synthetic_control(simulated: Simulated) -> Bools:
    """Outcome-only synthetic control with placebo ranks of the post/pre error ratio, upwards.

    Missing cells are filled by the season's mean departure from the site's own level.
    """
    setting = simulated.setting
    values = simulated.values.copy()
    season = np.nanmean(values - np.nanmean(values, axis=1, keepdims=True), axis=0)
    filled = np.nanmean(values, axis=1, keepdims=True) + season
    values = np.where(np.isfinite(values), values, filled)
    controls, calls = values[setting.sown :], []
    for site, first in enumerate(simulated.first):
        pool = np.vstack([values[site], controls])
        ratios, rise = [], 0.0
        for unit in range(pool.shape[0]):
            donors = np.delete(pool, [0, unit] if unit else [0], axis=0)
            gap = pool[unit] - _weights(pool[unit, :first], donors[:, :first]) @ donors
            ratios.append((gap[first:] ** 2).mean() / max((gap[:first] ** 2).mean(), 1e-12))
            rise = gap[first:].mean() if unit == 0 else rise
        rank = (np.array(ratios) >= ratios[0]).mean()
        calls.append(rank <= LEVEL and rise > 0)
    return np.array(calls)


def _weights(target: Floats, donors: Floats) -> Floats:
    """Non-negative donor weights that sum to one (the sum as a heavily weighted row)."""
    heavy = 1e3 * max(float(np.abs(donors).max()), 1.0)
    a = np.vstack([donors.T, np.full(donors.shape[0], heavy)])
    solution, _ = optimize.nnls(a, np.append(target, heavy))
    total = solution.sum()
    return solution / total if total > 0 else np.full(donors.shape[0], 1 / donors.shape[0])


RIVALS = {
    "before/after t-test": before_after,
    "Mann-Kendall": mann_kendall,
    "DiD, OLS errors": lambda s: difference_in_differences(s, clustered=False),
    "DiD, clustered errors": lambda s: difference_in_differences(s, clustered=True),
    "synthetic control, ranks": synthetic_control,
}
