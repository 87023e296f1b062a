"""Woody cover of the ground: features, the model, its errors, sites, change and areas.

`fit` and `predict` are the plain way in; `save` and `load` keep a model without code in it.
"""

from __future__ import annotations

from afterrains.woody.application import CellSeason, cell_seasons, require_bands
from afterrains.woody.area import AreaEstimate, area_from_matrix, area_from_strata
from afterrains.woody.blocks import BlockPrediction, predict_blocks
from afterrains.woody.card import CardFacts
from afterrains.woody.change import Change, seasons_before, sowing_days, woody_change
from afterrains.woody.features import DEFAULT_FEATURES, FEATURES, FeatureStack, feature_stack
from afterrains.woody.files import load, model_digest, save
from afterrains.woody.fitting import fit
from afterrains.woody.model import Prediction, WoodyModel, predict, probability_of_cover
from afterrains.woody.plots import plots_inside
from afterrains.woody.report import ModelErrors, describe
from afterrains.woody.sites import site_cover, sites_in_points
from afterrains.woody.training import (
    bands_needed,
    cell_seasons_needed,
    composites_needed,
    gather,
    plot_seasons,
    season_features,
    train,
)

__all__ = [
    "DEFAULT_FEATURES",
    "FEATURES",
    "AreaEstimate",
    "BlockPrediction",
    "CardFacts",
    "CellSeason",
    "Change",
    "FeatureStack",
    "ModelErrors",
    "Prediction",
    "WoodyModel",
    "area_from_matrix",
    "area_from_strata",
    "bands_needed",
    "cell_seasons",
    "cell_seasons_needed",
    "composites_needed",
    "describe",
    "feature_stack",
    "fit",
    "gather",
    "load",
    "model_digest",
    "plot_seasons",
    "plots_inside",
    "predict",
    "predict_blocks",
    "probability_of_cover",
    "require_bands",
    "save",
    "season_features",
    "seasons_before",
    "site_cover",
    "sites_in_points",
    "sowing_days",
    "train",
    "woody_change",
]
