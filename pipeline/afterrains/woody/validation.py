"""Honest errors: predictions of plots whose whole place the fit had not seen.

Plots near one another look alike, so leaving out single plots flatters a model; whole places are
left out instead, blocks of ground at least as long as errors stay alike. Covers are percent,
errors percentage points.

References
----------
Roberts, D. R. et al. (2017). Cross-validation strategies for data with temporal, spatial,
hierarchical, or phylogenetic structure. Ecography 40, 913-929. doi:10.1111/ecog.02881
Ploton, P. et al. (2020). Spatial validation reveals poor predictive performance of large-scale
ecological mapping models. Nature Communications 11, 4540. doi:10.1038/s41467-020-18321-y
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

__all__ = [
    "COVER_CLASSES",
    "ClassError",
    "ErrorShare",
    "Scores",
    "Seasons",
    "errors_by_class",
    "folds_of_places",
    "held_out",
    "places_of",
    "score",
    "split_error",
]

Numbers = NDArray[np.float64]
Seasons = NDArray[np.str_]
Fit = Callable[[Numbers, Numbers, Seasons], Callable[[Numbers], Numbers]]
"""Takes features, cover and season of plots, gives a function from features to cover."""

PLACE_M = 500.0
COVER_CLASSES: tuple[tuple[float, float], ...] = ((0, 5), (5, 10), (10, 20), (20, 40), (40, 100))
"""Percent, lower bound inside; 10 % parts forest from other land (FAO)."""
_METRES_PER_DEGREE = 111_320.0


@dataclass(frozen=True)
class Scores:
    """Errors of predictions against plots."""

    rmse: float
    bias: float
    """Predicted minus observed."""
    n: int


@dataclass(frozen=True)
class ClassError:
    """Errors among the plots of one class of observed cover; NaN where it holds none."""

    low: float
    high: float
    scores: Scores


@dataclass(frozen=True)
class ErrorShare:
    """Variance of scaled residuals by what shares it: a place, a season, or nothing but the plot.

    An error that a whole season shares (a wet end of the dry season, a hazy year) is the same on
    sown and unsown ground and falls out of their difference; the others do not.
    """

    place: float
    season: float
    plot: float
    places: int
    seasons: int
    """0 where they are not known."""
    plots: int

    def cautious(self) -> tuple[float, float]:
        """`place` and `season`, each raised by its standard error.

        Few groups tell a shared error badly and a share that came out as nought may well not be:
        the standard error of a component of m groups is about sqrt(2 / (m - 1)) times the
        variance of a group's mean.
        """
        place = self.place + self._error(self.place, self.places)
        return place, self.season + self._error(self.season, self.seasons)

    def _error(self, share: float, groups: int) -> float:
        if groups < 2:
            return 0.0
        return float(np.sqrt(2.0 / (groups - 1)) * (share + self.plot * groups / self.plots))


def places_of(plots: pd.DataFrame, place_m: float = PLACE_M) -> NDArray[np.int64]:
    """Number of the place of each plot: squares of `place_m`, a site's plots all in one.

    Parameters
    ----------
    plots : DataFrame
        lon, lat (degrees) and optionally site_id ("" for none).
    place_m : float
        Side of the squares, metres.
    """
    lat = plots["lat"].to_numpy(float)
    lon = plots["lon"].to_numpy(float)
    if "site_id" in plots:
        site = plots["site_id"].fillna("").to_numpy(str)
        for name in np.unique(site[site != ""]):
            lat = np.where(site == name, lat[site == name].mean(), lat)
            lon = np.where(site == name, lon[site == name].mean(), lon)
    middle = np.cos(np.radians(lat.mean()))
    north = np.floor(lat * _METRES_PER_DEGREE / place_m).astype(np.int64)
    east = np.floor(lon * _METRES_PER_DEGREE * middle / place_m).astype(np.int64)
    _, number = np.unique(np.column_stack([north, east]), axis=0, return_inverse=True)
    return number.astype(np.int64).ravel()


def folds_of_places(place: NDArray[np.int64], folds: int, seed: int) -> NDArray[np.int64]:
    """Deal whole places out to folds so that folds hold about as many plots each.

    Largest places first, each to the fold with the fewest plots; ties by a seeded shuffle.
    """
    number, counts = np.unique(place, return_counts=True)
    shuffled = np.random.default_rng(seed).permutation(number.size)
    order = shuffled[np.argsort(-counts[shuffled], kind="stable")]
    filled = np.zeros(min(folds, number.size), dtype=np.int64)
    fold_of = np.empty(number.size, dtype=np.int64)
    for at in order:
        fold_of[at] = int(filled.argmin())
        filled[fold_of[at]] += counts[at]
    return fold_of[np.searchsorted(number, place)]


def held_out(
    features: Numbers, cover: Numbers, season: Seasons, fold: NDArray[np.int64], fit: Fit
) -> Numbers:
    """Prediction of each plot by a fit that has not seen its fold."""
    predicted = np.empty(len(cover))
    for out in np.unique(fold):
        inside = fold == out
        predicted[inside] = fit(features[~inside], cover[~inside], season[~inside])(
            features[inside]
        )
    return predicted


def score(predicted: Numbers, observed: Numbers) -> Scores:
    """Root mean square error and bias."""
    if not len(observed):
        return Scores(np.nan, np.nan, 0)
    error = predicted - observed
    return Scores(float(np.sqrt(np.mean(error**2))), float(error.mean()), len(error))


def errors_by_class(predicted: Numbers, observed: Numbers) -> tuple[ClassError, ...]:
    """Errors in each of `COVER_CLASSES` of observed cover."""
    out = []
    for low, high in COVER_CLASSES:
        # The last class takes its upper bound too.
        inside = (observed >= low) & ((observed < high) | (high == COVER_CLASSES[-1][1]))
        out.append(ClassError(low, high, score(predicted[inside], observed[inside])))
    return tuple(out)


def split_error(
    scaled_residual: Numbers, place: NDArray[np.int64], season: NDArray[np.str_]
) -> ErrorShare:
    """Variance components of residuals, each by the moments of a one-way layout.

    The mean is taken as zero, so that a shared bias counts as shared error. A component that comes
    out negative counts as zero; seasons that are not known ("") share nothing.
    """
    total = float(np.mean(scaled_residual**2))
    by_place = _shared_variance(scaled_residual, place)
    seasons = np.unique(season).size if not np.any(season == "") else 0
    by_season = _shared_variance(scaled_residual, season) if seasons > 1 else 0.0
    shared = min(by_place + by_season, total)
    places, plots = np.unique(place).size, len(scaled_residual)
    return ErrorShare(by_place, by_season, total - shared, places, seasons, plots)


def _shared_variance(residual: Numbers, group: NDArray[Any]) -> float:
    """Variance of what the members of a group have in common, at least 0."""
    groups = pd.Series(residual).groupby(group)
    counts = groups.size().to_numpy(float)
    means = groups.mean().to_numpy(float)
    n, m = len(residual), len(counts)
    if n == m:
        return 0.0
    within = float((groups.var(ddof=0) * counts).sum() / (n - m))
    # E[sum n_k mean_k^2] = n * shared + m * within, for groups of n_k and a mean of zero.
    return max((float((counts * means**2).sum()) - m * within) / n, 0.0)
