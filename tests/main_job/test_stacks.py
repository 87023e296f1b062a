"""Composites of a season by their names, on two pixels whose medians are known by hand."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace

import numpy as np

from afterrains.signals.season_values import LATE_DAYS
from afterrains.stages.stacks import SeasonStacks, layers_of, makeable_composites
from afterrains.woody import composites_needed


def _look(day: date, red: float, nir: float) -> SimpleNamespace:
    """One clear pixel and one that is masked."""
    bands = {"red": red, "nir": nir}
    layers = {name: np.array([[value, np.nan]], np.float32) for name, value in bands.items()}
    return SimpleNamespace(date=day, reflectance=layers)


def test_each_composite_is_of_the_looks_that_its_name_says() -> None:
    """By hand: red .1, .2, .4 in the season, .2 and .4 in its last days; NDVI 0 and 1/3 there."""
    assert LATE_DAYS == 90
    wanted = ("late_count", "late_ndvi_median", "late_red_median", "red_median")
    stacks = SeasonStacks(wanted, date(2021, 1, 1), date(2021, 5, 31), (1, 2))
    stacks.add(_look(date(2020, 12, 31), 0.9, 0.9))  # before the season's own days
    stacks.add(_look(date(2021, 1, 10), 0.1, 0.3))
    stacks.add(_look(date(2021, 3, 3), 0.2, 0.4))  # the first of the last 90 days
    stacks.add(_look(date(2021, 5, 1), 0.4, 0.4))
    found = stacks.composites()
    assert list(found) == sorted(wanted)
    np.testing.assert_allclose(found["red_median"], [[0.2, np.nan]], rtol=1e-6)
    np.testing.assert_allclose(found["late_red_median"], [[0.3, np.nan]], rtol=1e-6)
    np.testing.assert_allclose(found["late_ndvi_median"], [[1 / 6, np.nan]], rtol=1e-6)
    assert found["late_count"].tolist() == [[2, 0]]


def test_a_season_without_looks_is_missing_and_nothing_asked_is_nothing_made() -> None:
    stacks = SeasonStacks(("red_median", "count"), date(2021, 1, 1), date(2021, 5, 31), (1, 2))
    found = stacks.composites()
    assert np.isnan(found["red_median"]).all()
    assert found["count"].tolist() == [[0, 0]]
    assert SeasonStacks((), date(2021, 1, 1), date(2021, 5, 31), (1, 2)).composites() == {}


def test_names_tell_layers_and_features_tell_names() -> None:
    """By hand from the features' own inputs: a swing needs the rains' peak and the dry end."""
    assert layers_of(["late_nir_median", "ndvi_high", "late_count"]) == ("ndvi", "nir")
    assert makeable_composites(["late_nbr2_median", "red_median"], ["red", "nir"]) == (
        "red_median",
    )
    needed = composites_needed(["rains_swing", "late_red"])
    assert needed["rains"] == {"ndvi_high"}
    assert needed["dry"] == {"late_ndvi_median", "late_red_median"}
