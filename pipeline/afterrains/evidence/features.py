"""What sites are compared on before sowing: levels, response to good and bad seasons, trend."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from afterrains.evidence.panel import SeasonTable

__all__ = ["Features", "column_mean", "row_mean", "site_features", "slopes"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


@dataclass(frozen=True)
class Features:
    """What sites are compared on: `values` (sites, features), NaN where a site has too few seasons.

    `noise_variance` (features,) is the part of each feature's variance that is season-to-season
    noise: a slope from few seasons is mostly noise, and matching on noise chooses lucky controls.
    """

    names: tuple[str, ...]
    values: Floats
    noise_variance: Floats


def site_features(dry: SeasonTable, rains: SeasonTable, reference: Ints) -> Features:
    """Levels, and response and trend of the dry value, from the given (before-sowing) seasons.

    Parameters
    ----------
    dry, rains : SeasonTable
        The seasons before sowing of all sites; either may hold no season.
    reference : array of int
        Rows of the controls, whose mean gives the good and bad seasons.

    Returns
    -------
    Features
    """
    names, columns, noise = [], [], []
    for label, table in (("dry level", dry), ("rains level", rains)):
        if np.isfinite(table.values).any():
            names.append(label)
            columns.append(row_mean(table.values))
            noise.append(_cell_variance(table.values) / table.values.shape[1])
    seasons = dry.values.shape[1]
    if seasons >= 4:
        season: Floats = column_mean(
            dry.values[reference] - row_mean(dry.values[reference])[:, None]
        )
        time: Floats = np.arange(seasons, dtype=np.float64)
        for label, regressor in (("dry response", season), ("dry trend", time)):
            known = np.isfinite(regressor)
            size = float(np.var(regressor[known]) * known.sum()) if known.any() else 0.0
            if known.sum() >= 4 and size > 0:
                names.append(label)
                columns.append(slopes(dry.values, regressor))
                noise.append(_cell_variance(dry.values) / size)
    values = np.column_stack(columns) if columns else np.empty((dry.values.shape[0], 0))
    return Features(tuple(names), values, np.array(noise))


def _cell_variance(values: Floats) -> float:
    """Variance of single values about their site and season means."""
    rest = values - row_mean(values)[:, None]
    rest = rest - column_mean(rest)
    seen = int(np.isfinite(rest).sum())
    df = max(seen - sum(values.shape) + 1, 1)
    return float(np.nansum(rest**2) / df)


def row_mean(values: Floats) -> Floats:
    """Mean over the seasons of each site; NaN where it has none."""
    seen = np.isfinite(values)
    count = seen.sum(axis=1)
    total = np.where(seen, values, 0.0).sum(axis=1)
    out: Floats = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return out


def column_mean(values: Floats) -> Floats:
    """Mean over the sites of each season; NaN where none has a value."""
    return row_mean(values.T)


def slopes(values: Floats, regressor: Floats) -> Floats:
    """Least-squares slope of each row on `regressor`; NaN with fewer than four values."""
    seen = np.isfinite(values) & np.isfinite(regressor)
    x = np.where(seen, regressor, np.nan)
    x = np.where(seen, x - row_mean(x)[:, None], 0.0)
    y = np.where(seen, values - row_mean(np.where(seen, values, np.nan))[:, None], 0.0)
    sxx = (x * x).sum(axis=1)
    ok = (seen.sum(axis=1) >= 4) & (sxx > 0)
    out: Floats = np.where(ok, (x * y).sum(axis=1) / np.where(ok, sxx, 1.0), np.nan)
    return out
