"""The woody-cover model and its use on pixels; `fitting` makes one.

Cover is a straight line in a few features, plus shallow trees grown on what the line leaves where
they take off error on places held out. On ground that was rested and grew thick grass, trees alone
follow greenness and call grass a gain, and they flatten true gains; the line does neither (measured
in `benchmarks/woody`).
Cover is percent; a pixel with a missing feature is NaN in everything.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from afterrains.woody import trees
from afterrains.woody.applicability import Domain, dissimilarity
from afterrains.woody.conformal import conformal_radius, share_above
from afterrains.woody.features import FeatureStack
from afterrains.woody.line import ErrorScale, Line
from afterrains.woody.validation import ErrorShare

__all__ = [
    "ENOUGH_PLOTS",
    "LEVEL",
    "Core",
    "Prediction",
    "RadarTrial",
    "Stretch",
    "WoodyModel",
    "predict",
    "probability_of_cover",
]

Numbers = NDArray[np.float64]

ENOUGH_PLOTS = 100
"""With fewer the model says that it rests on few plots."""
LEVEL = 0.90
_CHUNK = 65_536


@dataclass(frozen=True)
class Stretch:
    """What undoes the shrinking of predictions: (prediction - offset) / slope."""

    offset: float
    slope: float

    def at(self, predicted: Numbers) -> Numbers:
        """Stretched predictions, percent."""
        stretched: Numbers = (predicted - self.offset) / self.slope
        return stretched

    def undone(self, stretched: Numbers) -> Numbers:
        """Predictions as they were before the stretch."""
        shrunk: Numbers = self.offset + self.slope * stretched
        return shrunk


@dataclass(frozen=True)
class Core:
    """The line and the trees on what it leaves; often there are none."""

    line: Line
    forest: trees.Forest

    def at(self, features: NDArray[np.floating]) -> Numbers:
        """Cover of each row (n, feature), not clipped; NaN where a feature is NaN."""
        rows = np.asarray(features)
        total: Numbers = self.line.at(rows)
        if self.forest.root.size:
            total = total + trees.evaluate(self.forest, rows.astype(np.float32))
        return total

    def stretched(self, stretch: Stretch) -> Core:
        """The core whose predictions are the stretched ones of this."""
        line, by = self.line, stretch.slope
        intercept = (line.intercept - stretch.offset) / by
        return Core(
            replace(line, coefficient=line.coefficient / by, intercept=intercept),
            replace(self.forest, value=self.forest.value / by),
        )


@dataclass(frozen=True)
class RadarTrial:
    """What became of radar when the model was fitted; see `radar`."""

    tracks: tuple[str, ...]
    """Direction and relative orbit, as "descending-51"; those used, where it is kept."""
    plots: int
    """That have it: both errors are of these, held out with their places."""
    rmse_without: float
    rmse_with: float
    """Percentage points; NaN where it could not be tried."""
    kept: bool
    why: str


@dataclass(frozen=True)
class WoodyModel:
    """A fitted model with all that predictions and their errors need."""

    features: tuple[str, ...]
    core: Core
    """Stretched already."""
    stretch: Stretch
    scale: ErrorScale
    """Error of a held-out plot by predicted cover."""
    scores: Numbers
    """(observed - predicted) / scale of each plot, held out with its place. Shape (plot,)."""
    error_share: ErrorShare
    domain: Domain
    plot_area_m2: float
    """Mean area of the plots: the ground that an error of one plot stands for."""
    cover_range: tuple[float, float]
    fold_lines: Numbers
    """Intercept and coefficients (of features as they are) of the line without each fold, for the
    jackknife of the model's own error; shape (fold, 1 + feature)."""
    seed: int
    training: pd.DataFrame
    """Row for each plot used: plot_id, cover, held_out (percent), place, fold, season ("" where
    not known) and its features."""
    radar: RadarTrial | None = None
    """None where no radar was at hand."""

    @property
    def tracks(self) -> tuple[str, ...]:
        """Tracks of the radar that the model needs; none where it needs none."""
        return self.radar.tracks if self.radar is not None and self.radar.kept else ()

    def grass_bias(self, cover: float) -> float:
        """Standard error, in points, of what ground of another kind is read as, at a cover.

        Errors between places held out, raised by their own standard error. Rested ground that grew
        grass is of another kind than it was before, and than its controls.
        """
        return float(np.sqrt(self.error_share.cautious()[0]) * self.scale.at(np.array(cover)))

    @property
    def few_plots(self) -> bool:
        """Whether the model rests on few plots."""
        return len(self.scores) < ENOUGH_PLOTS


