"""Area and accuracy from random visits: simulated draws with known truth, and the edges."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from afterrains.field import area_table, balanced_draw
from afterrains.field.intervals import bounds
from afterrains.woody.area import area_from_strata

_DRAWS = 2000


def _population(rng: np.random.Generator) -> tuple[np.ndarray, ...]:
    """Three strata of 400, 200 and 100 pixels with classes drawn without regard to place."""
    stratum = np.repeat([0, 1, 2], [400, 200, 100])
    x, y = rng.uniform(0, 1000, (2, stratum.size))
    gained = rng.random(stratum.size) < np.array([0.3, 0.5, 0.6])[stratum]
    return stratum, x, y, gained


def _estimates(
    rng: np.random.Generator, stratum: np.ndarray, x: np.ndarray, y: np.ndarray, gained: np.ndarray
) -> np.ndarray:
    """Share with gain, its bounds, of each of 2,000 spread draws of 80, 40 and 30 places."""
    areas = {at: float((stratum == at).sum()) for at in range(3)}
    found = np.empty((_DRAWS, 3))
    for draw in range(_DRAWS):
        taken = np.concatenate(
            [
                members[balanced_draw(size, x[members], y[members], rng)]
                for at, size in enumerate((80, 40, 30))
                for members in [np.flatnonzero(stratum == at)]
            ]
        )
        seen = gained[taken].tolist()
        share = area_from_strata(stratum[taken].tolist(), seen, seen, areas, [True]).proportion
        value, error = float(share.estimate[0]), float(share.standard_error[0])
        found[draw] = value, *bounds(value, error, 150)
    return found


def test_two_thousand_draws_are_unbiased_and_covered(rng):
    """Truth known: bias within 4 Monte-Carlo errors; 95 % intervals hold 93 to 99 % of the time.

    The variance leaves out the finite population correction (a fifth of the pixels is drawn here),
    so coverage lies above 95 % by design; binomial noise of 2,000 draws is .5 %.
    """
    population = _population(rng)
    found = _estimates(rng, *population)
    truth = population[-1].mean()
    assert found[:, 0].mean() == pytest.approx(truth, abs=4 * found[:, 0].std() / np.sqrt(_DRAWS))
    covered = ((found[:, 1] <= truth) & (truth <= found[:, 2])).mean()
    without_correction = found[:, 0].std() * np.sqrt(1 / (1 - 150 / 700))
    half = (found[:, 2] - found[:, 1]).mean() / 2
    assert half == pytest.approx(1.96 * without_correction, rel=0.08)
    assert 0.93 <= covered <= 0.99


def test_intervals_are_safe_where_ground_is_alike_nearby(rng):
    """Gain in one half of the ground: the spread sample does better than its interval says."""
    stratum, x, y, _ = _population(rng)
    gained = x + rng.normal(0, 100, x.size) < 500
    found = _estimates(rng, stratum, x, y, gained)
    truth = gained.mean()
    assert found[:, 0].mean() == pytest.approx(truth, abs=4 * found[:, 0].std() / np.sqrt(_DRAWS))
    assert ((found[:, 1] <= truth) & (truth <= found[:, 2])).mean() >= 0.95


def test_no_check_of_a_class_is_no_certainty():
    """Clopper & Pearson 1934 (doi:10.1093/biomet/26.4.404): 0 of 30 allows up to 11.6 %."""
    low, high = bounds(0.0, 0.0, 30)
    assert low == 0 and high == pytest.approx(1 - 0.025 ** (1 / 30), rel=1e-9)
    low, high = bounds(1.0, 0.0, 30)
    assert high == 1 and low == pytest.approx(0.025 ** (1 / 30), rel=1e-9)
    assert np.isnan(bounds(np.nan, np.nan, 0)).all()


def _tables(reached: dict[str, int]) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Ten visits in each of three strata of 100 ha, as many reached as told."""
    names = (
        "sown, gain, mapped more",
        "sown, no-gain, mapped unchanged",
        "sown, loss, mapped less",
    )
    classes = ("more", "unchanged", "less")
    ground = pd.DataFrame(
        {
            "draw": "2024-dry-1", "sampling_stratum": names, "role": "sown",
            "stratum": ["dune", "dune", "glacis"], "map_class": classes, "area_ha": 100.0,
        }
    )  # fmt: skip
    design = pd.DataFrame(
        [
            {
                "visit_id": f"{at}-{number}", "draw": "2024-dry-1", "part": "random",
                "site_id": f"s{at}", "role": "sown", "stratum": ground["stratum"][at],
                "sampling_stratum": names[at], "map_class": classes[at],
            }
            for at in range(3)
            for number in range(10)
        ]
    )  # fmt: skip
    told = design[[int(i.split("-")[1]) < reached[i.split("-")[0]] for i in design["visit_id"]]]
    checks = told[["visit_id"]].assign(outcome="checked", at_place=True, seen=told["map_class"])
    return design, ground, checks


def test_places_not_reached_are_told_and_thin_strata_joined():
    """By hand: 5 of 10, 10 of 10 and 1 of 10 came back: 14 of 30 are missing."""
    area = area_table(*_tables({"0": 5, "1": 10, "2": 1}))
    whole = area[area["stratum"] == ""]
    assert whole["missing_percent"].tolist() == pytest.approx([100 * 14 / 30] * 3)
    assert whole["note"].str.contains("too few checks to tell of sown, loss").all()
    assert whole["area_ha"].sum() == pytest.approx(300)
    # The stratum with one check went with the larger counted: 200 ha with 10 or 5 checks and it.
    assert (whole["area_low"] <= whole["area_ha"]).all()
    assert (whole["area_ha"] <= whole["area_high"]).all()
    assert set(area["stratum"]) == {"", "dune", "glacis"}
    glacis = area[area["stratum"] == "glacis"]
    assert glacis["area_ha"].isna().all() and glacis["note"].str.contains("fewer than two").all()


def test_chosen_visits_never_enter_an_estimate():
    design, ground, checks = _tables({"0": 10, "1": 10, "2": 10})
    before = area_table(design, ground, checks)
    chosen = design.iloc[:1].assign(visit_id="chosen", part="chosen", sampling_stratum="")
    more = checks.iloc[:1].assign(visit_id="chosen", seen="less")
    after = area_table(pd.concat([design, chosen]), ground, pd.concat([checks, more]))
    pd.testing.assert_frame_equal(before, after)


def test_too_little_came_back():
    assert area_table(*_tables({"0": 1, "1": 0, "2": 0})).empty
