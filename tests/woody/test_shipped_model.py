"""The model in `models/`: it loads, says what it is, and its card tells what its arrays hold."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from afterrains.woody import DEFAULT_FEATURES, describe, load, model_digest
from afterrains.woody.conformal import conformal_radius

_FOLDER = Path(__file__).resolve().parents[2] / "models" / "woody_cover"


@pytest.fixture(scope="module")
def shipped():
    return load(_FOLDER)


def test_it_loads_and_is_of_the_features_in_use(shipped):
    """A change of the default features needs the model fitted anew."""
    assert shipped.features == DEFAULT_FEATURES
    recipe = json.loads((_FOLDER / "recipe.json").read_text(encoding="utf-8"))
    assert model_digest(_FOLDER) == recipe["digest"]
    assert recipe["real_ground"] is False


def test_its_card_forbids_real_ground_and_tells_its_errors(shipped):
    """Measured again from the plots it carries."""
    card = (_FOLDER / "card.md").read_text(encoding="utf-8")
    assert "It must not be used on real ground" in card
    errors = describe(shipped)
    for each in (errors.places_out, *(one.scores for one in errors.by_class)):
        assert f"| {each.n} | {each.rmse:.2f} | {each.bias:+.2f} |" in card
    held = f"{100 * errors.coverage_pooled:.1f} percent of held-out plots lay inside"
    assert f"{held}, {100 * errors.coverage:.1f} percent when each place counts alike" in card


def test_it_keeps_its_promises_on_held_out_places(shipped):
    """At least 100 plots: error of a plot at most 3 points, bias below 10 % cover at most one.

    As fitted it loses to no simpler model, nor does it when both are stretched.
    """
    errors = describe(shipped)
    assert errors.places_out.n >= 100
    assert errors.places_out.rmse <= 3.0
    assert abs(errors.low_cover.bias) <= 1.0
    assert errors.places_out.rmse < errors.baselines["trees alone"].rmse
    assert errors.places_out.rmse < errors.baselines["dry-season NDVI alone"].rmse
    simpler = errors.baselines
    assert simpler["this model before its stretch"].rmse <= simpler["plain line"].rmse
    stretched = simpler["plain line, stretched as this model is"].rmse
    assert errors.places_out.rmse <= stretched
    assert 0.87 <= errors.coverage <= 0.93
    assert np.isfinite(shipped.scores).all()


def test_its_intervals_hold_as_many_plots_as_they_should(shipped):
    """Nominal 90 % lies within what so many places can tell, on both sides.

    Rank intervals from m exchangeable places hold between 90 % and 90 % + 1 / (m + 1) of the time
    (Lei et al. 2018, theorem 2.2, doi:10.1080/01621459.2017.1307116; places for its points): the
    share where places count alike. Plot by plot, places with many plots rule. Plots of a place hold
    or miss together, so the error of that share is taken over places (the ratio estimator of
    cluster sampling, Cochran 1977, section 9A.2, from memory), not from the binomial law.
    """
    place = shipped.training["place"].to_numpy()
    fold = shipped.training["fold"].to_numpy()
    sizes = np.abs(shipped.scores)
    inside, fewest = np.empty(len(sizes)), len(np.unique(place))
    for out in np.unique(fold):
        rest = fold != out
        inside[~rest] = sizes[~rest] <= conformal_radius(sizes[rest], 0.9, place[rest])
        fewest = min(fewest, len(np.unique(place[rest])))
    errors = describe(shipped)
    assert inside.mean() == pytest.approx(errors.coverage_pooled)
    hit, plots = np.bincount(place, inside), np.bincount(place)
    hit, plots = hit[plots > 0], plots[plots > 0]
    most, count = 0.9 + 1 / (fewest + 1), len(plots)
    pooled_error = np.sqrt(np.square(hit - inside.mean() * plots).sum()) / plots.sum()
    place_error = np.std(hit / plots, ddof=1) / np.sqrt(count)
    assert pooled_error < 0.03  # so that the limits can be missed
    for share, error in ((errors.coverage, place_error), (errors.coverage_pooled, pooled_error)):
        assert 0.9 - 1.96 * error <= share <= most + 1.96 * error
