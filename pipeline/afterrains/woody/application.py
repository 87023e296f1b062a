"""A model over a run's cells: predictions and site values season by season, one held at a time."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass

import pandas as pd
from odc.geo.geobox import GeoBox

from afterrains.errors import Finding, InputError
from afterrains.signals.coverage import Coverage
from afterrains.woody.features import FEATURES
from afterrains.woody.model import LEVEL, Prediction, WoodyModel, predict
from afterrains.woody.sites import SITE_LEVEL, site_cover
from afterrains.woody.training import CompositesOf, bands_needed, season_features

__all__ = ["CellSeason", "cell_seasons", "require_bands"]


@dataclass(frozen=True)
class CellSeason:
    """What a model tells of a cell in one dry season."""

    season: str
    prediction: Prediction
    """Pixels; `prediction.stack()` holds the bands of `woody_percent_<season>.tif`."""
    sites: pd.DataFrame
    """Rows of `site_cover`, and `season`."""


def cell_seasons(
    model: WoodyModel,
    cell_id: str,
    box: GeoBox,
    coverage: Coverage,
    seasons: Sequence[str],
    calendar: pd.DataFrame,
    composites_of: CompositesOf,
    *,
    level: float = LEVEL,
    site_level: float = SITE_LEVEL,
) -> Iterator[CellSeason]:
    """Predictions of a cell for each dry season that has composites, in the order given.

    Parameters
    ----------
    model : WoodyModel
    cell_id : str
    box : GeoBox
        Grid of the cell, in metres.
    coverage : Coverage
        Of the grid by the cell's sites (`afterrains.signals.coverage.polygon_coverage`).
    seasons : sequence of str
        Dry seasons, usually the complete ones, oldest first.
    calendar : DataFrame
        Seasons, rains too.
    composites_of : callable
        Cell id and season id to composites.
    level, site_level : float
        Of the pixels' and the sites' intervals.
    """
    pixel_area_m2 = abs(box.resolution.x * box.resolution.y)
    for season in seasons:
        stack = season_features(cell_id, season, calendar, composites_of, model.features)
        if stack is None:
            continue
        found = predict(model, stack, level=level)
        table = site_cover(
            model, stack, coverage, pixel_area_m2, prediction=found, level=site_level
        )
        yield CellSeason(season, found, table.assign(season=season))


def require_bands(features: Sequence[str], bands: Collection[str], *, file: str) -> None:
    """Raise InputError where the scenes lack a band, or this version a feature, of a model.

    Parameters
    ----------
    features : sequence of str
        Of the model, fitted or to be fitted.
    bands : collection of str
        Bands that the scenes have.
    file : str
        Name of the programme file, for the message.
    """
    strange = [name for name in features if name not in FEATURES]
    missing = [] if strange else sorted(bands_needed(features) - set(bands))
    if strange or missing:
        what = (
            f"the model needs features that this version cannot make: {', '.join(strange)}"
            if strange
            else f"a woody model needs the bands {', '.join(missing)}, which the scenes do not have"
        )
        mend = "train a model for these scenes, or leave `woody` out"
        raise InputError([Finding("error", file, "woody", what, mend, "woody-model-bands")])
