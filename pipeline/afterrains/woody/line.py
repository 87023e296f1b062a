"""The straight line under the model: weighted ridge regression, with the error that grows with it.

Cover above what plots hold is where trees go flat and a line goes on; the line also keeps small
changes in proportion, which a change of woody cover needs. Errors of plots grow with cover, so
plots with more cover count less: the weight is one over the square of an error `floor + slope *
cover`, found from the residuals themselves (iterated least squares).

Plots are compared within their seasons. A wet season shifts the features of all ground alike; a
line fitted across seasons learns to ignore what such a season moves, and pays for it with trust in
features that grass moves. So each season has its own level beside the line, drawn towards none by
the weight of one plot (a ridge, which is a random effect). Predictions leave it out: seasons
without plots have none, and what a whole season shares falls out of a comparison with controls.

References
----------
Robinson, G. K. (1991). That BLUP is a good thing: the estimation of random effects. Statistical
Science 6, 15-32. doi:10.1214/ss/1177011926
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

__all__ = ["ErrorScale", "FittedLine", "Line", "fit_line", "fit_scale"]

Numbers = NDArray[np.float64]

_RIDGE = 1.0  # in units of one plot on standardised features: a whisper at thirty plots and more
_SEASON_RIDGE = 1.0  # a season seen by one plot is believed by half
_ROUNDS = 3
_LEAST_SCALE = 0.5  # percentage points; nobody sees cover finer
_MEAN_OF_ABSOLUTE = np.sqrt(2.0 / np.pi)  # of a standard normal variable


@dataclass(frozen=True)
class ErrorScale:
    """Standard error of a plot's cover: `floor + slope * cover`, percentage points."""

    floor: float
    slope: float

    def at(self, cover: NDArray[np.floating]) -> Numbers:
        """At a predicted cover; negative cover counts as none."""
        scale: Numbers = self.floor + self.slope * np.maximum(np.asarray(cover, np.float64), 0.0)
        return scale


@dataclass(frozen=True)
class Line:
    """Cover = intercept + sum of coefficient * (feature - centre) / spread, percent."""

    centre: Numbers
    spread: Numbers
    coefficient: Numbers
    intercept: float

    def at(self, features: NDArray[np.floating]) -> Numbers:
        """Shape (n, feature) to (n,); NaN where a feature is."""
        scaled = (np.asarray(features, np.float64) - self.centre) / self.spread
        found: Numbers = self.intercept + scaled @ self.coefficient
        return found


@dataclass(frozen=True)
class FittedLine:
    """A line with what it was fitted by; `scale` is the error that its weights rest on."""

    line: Line
    scale: ErrorScale
    weight: Numbers
    """Of each plot, mean 1; shape (n,)."""
    season_level: Numbers
    """How far each plot's season lies above the line, percentage points; shape (n,)."""


def fit_line(
    features: Numbers,
    cover: Numbers,
    season: NDArray[np.str_] | None = None,
    *,
    weighted: bool = True,
) -> FittedLine:
    """Fit the line.

    Parameters
    ----------
    features : array, shape (n, feature)
        Finite.
    cover : array, shape (n,)
        Percent.
    season : array, shape (n,), optional
        Of each plot; without, all count as one.
    weighted : bool
        Without, every plot counts the same: the plain baseline.
    """
    centre = features.mean(axis=0)
    spread = features.std(axis=0)
    # A feature that never changes tells nothing and must not divide by nothing.
    spread = np.where(spread > 0, spread, 1.0)
    scaled = (features - centre) / spread
    names, number = np.unique(np.zeros(len(cover)) if season is None else season,
                              return_inverse=True)  # fmt: skip
    member = np.eye(names.size)[number.ravel()] if names.size > 1 else np.empty((len(cover), 0))
    weight = np.ones(len(cover))
    line, level = _solve(scaled, member, cover, weight, centre, spread)
    found = line.at(features)
    scale = fit_scale(found, cover - found - level)
    for _ in range(_ROUNDS if weighted else 0):
        weight = 1.0 / scale.at(found) ** 2
        weight = weight / weight.mean()
        line, level = _solve(scaled, member, cover, weight, centre, spread)
        found = line.at(features)
        scale = fit_scale(found, cover - found - level)
    return FittedLine(line, scale, weight, level)


def fit_scale(predicted: Numbers, residual: Numbers) -> ErrorScale:
    """Error scale of residuals by predicted cover: non-negative least squares of their sizes.

    The size of a normal residual is on average 0.798 of its standard deviation.
    """
    design = np.column_stack([np.ones(len(predicted)), np.maximum(predicted, 0.0)])
    (floor, slope), _ = scipy.optimize.nnls(design, np.abs(residual) / _MEAN_OF_ABSOLUTE)
    return ErrorScale(max(float(floor), _LEAST_SCALE), float(slope))


def _solve(
    scaled: Numbers,
    member: Numbers,
    cover: Numbers,
    weight: Numbers,
    centre: Numbers,
    spread: Numbers,
) -> tuple[Line, Numbers]:
    """Weighted ridge with a level for each season; the intercept is not shrunk."""
    count = scaled.shape[1]
    x = np.column_stack([np.ones(len(cover)), scaled, member])
    penalty = np.repeat([0.0, _RIDGE, _SEASON_RIDGE], [1, count, member.shape[1]])
    weighed = (x * weight[:, None]).T
    found = np.linalg.solve(weighed @ x + np.diag(penalty), weighed @ cover)
    coefficient: Numbers = found[1 : 1 + count].astype(np.float64)
    level: Numbers = (member @ found[1 + count :]).astype(np.float64)
    return Line(centre, spread, coefficient, float(found[0])), level
