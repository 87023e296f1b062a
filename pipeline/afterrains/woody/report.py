"""What is known of a fitted model's errors: for its card, and for the one who reads its maps.

Everything is predicted from places held out. Covers are percent, errors percentage points.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from afterrains.woody import trees
from afterrains.woody.conformal import conformal_radius
from afterrains.woody.fitting import find_stretch, fit_core
from afterrains.woody.line import fit_line, fit_scale
from afterrains.woody.model import LEVEL, WoodyModel
from afterrains.woody.validation import (
    ClassError,
    Fit,
    Scores,
    Seasons,
    errors_by_class,
    folds_of_places,
    held_out,
    score,
)

__all__ = ["Learning", "ModelErrors", "describe"]

Numbers = NDArray[np.float64]

_SHARES = (0.25, 0.5, 0.75)
_DRAWS = 3
_FEWEST = 15  # plots that a fit of the learning curve may rest on


@dataclass(frozen=True)
class Learning:
    """Held-out error of a fit to part of the places."""

    plots: int
    rmse: float


@dataclass(frozen=True)
class ModelErrors:
    """Errors of a model, and of simpler ones beside it."""

    places_out: Scores
    years_out: Scores | None
    """Whole survey seasons left out; None where fewer than 3 are known."""
    by_class: tuple[ClassError, ...]
    low_cover: Scores
    """Plots below 10 % cover."""
    baselines: dict[str, Scores]
    coverage: float
    """Share of plots inside their interval when their own fold gives it no score; each place counts
    the same, as in the interval itself."""
    coverage_pooled: float
    """The same with each plot counted alike."""
    level: float
    """The share that was aimed at."""
    importance: dict[str, float]
    """Weight of each feature in the dissimilarity index, largest 1."""
    learning: tuple[Learning, ...]


def describe(model: WoodyModel) -> ModelErrors:
    """Measure a model anew from the training table that it carries."""
    table = model.training
    x = table[list(model.features)].to_numpy(np.float64)
    y = table["cover"].to_numpy(np.float64)
    held = table["held_out"].to_numpy(np.float64)
    fold = table["fold"].to_numpy(np.int64)
    place = table["place"].to_numpy(np.int64)
    low = y < 10.0
    inside = _inside(model, fold, place)
    spread = x.std(axis=0)
    weights = model.domain.factor * np.where(spread > 0, spread, 1.0)
    return ModelErrors(
        places_out=score(held, y),
        years_out=_years_out(model, x, y),
        by_class=errors_by_class(held, y),
        low_cover=score(held[low], y[low]),
        baselines=_baselines(model, x, y, fold),
        coverage=float(pd.Series(inside).groupby(place).mean().mean()),
        coverage_pooled=float(inside.mean()),
        level=LEVEL,
        importance=dict(zip(model.features, (float(w) for w in weights), strict=True)),
        learning=_learning(model, x, y, place),
    )


def _full(model: WoodyModel) -> Fit:
    grown = model.core.forest.root.size > 0

    def fit(x: Numbers, y: Numbers, season: Seasons) -> Callable[[Numbers], Numbers]:
        return fit_core(x, y, season, model.seed, with_trees=grown).stretched(model.stretch).at

    return fit


def _years_out(model: WoodyModel, x: Numbers, y: Numbers) -> Scores | None:
    season = model.training["season"].to_numpy(str)
    names, number = np.unique(season, return_inverse=True)
    if names.size < 3 or "" in names:
        return None
    return score(held_out(x, y, _season(model), number.astype(np.int64), _full(model)), y)


def _baselines(
    model: WoodyModel, x: Numbers, y: Numbers, fold: NDArray[np.int64]
) -> dict[str, Scores]:
    """The model by halves, a plain line, trees alone, and dry-season NDVI alone."""
    seen = model.training["held_out"].to_numpy(np.float64)
    grown = model.core.forest.root.size > 0

    season = _season(model)

    def line(x: Numbers, y: Numbers, _: Seasons) -> Callable[[Numbers], Numbers]:
        return fit_line(x, y, weighted=False).line.at

    def forest(x: Numbers, y: Numbers, _: Seasons) -> Callable[[Numbers], Numbers]:
        grown = trees.grow(x, y, np.ones(len(y)), trees=200, depth=16, leaf=2, seed=model.seed)
        return lambda at: trees.evaluate(grown, at.astype(np.float32))

    def other(x: Numbers, y: Numbers, among: Seasons) -> Callable[[Numbers], Numbers]:
        return fit_core(x, y, among, model.seed, with_trees=not grown).at

    plain, swapped = (held_out(x, y, season, fold, way) for way in (line, other))
    found = {
        "this model before its stretch": score(model.stretch.undone(seen), y),
        f"… {'without' if grown else 'with'} trees": score(swapped, y),
        "plain line": score(plain, y),
        "plain line, stretched as this model is": score(_stretched(plain, y), y),
        "trees alone": score(held_out(x, y, season, fold, forest), y),
    }
    if "late_ndvi" in model.features:
        ndvi = x[:, [model.features.index("late_ndvi")]]
        found["dry-season NDVI alone"] = score(held_out(ndvi, y, season, fold, line), y)
    return found


def _season(model: WoodyModel) -> Seasons:
    return model.training["season"].to_numpy(np.str_)


def _stretched(held: Numbers, observed: Numbers) -> Numbers:
    return find_stretch(held, observed, fit_scale(held, observed - held)).at(held)


def _inside(
    model: WoodyModel, fold: NDArray[np.int64], place: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Which plots lie in the interval that the scores of the other folds give."""
    inside = np.empty(len(fold), dtype=bool)
    for out in np.unique(fold):
        others = fold != out
        radius = conformal_radius(np.abs(model.scores[others]), LEVEL, place[others])
        inside[fold == out] = np.abs(model.scores[fold == out]) <= radius
    return inside


def _learning(
    model: WoodyModel, x: Numbers, y: Numbers, place: NDArray[np.int64]
) -> tuple[Learning, ...]:
    """Error by how many plots there are: random parts of the places, means of some draws."""
    rng = np.random.default_rng(model.seed)
    number = np.unique(place)
    out = []
    for share in _SHARES:
        sizes, errors = [], []
        for draw in range(_DRAWS):
            chosen = rng.choice(number, max(2, round(share * number.size)), replace=False)
            inside = np.isin(place, chosen)
            if inside.sum() < _FEWEST:
                continue
            fold = folds_of_places(place[inside], 5, model.seed + draw)
            season = _season(model)[inside]
            held = held_out(x[inside], y[inside], season, fold, _full(model))
            sizes.append(int(inside.sum()))
            errors.append(score(held, y[inside]).rmse)
        if sizes:
            out.append(Learning(round(float(np.mean(sizes))), float(np.mean(errors))))
    out.append(Learning(len(y), score(model.training["held_out"].to_numpy(float), y).rmse))
    return tuple(out)
