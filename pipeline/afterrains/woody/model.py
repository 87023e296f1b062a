"""The woody-cover model: fitted to plots, honest about its errors, applied to pixels.

Cover is a straight line in a few features plus shallow trees grown on what the line leaves. On
ground that was rested and grew thick grass, trees alone follow greenness and call grass a gain, and
they flatten true gains; the line does neither, and the trees on top of it take off a little more
(measured in `benchmarks/woody`).
Cover is percent; a pixel with a missing feature is NaN in everything.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from afterrains.errors import Finding, InputError
from afterrains.woody import trees
from afterrains.woody.applicability import Domain, dissimilarity, find_domain
from afterrains.woody.conformal import conformal_radius, share_above
from afterrains.woody.features import FeatureStack
from afterrains.woody.line import ErrorScale, Line, fit_line, fit_scale
from afterrains.woody.plots import DEFAULT_RADIUS_M
from afterrains.woody.validation import (
    ErrorShare,
    folds_of_places,
    places_of,
    split_error,
)

__all__ = [
    "LEAST_PLACES",
    "LEAST_PLOTS",
    "Core",
    "Prediction",
    "WoodyModel",
    "fit",
    "fit_core",
    "predict",
    "probability_of_cover",
]

Numbers = NDArray[np.float64]

LEAST_PLOTS = 30
"""Fewer are refused: some three for each number that the line needs (common practice, no source);
an interval of 95 % needs 19 (split conformal)."""
LEAST_PLACES = 8
"""Fewer are refused: nothing could be held out honestly (common practice, no source)."""
ENOUGH_PLOTS = 100
"""With fewer the model says that it rests on few plots."""
FOLDS = 10
LEVEL = 0.90
_TREES, _DEPTH, _LEAF = 60, 5, 5
_CHUNK = 65_536
_SHUFFLES = 5


@dataclass(frozen=True)
class Core:
    """The line and the trees on what it leaves."""

    line: Line
    forest: trees.Forest

    def at(self, features: NDArray[np.floating]) -> Numbers:
        """Cover of each row (n, feature), not clipped; NaN where a feature is NaN."""
        rows = np.asarray(features)
        total: Numbers = self.line.at(rows) + trees.evaluate(self.forest, rows.astype(np.float32))
        return total


@dataclass(frozen=True)
class WoodyModel:
    """A fitted model with all that predictions and their errors need."""

    features: tuple[str, ...]
    core: Core
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


def fit(
    plots: pd.DataFrame,
    features: pd.DataFrame,
    *,
    places: Sequence[int] | NDArray[np.int64] | None = None,
    names: Sequence[str] | None = None,
    seed: int = 1,
) -> WoodyModel:
    """Fit a model to plots and measure its errors on places held out.

    Parameters
    ----------
    plots : DataFrame
        A row for each plot: woody_cover_percent (0-100); lon and lat unless `places` is given;
        optionally plot_id, site_id, season, plot_radius_m.
    features : DataFrame
        Rows in the order of `plots`, a column for each feature. Plots with a missing feature are
        left out.
    places : sequence of int, optional
        Which plots belong to one place and are held out together; from `places_of` if not given.
    names : sequence of str, optional
        Columns to use; all if not given.
    seed : int
        The same inputs and seed give the same model, bit for bit on one machine.

    Returns
    -------
    WoodyModel

    Raises
    ------
    InputError
        With fewer than `LEAST_PLOTS` usable plots in `LEAST_PLACES` places, or when cover hardly
        differs.
    ValueError
        If lengths differ or a column is missing.
    """
    if len(plots) != len(features):
        raise ValueError(f"{len(plots)} plots, features of {len(features)}")
    chosen = tuple(features.columns if names is None else names)
    x = features[list(chosen)].to_numpy(np.float64)
    y = plots["woody_cover_percent"].to_numpy(np.float64)
    place = places_of(plots) if places is None else np.asarray(places, np.int64)
    if len(place) != len(plots):
        raise ValueError(f"{len(plots)} plots, {len(place)} places")
    used = np.isfinite(x).all(axis=1) & np.isfinite(y)
    _require_enough(used, place, y)
    x, y, place = x[used], y[used], place[used]
    fold = folds_of_places(place, FOLDS, seed)
    cores = {int(out): fit_core(x[fold != out], y[fold != out], seed) for out in np.unique(fold)}
    held = np.empty(len(y))
    for out, core in cores.items():
        held[fold == out] = core.at(x[fold == out])
    scale = fit_scale(held, y - held)
    scores = (y - held) / scale.at(held)
    importance = _importance(cores, x, y, fold, scale, seed)
    return WoodyModel(
        features=chosen,
        core=fit_core(x, y, seed),
        scale=scale,
        scores=scores,
        error_share=split_error(scores, place, _seasons(plots[used])),
        domain=find_domain(x, importance, fold),
        plot_area_m2=_plot_area_m2(plots[used]),
        cover_range=(float(y.min()), float(y.max())),
        fold_lines=np.stack([_plain_line(core) for core in cores.values()]),
        seed=seed,
        training=_training(plots[used], chosen, x, y, held, place, fold),
    )


def fit_core(features: Numbers, cover: Numbers, seed: int) -> Core:
    """The line, and trees on its residuals with the line's weights."""
    line, _, weight = fit_line(features, cover)
    left = cover - line.at(features)
    forest = trees.grow(features, left, weight, trees=_TREES, depth=_DEPTH, leaf=_LEAF, seed=seed)
    return Core(line, forest)


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
    radius = conformal_radius(np.abs(model.scores), level)
    if not np.isfinite(radius):
        raise ValueError(f"{len(model.scores)} plots are too few for an interval of {level:g}")
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


