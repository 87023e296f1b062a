"""Fitting and predicting: agreement with reference libraries, determinism, honest refusals."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from sklearn.ensemble import ExtraTreesRegressor
from sklearn.linear_model import Ridge
from statsmodels.regression.linear_model import WLS
from statsmodels.regression.mixed_linear_model import MixedLM

from afterrains.errors import InputError
from afterrains.woody import describe, fit, load, predict, predict_blocks, probability_of_cover
from afterrains.woody.features import FeatureStack, feature_stack
from afterrains.woody.fitting import earns_its_place
from afterrains.woody.line import fit_line, fit_scale
from afterrains.woody.trees import evaluate, grow, require_sound
from afterrains.woody.validation import folds_of_places, held_out, places_of, split_error


def test_trees_agree_with_scikit_learn(rng):
    """scikit-learn's own prediction, which shares no code with our kernel."""
    x, y = rng.normal(size=(200, 4)), rng.normal(size=200)
    weight = rng.uniform(0.5, 2, 200)
    forest = grow(x, y, weight, trees=40, depth=7, leaf=2, seed=3)
    theirs = ExtraTreesRegressor(
        40, max_depth=7, min_samples_leaf=2, random_state=3
    ).fit(x.astype(np.float32), y, sample_weight=weight)  # fmt: skip
    new = rng.normal(size=(5000, 4)).astype(np.float32)
    np.testing.assert_allclose(evaluate(forest, new), theirs.predict(new), rtol=0, atol=1e-9)


def test_trees_split_as_scikit_learn_at_the_threshold():
    """Rows that lie on thresholds to the last bit: 0 and 1 meet at 0.5, as float32."""
    x, y = np.array([[0.0], [1.0]] * 10), np.array([0.0, 1.0] * 10)
    forest = grow(x, y, np.ones(20), trees=5, depth=2, leaf=1, seed=0)
    theirs = ExtraTreesRegressor(5, max_depth=2, random_state=0).fit(x.astype(np.float32), y)
    edge = forest.threshold[forest.feature >= 0].astype(np.float32)
    near = np.concatenate([edge, np.nextafter(edge, np.float32(2)), np.nextafter(edge, -1)])
    rows = near.astype(np.float32)[:, None]
    np.testing.assert_array_equal(evaluate(forest, rows), theirs.predict(rows))


def test_trees_that_leave_their_arrays_are_found():
    """By hand: a node that is its own child would never end."""
    forest = grow(np.arange(20.0)[:, None], np.arange(20.0), np.ones(20),
                  trees=1, depth=2, leaf=1, seed=0)  # fmt: skip
    require_sound(forest, 1)
    left = forest.left.copy()
    left[0] = 0
    with pytest.raises(ValueError, match="outside its tree"):
        require_sound(dataclasses.replace(forest, left=left), 1)
    with pytest.raises(ValueError, match="feature that the model has not"):
        require_sound(forest, 0)


def test_plain_line_agrees_with_scikit_learn_ridge(rng):
    """The library scikit-learn: Ridge with alpha 1 on standardised features."""
    x, y = rng.normal(size=(80, 3)) * [1, 10, 0.1] + 5, rng.normal(size=80)
    line = fit_line(x, y, weighted=False).line
    scaled = (x - x.mean(axis=0)) / x.std(axis=0)
    np.testing.assert_allclose(line.at(x), Ridge(1.0).fit(scaled, y).predict(scaled), atol=1e-10)


def test_weighted_line_agrees_with_statsmodels(rng):
    """WLS of statsmodels with the weights found; apart by the ridge's whisper of 1 in 4000."""
    x = rng.normal(size=(4000, 2))
    mean = 20 + x @ np.array([5.0, -3.0])
    y = mean + rng.normal(size=4000) * (1 + 0.1 * np.maximum(mean, 0))
    fitted = fit_line(x, y)
    line, scale = fitted.line, fitted.scale
    theirs = WLS(y, np.column_stack([np.ones(4000), x]), weights=fitted.weight).fit()
    ours = line.coefficient / line.spread
    np.testing.assert_allclose(ours, theirs.params[1:], rtol=2e-3)
    # The errors drawn are 1 + 10 % of the mean; 4000 of them tell that to a tenth.
    assert scale.at(np.array([0.0, 20.0])) == pytest.approx([1.0, 3.0], rel=0.12)


