"""The straight line under the model: weighted ridge regression, with the error that grows with it.

Cover above what plots hold is where trees go flat and a line goes on; the line also keeps small
changes in proportion, which a change of woody cover needs. Errors of plots grow with cover, so
plots with more cover count less: the weight is one over the square of an error `floor + slope *
cover`, found from the residuals themselves (iterated least squares).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

__all__ = ["ErrorScale", "Line", "fit_line", "fit_scale"]

Numbers = NDArray[np.float64]

_RIDGE = 1.0  # in units of one plot on standardised features: a whisper at thirty plots and more
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


def fit_line(
    features: Numbers, cover: Numbers, *, weighted: bool = True
) -> tuple[Line, ErrorScale, Numbers]:
    """Fit the line; also the error scale it rests on and the weights used (mean 1).

    Parameters
    ----------
    features : array, shape (n, feature)
        Finite.
    cover : array, shape (n,)
        Percent.
    weighted : bool
        Without, every plot counts the same: the plain baseline.
    """
    centre = features.mean(axis=0)
    spread = features.std(axis=0)
    # A feature that never changes tells nothing and must not divide by nothing.
    spread = np.where(spread > 0, spread, 1.0)
    scaled = (features - centre) / spread
    weight = np.ones(len(cover))
    line = _solve(scaled, cover, weight, centre, spread)
    scale = fit_scale(line.at(features), cover - line.at(features))
    for _ in range(_ROUNDS if weighted else 0):
        weight = 1.0 / scale.at(line.at(features)) ** 2
        weight = weight / weight.mean()
        line = _solve(scaled, cover, weight, centre, spread)
        scale = fit_scale(line.at(features), cover - line.at(features))
    return line, scale, weight


def fit_scale(predicted: Numbers, residual: Numbers) -> ErrorScale:
    """Error scale of residuals by predicted cover: non-negative least squares of their sizes.

    The size of a normal residual is on average 0.798 of its standard deviation.
    """
    design = np.column_stack([np.ones(len(predicted)), np.maximum(predicted, 0.0)])
    (floor, slope), _ = nnls(design, np.abs(residual) / _MEAN_OF_ABSOLUTE)
    return ErrorScale(max(float(floor), _LEAST_SCALE), float(slope))


def _solve(
    scaled: Numbers, cover: Numbers, weight: Numbers, centre: Numbers, spread: Numbers
) -> Line:
    """Weighted ridge; the intercept is not shrunk."""
    middle: Numbers = np.average(scaled, axis=0, weights=weight).astype(np.float64)
    level = float(np.average(cover, weights=weight))
    x = scaled - middle
    normal = (x * weight[:, None]).T @ x + _RIDGE * np.eye(x.shape[1])
    coefficient: Numbers = np.linalg.solve(
        normal, (x * weight[:, None]).T @ (cover - level)
    ).astype(np.float64)
    return Line(centre, spread, coefficient, level - float(middle @ coefficient))
