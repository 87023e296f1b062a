"""From plots and a run's composites to a model, without knowing where composites are kept.

The caller gives the grids of its cells and a function that hands out a cell's composites of a
season; one cell and season is held at a time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from odc.geo.geobox import GeoBox

from afterrains.errors import Finding
from afterrains.woody.features import (
    DEFAULT_FEATURES,
    FEATURES,
    RAINS,
    FeatureStack,
    feature_stack,
    radar_features,
    radar_inputs,
)
from afterrains.woody.fitting import fit
from afterrains.woody.model import WoodyModel
from afterrains.woody.plots import (
    POSITION_ERROR_M,
    plot_means,
    plot_weights,
    plots_inside,
    season_of_plot,
)
from afterrains.woody.radar import try_radar

__all__ = [
    "CompositesOf",
    "TrainingSet",
    "bands_needed",
    "cell_seasons_needed",
    "composites_needed",
    "gather",
    "plot_seasons",
    "rains_before",
    "season_features",
    "train",
]

CompositesOf = Callable[[str, str], Mapping[str, NDArray[Any]] | None]
"""Takes a cell id and a season id; None where that season has no composites."""


@dataclass(frozen=True)
class TrainingSet:
    """Plots with their features, row by row; features are NaN where a plot cannot be used."""

    plots: pd.DataFrame
    """As given, with `season`: the dry season that shows the plot, missing where none does."""
    features: pd.DataFrame
    findings: tuple[Finding, ...]
    """Warnings: plots that cannot be used, and why."""


def bands_needed(names: Sequence[str] = DEFAULT_FEATURES) -> frozenset[str]:
    """Bands of optical scenes that must be read so that these features can be made."""
    radar = radar_inputs(names)
    stems = {
        each.removeprefix(RAINS).removeprefix("late_")
        for n in names
        for each in _inputs(n)
        if each not in radar
    }
    layers = {stem.rsplit("_", 1)[0] for stem in stems}
    of_index = {
        "ndvi": ("red", "nir"),
        "ndmi": ("nir", "swir16"),
        "nbr": ("nir", "swir22"),
        "nbr2": ("swir16", "swir22"),
    }
    return frozenset(band for layer in layers for band in of_index.get(layer, (layer,)))


def composites_needed(names: Sequence[str] = DEFAULT_FEATURES) -> dict[str, frozenset[str]]:
    """Composites that these features are made of, by the kind of season: "dry" and "rains"."""
    inputs = {each for name in names for each in _inputs(name)}
    rains = {each for each in inputs if each.startswith(RAINS)}
    return {
        "dry": frozenset(inputs - rains),
        "rains": frozenset(each.removeprefix(RAINS) for each in rains),
    }


def rains_before(calendar: pd.DataFrame, dry_season: str) -> str | None:
    """Id of the rains just before a dry season, None where the calendar begins with it."""
    rows = calendar.reset_index(drop=True)
    at = rows.index[rows["season"] == dry_season]
    if len(at) != 1:
        raise ValueError(f"the calendar has no single season {dry_season!r}")
    earlier = rows.iloc[: int(at[0])]
    rains = earlier[earlier["kind"] == "rains"]
    return None if rains.empty else str(rains["season"].iloc[-1])


def season_features(
    cell_id: str,
    dry_season: str,
    calendar: pd.DataFrame,
    composites_of: CompositesOf,
    names: Sequence[str] = DEFAULT_FEATURES,
) -> FeatureStack | None:
    """Features of a cell in a dry season; None where a season has no composites.

    The rains are asked for only where a feature needs them. A season without radar has composites
    all the same, and its features of radar are NaN.
    """
    dry = composites_of(cell_id, dry_season)
    missing = set() if dry is None else radar_inputs(names) - set(dry)
    if dry and missing:
        blank = np.full_like(next(iter(dry.values())), np.nan, dtype=np.float32)
        dry = {**dry, **dict.fromkeys(sorted(missing), blank)}
    rains: Mapping[str, NDArray[Any]] | None = None
    if any(_needs_rains(name) for name in names):
        season = rains_before(calendar, dry_season)
        rains = None if season is None else composites_of(cell_id, season)
        if rains is None:
            return None
    return None if dry is None else feature_stack(dry, rains, names)


def cell_seasons_needed(
    plots: pd.DataFrame,
    cells: Mapping[str, GeoBox],
    calendar: pd.DataFrame,
    names: Sequence[str] = DEFAULT_FEATURES,
) -> frozenset[tuple[str, str]]:
    """Cells and seasons whose composites `gather` will ask for: what a training must read.

    Takes what `gather` takes.
    """
    seasons = plot_seasons(plots, calendar, names)
    return frozenset(
        (cell_id, season)
        for cell_id, box in cells.items()
        for at in np.flatnonzero(plots_inside(plots, box))
        for season in seasons[at]
    )


def plot_seasons(
    plots: pd.DataFrame, calendar: pd.DataFrame, names: Sequence[str] = DEFAULT_FEATURES
) -> list[tuple[str, ...]]:
    """Seasons whose composites each plot's features are made of, its dry season first.

    None where no complete dry season shows a plot. Takes what `gather` takes.
    """
    with_rains = any(_needs_rains(name) for name in names)
    found: list[tuple[str, ...]] = []
    for dry in _dry_season(plots, calendar):
        if pd.isna(dry):
            found.append(())
            continue
        rains = rains_before(calendar, dry) if with_rains else None
        found.append((str(dry), *([rains] if rains is not None else [])))
    return found


def gather(
    plots: pd.DataFrame,
    cells: Mapping[str, GeoBox],
    calendar: pd.DataFrame,
    composites_of: CompositesOf,
    *,
    names: Sequence[str] = DEFAULT_FEATURES,
    position_error_m: float = POSITION_ERROR_M,
) -> TrainingSet:
    """Features of every plot in the dry season of its survey.

    Parameters
    ----------
    plots : DataFrame
        As `afterrains.register.plots.read_plots` gives them.
    cells : mapping of str to GeoBox
        Grid of each cell. A plot in several takes the first, in the mapping's order, that sees it.
    calendar : DataFrame
        Seasons; complete dry ones are used.
    composites_of : callable
        Cell id and season id to composites.
    names : sequence of str
        Features.
    position_error_m : float
        Circular error of the plots' places at 95 %.

    Returns
    -------
    TrainingSet
    """
    table = plots.reset_index(drop=True)
    table["season"] = _dry_season(table, calendar)
    features = pd.DataFrame(np.nan, index=table.index, columns=list(names))
    covered = np.zeros(len(table), dtype=bool)
    for cell_id, box in cells.items():
        weights = plot_weights(table, box, position_error_m=position_error_m)
        covered[list(weights)] = True
        open_ones = [at for at in weights if features.loc[at].isna().any()]
        for season in _seasons(table.loc[open_ones, "season"]):
            stack = season_features(cell_id, season, calendar, composites_of, names)
            if stack is None:
                continue
            inside = {at: weights[at] for at in open_ones if table.at[at, "season"] == season}
            found = plot_means(stack, inside)
            features.loc[found.index] = found
    return TrainingSet(table, features, tuple(_findings(table, features, covered)))


def train(
    plots: pd.DataFrame,
    cells: Mapping[str, GeoBox],
    calendar: pd.DataFrame,
    composites_of: CompositesOf,
    *,
    names: Sequence[str] = DEFAULT_FEATURES,
    seed: int = 1,
    tracks: Sequence[str] = (),
) -> tuple[WoodyModel, tuple[Finding, ...]]:
    """Fit a model from a run's composites; see `gather` and `fit`.

    Radar of `tracks`, if any, is tried beside the named features; see `try_radar`.

    Returns
    -------
    WoodyModel, tuple of Finding
        The findings are warnings: plots left out.

    Raises
    ------
    InputError
        If too few plots can be used.
    """
    gathered = gather(plots, cells, calendar, composites_of, names=names)
    model = fit(gathered.plots, gathered.features, seed=seed)
    if tracks:
        both = (*names, *radar_features(tracks))
        beside = gather(plots, cells, calendar, composites_of, names=both)
        model = try_radar(model, beside.plots, beside.features, tracks, seed=seed)
    return model, gathered.findings


def _inputs(name: str) -> tuple[str, ...]:
    return FEATURES[name].inputs


def _needs_rains(name: str) -> bool:
    return any(each.startswith(RAINS) for each in _inputs(name))


def _dry_season(plots: pd.DataFrame, calendar: pd.DataFrame) -> pd.Series:
    """The complete dry season that shows each plot."""
    complete = calendar[calendar["complete"]] if "complete" in calendar else calendar
    return season_of_plot(plots["surveyed_on"], complete)


def _seasons(season: pd.Series) -> Iterator[str]:
    yield from sorted(str(each) for each in season.dropna().unique())


def _findings(
    table: pd.DataFrame, features: pd.DataFrame, covered: NDArray[np.bool_]
) -> Iterator[Finding]:
    seasonless = table["season"].isna().to_numpy()
    unseen = features.isna().any(axis=1).to_numpy() & covered & ~seasonless
    for chosen, what, mend, code in (
        (
            seasonless,
            "surveyed when no complete dry season of the scenes shows them",
            "let the scenes reach over the survey dates",
            "plots-no-season",
        ),
        (
            ~covered & ~seasonless,
            "outside the ground that is read",
            "give their ground a cell, or leave them out",
            "plots-outside",
        ),
        (
            unseen,
            "never clear at the end of their dry season",
            "nothing to mend; they are left out of the fit",
            "plots-not-clear",
        ),
    ):
        if chosen.any():
            ids = [str(each) for each in table.loc[chosen, "plot_id"]]
            listed = ", ".join(ids[:5]) + (", …" if len(ids) > 5 else "")
            told = f"{len(ids)} of the plots {what}: {listed}"
            yield Finding("warning", "plots", "", told, mend, code)