def test_a_season_that_moves_all_ground_does_not_blur_the_line(rng):
    """Mixed model of statsmodels (REML), and the slopes that the plots were drawn with.

    Seasons move one feature and not cover: across seasons it tells little, within them much.
    """
    season = rng.integers(0, 12, 1200)
    cover = rng.gamma(2.0, 6.0, 1200)
    moved = rng.normal(0, 0.6, 12)[season]
    x = np.column_stack([0.1 * cover + moved, rng.normal(size=1200)])
    x = x + rng.normal(0, 0.05, x.shape)
    fitted = fit_line(x, cover, season.astype(str), weighted=False)
    ours = fitted.line.coefficient / fitted.line.spread
    assert ours == pytest.approx([10.0, 0.0], abs=0.25)
    pooled = fit_line(x, cover, weighted=False).line
    assert (pooled.coefficient / pooled.spread)[0] < 8.5
    theirs = MixedLM(cover, np.column_stack([np.ones(1200), x]), groups=season).fit()
    # The seasons' spread is given here, by the weight of one plot, and estimated there.
    assert ours == pytest.approx(theirs.fe_params[1:], abs=0.15)


def test_scale_never_falls_below_what_eyes_can_see():
    """Perfect predictions still leave half a point."""
    assert fit_scale(np.arange(50.0), np.zeros(50)).at(np.array([10.0])) == pytest.approx([0.5])


def test_same_plots_give_the_same_model(plots_and_features, model):
    """Seeded and on one thread."""
    again = fit(*plots_and_features)
    features = plots_and_features[1]
    np.testing.assert_array_equal(predict(again, features).unclipped,
                                  predict(model, features).unclipped)  # fmt: skip


def test_stack_and_table_agree_and_a_missing_feature_stays_missing(plots_and_features, model):
    """A stack in another order of features, with a NaN pixel."""
    features = plots_and_features[1].iloc[:6]
    values = features.to_numpy(np.float32).T.reshape(3, 2, 3).copy()
    values[1, 0, 0] = np.nan
    names = tuple(features.columns)
    stack = FeatureStack(names[::-1], values[::-1])
    from_stack, from_table = predict(model, stack), predict(model, features)
    assert from_stack.estimate.shape == (2, 3)
    for field in dataclasses.fields(from_stack):
        layer = getattr(from_stack, field.name)
        assert np.isnan(layer[0, 0])
        np.testing.assert_array_equal(layer.ravel()[1:], getattr(from_table, field.name)[1:])


def test_intervals_and_chances_hold_on_new_ground(model, invented):
    """90 % nominal on fresh draws from the same invented ground; 87-93 % is the promise.

    Means of four fits: in one, 150 plots leave a chance near one half uncertain by .05.
    """
    models = [model, *(fit(*invented(np.random.default_rng(seed))) for seed in (6, 7, 8))]
    plots, features = invented(np.random.default_rng(77), 4000)
    cover = plots["woody_cover_percent"].to_numpy()
    found = [predict(each, features) for each in models]
    inside = [((each.low <= cover) & (cover <= each.high)).mean() for each in found]
    assert 0.87 <= np.mean(inside) <= 0.93
    sure = [probability_of_cover(*pair) for pair in zip(models, found, strict=True)]
    for low, high in ((0.0, 0.2), (0.4, 0.6), (0.8, 1.0)):
        off = []
        for chance in sure:
            chosen = (chance >= low) & (chance < high)
            off.append((cover[chosen] >= 10).mean() - chance[chosen].mean())
        assert np.mean(off) == pytest.approx(0.0, abs=0.1)


def test_strange_ground_is_outside_the_domain(model):
    """Greener than any plot by far, then an ordinary plot."""
    ordinary = model.training.loc[[0], list(model.features)]
    strange = ordinary.assign(late_ndvi=0.95)
    assert predict(model, pd.concat([strange, ordinary])).applicability.tolist() == [0.0, 1.0]


def test_few_plots_are_refused_and_said(plots_and_features):
    """Under 30 there is no model; under 100 the model says it rests on few."""
    plots, features = plots_and_features
    with pytest.raises(InputError, match=r"29 plots can be used .* a model needs 30") as told:
        fit(plots, pd.concat([features[:29], features[29:] * np.nan]))
    assert told.value.findings[0].code == "plots-too-few"
    assert fit(plots[:60], features[:60]).few_plots
    with pytest.raises(InputError, match="lie in 1 places"):
        fit(plots, features, places=[0] * len(plots))
    with pytest.raises(InputError, match="cover differs by 0 points only"):
        fit(plots.assign(woody_cover_percent=4.0), features)


def test_trees_stay_only_where_they_earn_it(model, bent_model, bent_plots_and_features):
    """Cover drawn along a line needs none; a step of 15 points, which no line makes, does."""
    assert model.core.forest.root.size == 0
    assert bent_model.core.forest.root.size > 0
    _, features = bent_plots_and_features
    rows = features.to_numpy(np.float32)
    both = bent_model.core.line.at(rows) + evaluate(bent_model.core.forest, rows)
    np.testing.assert_allclose(predict(bent_model, features).unclipped, both, atol=1e-4)
    held = describe(bent_model)
    assert held.baselines["this model before its stretch"].rmse < held.baselines["plain line"].rmse
    assert "… without trees" in held.baselines


