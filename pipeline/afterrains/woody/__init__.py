"""Woody cover of the ground: features, the model, its errors, sites, change and areas.

`fit` and `predict` are the plain way in; `save` and `load` keep a model without code in it.
"""

from __future__ import annotations

from afterrains.woody.card import CardFacts
from afterrains.woody.features import DEFAULT_FEATURES, FEATURES, FeatureStack, feature_stack
from afterrains.woody.files import load, model_digest, save
from afterrains.woody.model import Prediction, WoodyModel, fit, predict, probability_of_cover
from afterrains.woody.report import ModelErrors, describe

__all__ = [
    "DEFAULT_FEATURES",
    "FEATURES",
    "CardFacts",
    "FeatureStack",
    "ModelErrors",
    "Prediction",
    "WoodyModel",
    "describe",
    "feature_stack",
    "fit",
    "load",
    "model_digest",
    "predict",
    "probability_of_cover",
    "save",
]