def _require_enough(used: NDArray[np.bool_], place: NDArray[np.int64], cover: Numbers) -> None:
    count, places = int(used.sum()), np.unique(place[used]).size
    problem = None
    if count < LEAST_PLOTS:
        lost = len(used) - count
        without = f" ({lost} more have no clear season)" if lost else ""
        what = f"{count} plots can be used{without}; a model needs {LEAST_PLOTS} or more"
        problem = (what, "survey more plots, or leave `woody` out", "plots-too-few")
    elif places < LEAST_PLACES:
        what = f"the plots lie in {places} places; errors can only be told with {LEAST_PLACES}"
        problem = (what, "survey plots in more places", "plots-too-close")
    elif np.ptp(cover[used]) < 10.0:
        what = f"cover differs by {np.ptp(cover[used]):.0f} points only"
        problem = (what, "add plots on bare and on wooded ground", "plots-too-alike")
    if problem:
        raise InputError([Finding("error", "plots", "", *problem)])


def _importance(
    cores: dict[int, Core],
    x: Numbers,
    y: Numbers,
    fold: NDArray[np.int64],
    scale: ErrorScale,
    seed: int,
) -> Numbers:
    """Growth of the scaled error (root mean square) of held-out plots when a feature is shuffled.

    At least 0; shape (feature,).
    """
    rng = np.random.default_rng(seed)
    growth = np.zeros(x.shape[1])
    usual_error = 0.0
    for out, core in cores.items():
        inside = fold == out
        mine, true = x[inside], y[inside]
        usual = core.at(mine)
        by = scale.at(usual)
        before = float(np.sum(((true - usual) / by) ** 2))
        usual_error += before
        for feature in range(x.shape[1]):
            for _ in range(_SHUFFLES):
                mixed = mine.copy()
                # Drawn from all plots: a fold of few plots shuffles too little within itself.
                mixed[:, feature] = rng.choice(x[:, feature], len(mine))
                growth[feature] += float(np.sum(((true - core.at(mixed)) / by) ** 2)) - before
    shuffled = np.maximum(usual_error + growth / _SHUFFLES, 0.0)
    importance: Numbers = np.sqrt(shuffled / len(y)) - np.sqrt(usual_error / len(y))
    return np.maximum(importance, 0.0)


def _seasons(plots: pd.DataFrame) -> NDArray[np.str_]:
    if "season" not in plots:
        return np.full(len(plots), "", dtype=np.str_)
    return plots["season"].fillna("").to_numpy(np.str_)


def _plain_line(core: Core) -> Numbers:
    """Intercept and coefficients of features as they are."""
    slope = core.line.coefficient / core.line.spread
    return np.concatenate([[core.line.intercept - slope @ core.line.centre], slope])


def _plot_area_m2(plots: pd.DataFrame) -> float:
    if "plot_radius_m" not in plots:
        return float(np.pi * DEFAULT_RADIUS_M**2)
    radius = plots["plot_radius_m"].fillna(DEFAULT_RADIUS_M).to_numpy(np.float64)
    return float(np.pi * np.mean(radius**2))


def _training(
    plots: pd.DataFrame,
    names: tuple[str, ...],
    x: Numbers,
    y: Numbers,
    held: Numbers,
    place: NDArray[np.int64],
    fold: NDArray[np.int64],
) -> pd.DataFrame:
    ids = plots["plot_id"] if "plot_id" in plots else pd.Series(plots.index.astype(str))
    return pd.DataFrame(
        {
            "plot_id": ids.to_numpy(str),
            "cover": y,
            "held_out": held,
            "place": place,
            "fold": fold,
            "season": _seasons(plots),
        }
        | {name: x[:, at] for at, name in enumerate(names)}
    )