def test_one_standard_error_by_hand():
    """Places save 4, 4, 4 and 4 - x: mean against s / sqrt(4), worked by hand.

    x = 16: savings 4 4 4 -12, mean 0, no. x = 4: 4 4 4 0, mean 3, error 1: yes. Two plots of one
    place count as one.
    """
    line = np.array([np.sqrt(2.0), np.sqrt(2.0), 2.0, 2.0, 0.0])
    place = np.array([7, 7, 1, 2, 3])
    assert earns_its_place(line, np.zeros(5), place)
    assert not earns_its_place(line, np.array([0, 0, 0, 0, np.sqrt(12.0)]), place)
    # Savings 4 4 4 -9: mean .75, error 3.25.
    assert not earns_its_place(line, np.array([0, 0, 0, 0, 3.0]), place)


def test_a_plots_own_place_never_predicts_it(rng):
    """A fit that only remembers its places: held out, it knows nothing of the place."""
    place = np.repeat(np.arange(12), 5)
    fold = folds_of_places(place, 4, seed=0)
    assert all(np.unique(fold[place == each]).size == 1 for each in range(12))

    def remember(x, _, __):
        seen = set(x[:, 0].tolist())
        return lambda new: np.array([float(each in seen) for each in new[:, 0].tolist()])

    x = place[:, None].astype(float)
    assert held_out(x, place.astype(float), place.astype(str), fold, remember).max() == 0.0


def test_places_keep_a_site_together_and_far_plots_apart():
    """By hand: 0.0018 degrees of latitude are 200 m, 0.018 are 2 km."""
    plots = pd.DataFrame(
        {
            "lon": [2.0] * 4,
            "lat": [14.0001, 14.0019, 14.0201, 14.0202],
            "site_id": ["s1", "s1", "", ""],
        }
    )
    place = places_of(plots)
    assert place[0] == place[1] != place[2] == place[3]


def test_shared_errors_are_found_again(rng):
    """Known components, means of 20 draws: places .6, seasons .3, plots .4."""
    found = []
    for _ in range(20):
        place = np.repeat(np.arange(120), rng.integers(1, 7, 120))
        season = rng.integers(0, 12, place.size)
        residual = (
            rng.normal(0, np.sqrt(0.6), 120)[place]
            + rng.normal(0, np.sqrt(0.3), 12)[season]
            + rng.normal(0, np.sqrt(0.4), place.size)
        )
        one = split_error(residual, place, season.astype(str))
        found.append([one.place, one.season, one.plot])
    assert np.mean(found, axis=0) == pytest.approx([0.6, 0.3, 0.4], abs=0.1)


def test_errors_without_seasons_share_none(rng):
    """Seasons not known."""
    one = split_error(rng.normal(size=60), np.arange(60) // 3, np.full(60, ""))
    assert (one.season, one.seasons, one.places) == (0.0, 0, 20)


def test_report_sets_the_model_beside_simpler_ones(model):
    """On this ground three noisy features tell more than NDVI alone."""
    errors = describe(model)
    assert errors.places_out.n == 150
    assert errors.places_out.rmse < errors.baselines["dry-season NDVI alone"].rmse
    assert sum(each.scores.n for each in errors.by_class) == 150
    assert 0.80 <= errors.coverage <= 0.97
    assert 0.80 <= errors.coverage_pooled <= 0.97
    assert [each.plots for each in errors.learning] == sorted(e.plots for e in errors.learning)


def test_a_map_in_blocks_is_the_map_in_one(rng):
    """The shipped model's features reach over block borders; float32 rounding apart, no seam."""
    shipped = load(Path(__file__).resolve().parents[2] / "models" / "woody_cover")
    names = ("blue", "green", "red", "nir", "swir16", "swir22")
    dry = {f"late_{name}_median": rng.uniform(0.1, 0.4, (37, 45)) for name in names}
    dry |= {f"late_{name}_median": rng.uniform(0.1, 0.3, (37, 45)) for name in
            ("ndvi", "ndmi", "nbr2")}  # fmt: skip
    dry["late_nir_median"][5:9, 14:18] = np.nan
    whole = predict(shipped, feature_stack(dry, None, shipped.features)).stack()
    asked: list[tuple[int, int]] = []

    def composites_in(rows, columns):
        window = {name: field[rows, columns] for name, field in dry.items()}
        asked.append(window["late_red_median"].shape)
        return window

    found = np.full_like(whole, -1)
    for block in predict_blocks(shipped, composites_in, (37, 45), side=16):
        found[:, block.rows, block.columns] = block.prediction.stack()
    np.testing.assert_allclose(found, whole, atol=2e-3)
    assert max(asked) == (20, 20)
    with pytest.raises(ValueError, match="needs at least one"):
        next(predict_blocks(shipped, composites_in, (37, 45), side=0))
