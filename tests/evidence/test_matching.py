"""Comparable ground: weights, balance and spill-over."""

import numpy as np
import pandas as pd
import pytest

from afterrains.evidence import matching
from afterrains.evidence.matching import match_controls
from afterrains.evidence.panel import read_panel


def arrays(levels, roles, *, x=None, strata=None, trend=None, seasons=8, rng=None):
    """A checked panel of sites with the given levels, places, strata and trends."""
    rows = []
    for number, (level, role) in enumerate(zip(levels, roles, strict=True)):
        for place in range(seasons):
            noise = rng.normal(0, 0.1) if rng is not None else 0.0
            value = level + (trend[number] * place if trend is not None else 0.0) + noise
            row = {"site_id": f"p{number:02d}", "role": role, "season": f"{2000 + place}-dry"}
            row |= {"kind": "dry", "time": f"{2001 + place}-02-01", "value": value}
            if x is not None:
                row |= {"x": float(x[number]), "y": 0.0, "area_ha": 1.0}
            row["stratum"] = strata[number] if strata is not None else ""
            rows.append(row)
    sown = [f"p{n:02d}" for n, role in enumerate(roles) if role == "sown"]
    sowing = pd.DataFrame({"site_id": sown, "sown_on": "2007-07-01"})
    return read_panel(pd.DataFrame(rows), sowing)


def match(panel, **settings):
    """Weights of the first site over all controls, in the order of the panel."""
    controls = np.flatnonzero(~panel.is_sown)
    found = match_controls(panel, np.array([0]), controls, np.datetime64("2007-07-01"), **settings)
    weights = np.zeros(panel.site_ids.size)
    np.add.at(weights, found.controls[0], found.weights[0])
    return weights[controls], found


def test_controls_that_looked_alike_before_weigh_more(rng):
    """Twenty controls, the second half five standard deviations of noise further off."""
    levels = [10.0] + [10.0] * 10 + [20.0] * 10
    weights, _ = match(arrays(levels, ["sown"] + ["control"] * 20, rng=rng))
    assert weights.sum() == pytest.approx(1.0)
    assert weights[:10].min() > weights[10:].max()


def test_few_controls_are_nearly_averaged(rng):
    """Three controls, one unlike: none is left out, the weights stay worth 95 % of three."""
    weights, _ = match(arrays([10.0, 10.0, 10.1, 25.0], ["sown"] + ["control"] * 3, rng=rng))
    assert 1 / (weights**2).sum() == pytest.approx(0.95 * 3, rel=0.02)


def test_seasons_after_sowing_are_never_looked_at(rng):
    """What happens after 2007 changes no weight."""
    panel = arrays([10.0, *range(5, 17)], ["sown"] + ["control"] * 12, rng=rng)
    weights, _ = match(panel)
    panel.dry.values[:, 7:] += rng.normal(0, 50, size=panel.dry.values[:, 7:].shape)
    np.testing.assert_array_equal(match(panel)[0], weights)


def test_balance_is_the_largest_standardised_difference_by_hand():
    """Levels 0, 1, 2 with equal weights, standard deviation 1, the site at 4: three away."""
    panel = arrays([4.0, 0.0, 1.0, 2.0], ["sown"] + ["control"] * 3, seasons=3)
    _, found = match(panel)
    even = found.weights[0]
    expected = 4 - (even * panel.dry.values[found.controls[0], 0]).sum()
    assert found.balance[0] == pytest.approx(expected)
    assert 2.5 < found.balance[0] < 3.2


def test_controls_within_the_spill_over_are_not_used(rng):
    """Circles of one hectare have a radius of 56.4 m: rims 87 and 387 m apart at 200 and 500 m."""
    roles = ["sown"] + ["control"] * 3
    panel = arrays([10.0] * 4, roles, x=[0, 200, 500, 900], rng=rng)
    weights, found = match(panel, spill_over_m=100.0)
    assert weights[0] == 0.0
    assert (weights[1:] > 0).all()
    assert found.used[0] == 2


def test_another_stratum_weighs_less(rng):
    """Twenty alike controls, half of them of another stratum."""
    strata = ["sand"] * 11 + ["clay"] * 10
    weights, _ = match(arrays([10.0] * 21, ["sown"] + ["control"] * 20, strata=strata, rng=rng))
    assert weights[:10].mean() > 1.5 * weights[10:].mean()


def test_equal_sites_get_equal_weights_however_many_are_matched_with_them(rng, monkeypatch):
    """The first and the last of a large programme, the others elsewhere; matched in parts."""
    monkeypatch.setattr(matching, "_SITES_AT_ONCE", 4)
    levels = [10.0] * 10 + [*range(5, 17)]
    x = [0.0, *rng.uniform(1e5, 9e5, 8), 0.0, *rng.uniform(0, 1e4, 12)]
    panel = arrays(levels, ["sown"] * 10 + ["control"] * 12, x=x)
    controls = np.flatnonzero(~panel.is_sown)
    found = match_controls(panel, np.arange(10), controls, np.datetime64("2007-07-01"))
    np.testing.assert_array_equal(found.controls[0], found.controls[9])
    np.testing.assert_allclose(found.weights[0], found.weights[9], rtol=1e-12)
    assert np.ptp(found.weights[0]) > 0.01
