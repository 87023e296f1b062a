"""Invented plots with known cover, and a model fitted to them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from afterrains.woody import WoodyModel, fit


def _invented(rng: np.random.Generator, count: int = 150) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Plots whose cover is 100 * a + 3 * a squared plus an error of 1 + 5 % of it."""
    place = rng.integers(0, 20, count)
    share = np.clip(rng.gamma(1.5, 0.09, count), 0, 0.8)
    cover = np.clip(100 * share + 3 * share**2 + rng.normal(0, 1 + 5 * share), 0, 100)
    features = pd.DataFrame(
        {
            "late_ndvi": 0.15 + 0.4 * share + rng.normal(0, 0.01, count),
            "late_ndmi": -0.2 + 0.3 * share + rng.normal(0, 0.01, count),
            "late_nbr2": 0.1 - 0.1 * share + rng.normal(0, 0.01, count),
        }
    )
    plots = pd.DataFrame(
        {
            "plot_id": [f"p{number:03d}" for number in range(count)],
            "lon": 2.0 + 0.02 * (place % 5) + rng.uniform(0, 0.002, count),
            "lat": 14.0 + 0.02 * (place // 5) + rng.uniform(0, 0.002, count),
            "woody_cover_percent": cover,
            "season": [f"{2018 + number % 4}-dry" for number in range(count)],
        }
    )
    return plots, features


@pytest.fixture(scope="session")
def invented() -> Callable[..., tuple[pd.DataFrame, pd.DataFrame]]:
    """Draw plots and their features: `invented(rng, count)`."""
    return _invented


@pytest.fixture(scope="session")
def plots_and_features() -> tuple[pd.DataFrame, pd.DataFrame]:
    return _invented(np.random.default_rng(5))


@pytest.fixture(scope="session")
def model(plots_and_features: tuple[pd.DataFrame, pd.DataFrame]) -> WoodyModel:
    return fit(*plots_and_features)


@pytest.fixture(scope="session")
def bent_plots_and_features(
    plots_and_features: tuple[pd.DataFrame, pd.DataFrame],
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Ground that no line follows: wet pixels have 15 points more."""
    plots, features = plots_and_features
    wet = features["late_nbr2"] > features["late_nbr2"].median()
    cover = np.minimum(plots["woody_cover_percent"] + 15.0 * wet, 100.0)
    return plots.assign(woody_cover_percent=cover), features


@pytest.fixture(scope="session")
def bent_model(bent_plots_and_features: tuple[pd.DataFrame, pd.DataFrame]) -> WoodyModel:
    """A model that keeps its trees."""
    return fit(*bent_plots_and_features)