@dataclass(frozen=True)
class Prediction:
    """Woody cover of pixels, percent 0-100, float32 in the shape of the window."""

    estimate: NDArray[np.float32]
    low: NDArray[np.float32]
    high: NDArray[np.float32]
    """Bounds that hold a plot-sized patch's cover with the level asked for."""
    applicability: NDArray[np.float32]
    """1 inside the ground that the model knows, 0 outside, NaN where nothing is predicted."""
    unclipped: NDArray[np.float32]
    """The estimate before it is kept within 0-100: means of bare ground need its other half."""

    def stack(self) -> NDArray[np.float32]:
        """Estimate, low, high, applicability: the bands of `woody_percent_<season>.tif`."""
        return np.stack([self.estimate, self.low, self.high, self.applicability])


def predict(
    model: WoodyModel, features: FeatureStack | pd.DataFrame, *, level: float = LEVEL
) -> Prediction:
    """Woody cover with its interval and whether the model knows such ground.

    Parameters
    ----------
    model : WoodyModel
    features : FeatureStack or DataFrame
        Holding the model's features by name, in any order.
    level : float
        Share of plot-sized patches that the interval holds, on ground like the training places.

    Returns
    -------
    Prediction
        Arrays of shape (y, x) for a stack, (n,) for a table. Memory is that of the results and a
        fixed number of rows.

    Raises
    ------
    ValueError
        If a feature of the model is missing, or there are too few plots for the level.
    """
    rows, shape = _rows(model.features, features)
    place = model.training["place"].to_numpy(np.int64)
    radius = conformal_radius(np.abs(model.scores), level, place)
    if not np.isfinite(radius):
        raise ValueError(f"{np.unique(place).size} places are too few for an interval of {level:g}")
    parts = np.empty((5, rows.shape[1]), np.float32)
    for start in range(0, rows.shape[1], _CHUNK):
        x = np.ascontiguousarray(rows[:, start : start + _CHUNK].T)
        cover = model.core.at(x)
        reach = radius * model.scale.at(cover)
        index = dissimilarity(model.domain, x)
        known = np.where(index <= model.domain.threshold, 1.0, 0.0)
        block = (cover, cover - reach, cover + reach)
        here = slice(start, start + x.shape[0])
        for at, values in enumerate(block):
            parts[at, here] = np.clip(values, 0.0, 100.0)
        parts[3, here] = np.where(np.isfinite(cover), known, np.nan)
        parts[4, here] = cover
    estimate, low, high, applicability, unclipped = (part.reshape(shape) for part in parts)
    return Prediction(estimate, low, high, applicability, unclipped)


def probability_of_cover(
    model: WoodyModel, prediction: Prediction, threshold: float = 10.0
) -> NDArray[np.float64]:
    """How likely a plot-sized patch has at least this cover (10 %: FAO's bound of forest), 0-1.

    Calibrated on held-out places; NaN where nothing is predicted.
    """
    cover = prediction.unclipped
    return share_above(cover, model.scale.at(cover), model.scores, threshold)


def _rows(
    names: tuple[str, ...], features: FeatureStack | pd.DataFrame
) -> tuple[NDArray[np.float32], tuple[int, ...]]:
    """Features in the model's order, (feature, n), and the shape of the answer."""
    if isinstance(features, pd.DataFrame):
        given: Sequence[Any] = list(features.columns)
        _require_names(names, given)
        return features[list(names)].to_numpy(np.float32).T, (len(features),)
    _require_names(names, features.names)
    order = [features.names.index(name) for name in names]
    values = features.values if features.names == names else features.values[order]
    return values.reshape(len(names), -1), values.shape[1:]


def _require_names(names: Sequence[str], given: Sequence[Any]) -> None:
    missing = [name for name in names if name not in given]
    if missing:
        raise ValueError(f"the model needs the features {', '.join(missing)}")
