"""What sites are compared on before sowing: levels, response to good and bad seasons, trend."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from afterrains.evidence.panel import SeasonTable

__all__ = ["Features", "column_mean", "row_mean", "site_features", "slopes"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

_CORRELATIONS = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)
_SEASONS_OF_A_CORRELATION = 4  # fewer say nothing of how the noise hangs together
_SEASONS_OF_A_TREND = 6  # fewer leave too little beside a level, a trend and a response


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
            share = np.full(table.values.shape[1], 1 / table.values.shape[1])
            noise.append(share @ _noise_covariance(table.values, reference) @ share)
    seasons = dry.values.shape[1]
    if seasons >= 4:
        covariance = _noise_covariance(dry.values, reference)
        time: Floats = np.arange(seasons, dtype=np.float64)
        for label, regressor in (
            ("dry response", _season_means(dry.values, reference)),
            ("dry trend", time),
        ):
            known = np.isfinite(regressor)
            size = float(np.var(regressor[known]) * known.sum()) if known.any() else 0.0
            if known.sum() >= 4 and size > 0:
                names.append(label)
                columns.append(slopes(dry.values, regressor))
                share = np.where(known, regressor - np.mean(regressor[known]), 0.0) / size
                noise.append(share @ covariance @ share)
    values = np.column_stack(columns) if columns else np.empty((dry.values.shape[0], 0))
    return Features(tuple(names), values, np.array(noise))


def _season_means(values: Floats, reference: Ints) -> Floats:
    """Good and bad seasons, as the controls' mean departure from their levels."""
    controls = values[reference]
    return column_mean(controls - row_mean(controls)[:, None])


def _noise_covariance(values: Floats, reference: Ints) -> Floats:
    """Covariance of one site's season-to-season noise, shape (seasons, seasons).

    Noise that hangs together makes a slope far less sure than white noise does. Taken for white,
    wandering would pass for a trend that lasts, be matched on, and come back as a gap after sowing.
    So the correlation from one season to the next is read from the record: the one under which the
    residuals of a site, its level, trend and response taken out, would show what they do.
    """
    seasons = values.shape[1]
    rest = values - row_mean(values)[:, None]
    rest = rest - column_mean(rest)
    seen = np.isfinite(rest)
    design = [np.ones(seasons)]
    season = _season_means(values, reference)
    if seasons >= _SEASONS_OF_A_TREND and np.isfinite(season).all():
        design += [np.arange(seasons, dtype=np.float64), season]
    columns = np.column_stack(design)
    left = np.eye(seasons) - columns @ np.linalg.pinv(columns)
    rest = np.where(seen, np.where(seen, rest, 0.0) @ left, 0.0)
    # The season means were taken from the same sites.
    free = max(1 - 1 / max(int(seen.any(axis=1).sum()), 1), 0.5)
    variance = float((rest**2).sum() / max(int(seen.sum()), 1)) / free
    both = seen[:, 1:] & seen[:, :-1]
    beside = float((rest[:, 1:] * rest[:, :-1]).sum() / max(int(both.sum()), 1)) / free
    lag = np.abs(np.subtract.outer(np.arange(seasons), np.arange(seasons)))
    tried = _CORRELATIONS if seasons >= _SEASONS_OF_A_CORRELATION and variance > 0 else (0.0,)
    apart: list[float] = []
    matrices: list[Floats] = []
    for correlation in tried:
        matrix: Floats = np.power(correlation, lag)
        expected = left @ matrix @ left
        scale = max(float(np.diag(expected).mean()), 1 / seasons)
        matrices.append(matrix * variance / scale)
        apart.append(
            abs(variance * float(np.diag(expected, 1).sum()) / scale - beside * (seasons - 1))
        )
    return matrices[int(np.argmin(apart))]


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
