"""Fitting the woody-cover model to plots, with its errors measured on places held out.

The leanest model that loses nothing is taken: the line alone, unless trees on what it leaves take
off more of the held-out error than one standard error of what they take off (the one-standard-error
rule, by places).

Least squares draws predictions towards the middle: bare ground comes out too high, and a gain too
small. The held-out predictions are therefore stretched along their reduced major axis against what
was observed, which treats the errors of both alike, and the model with them. That costs a little on
single plots (the card tells both) and gives gains of sites their size (`benchmarks/woody`).

References
----------
Breiman, L., Friedman, J. H., Olshen, R. A. & Stone, C. J. (1984). Classification and Regression
Trees. Wadsworth, section 3.4.3 (one standard error).
Smith, R. J. (2009). Use and misuse of the reduced major axis for line-fitting. American Journal of
Physical Anthropology 140, 476-486. doi:10.1002/ajpa.21090
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from afterrains.errors import Finding, InputError
from afterrains.woody import trees
from afterrains.woody.applicability import find_domain
from afterrains.woody.line import ErrorScale, fit_line, fit_scale
from afterrains.woody.model import Core, Stretch, WoodyModel
from afterrains.woody.plots import DEFAULT_RADIUS_M
from afterrains.woody.validation import Seasons, folds_of_places, places_of, split_error

__all__ = [
    "LEAST_PLACES",
    "LEAST_PLOTS",
    "earns_its_place",
    "find_stretch",
    "fit",
    "fit_core",
]

Numbers = NDArray[np.float64]

LEAST_PLOTS = 30
"""Fewer are refused: some three for each number of the line (common practice, no source)."""
LEAST_PLACES = 9
"""Fewer are refused: an interval of 90 % for a new place cannot be told from them."""
FOLDS = 10
# 60 trees of depth 5 did no better on six invented districts and took four times as long.
_TREES, _DEPTH, _LEAF = 30, 3, 10
_SHUFFLES = 5
LEAST_SLOPE = 0.5
"""A model that tells less than half of the differences is not stretched further."""


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
    season = _seasons(plots)[used]
    cores, held = _leanest(x, y, season, place, fold, seed)
    with_trees = any(core.forest.root.size for core in cores.values())
    stretch = find_stretch(held, y, fit_scale(held, y - held))
    held = stretch.at(held)
    cores = {out: core.stretched(stretch) for out, core in cores.items()}
    scale = fit_scale(held, y - held)
    scores = (y - held) / scale.at(held)
    importance = _importance(cores, x, y, fold, scale, seed)
    return WoodyModel(
        features=chosen,
        core=fit_core(x, y, season, seed, with_trees=with_trees).stretched(stretch),
        stretch=stretch,
        scale=scale,
        scores=scores,
        error_share=split_error(scores, place, season),
        domain=find_domain(x, importance, fold),
        plot_area_m2=_plot_area_m2(plots[used]),
        cover_range=(float(y.min()), float(y.max())),
        fold_lines=np.stack([_plain_line(core) for core in cores.values()]),
        seed=seed,
        training=_training(plots[used], chosen, x, y, held, place, fold),
    )


def fit_core(
    features: Numbers, cover: Numbers, season: Seasons, seed: int, *, with_trees: bool
) -> Core:
    """The line, and trees on its residuals with the line's weights if they are wanted."""
    fitted = fit_line(features, cover, season)
    if not with_trees:
        return Core(fitted.line, trees.no_trees())
    left = cover - fitted.line.at(features) - fitted.season_level
    forest = trees.grow(
        features, left, fitted.weight, trees=_TREES, depth=_DEPTH, leaf=_LEAF, seed=seed
    )
    return Core(fitted.line, forest)


def earns_its_place(without: Numbers, with_it: Numbers, place: NDArray[np.int64]) -> bool:
    """Whether what was added, as trees or radar, takes off more than one standard error of that.

    Parameters
    ----------
    without, with_it : array, shape (plot,)
        Errors of the same held-out plots, in one scale.
    place : array, shape (plot,)
        Plots of a place err alike: their sums are compared.
    """
    saved = np.bincount(np.unique(place, return_inverse=True)[1], without**2 - with_it**2)
    return bool(saved.mean() > saved.std(ddof=1) / np.sqrt(saved.size))


def _leanest(
    x: Numbers,
    y: Numbers,
    season: Seasons,
    place: NDArray[np.int64],
    fold: NDArray[np.int64],
    seed: int,
) -> tuple[dict[int, Core], Numbers]:
    """A core without each fold, and what it says of that fold's plots."""
    found: list[tuple[dict[int, Core], Numbers]] = []
    for with_trees in (False, True):
        cores = {
            int(out): fit_core(
                x[fold != out], y[fold != out], season[fold != out], seed, with_trees=with_trees
            )
            for out in np.unique(fold)
        }
        held = np.empty(len(y))
        for out, core in cores.items():
            held[fold == out] = core.at(x[fold == out])
        found.append((cores, held))
    lean, grown = found
    by = fit_scale(lean[1], y - lean[1]).at(lean[1])
    earned = earns_its_place((y - lean[1]) / by, (y - grown[1]) / by, place)
    return grown if earned else lean


def find_stretch(held: Numbers, observed: Numbers, scale: ErrorScale) -> Stretch:
    """Reduced major axis of held-out predictions against what was observed.

    Weighted as the line is; the slope is between that of one on the other and of the other on the
    one, and 1 where they spread alike.
    """
    weight = 1.0 / scale.at(held) ** 2

    def moments(values: Numbers) -> tuple[float, float]:
        mean = float(np.average(values, weights=weight))
        return mean, float(np.sqrt(np.average((values - mean) ** 2, weights=weight)))

    (mean, spread), (true_mean, true_spread) = moments(held), moments(observed)
    slope = min(max(spread / true_spread, LEAST_SLOPE), 1.0)
    return Stretch(mean - slope * true_mean, slope)


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


def _seasons(plots: pd.DataFrame) -> Seasons:
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
