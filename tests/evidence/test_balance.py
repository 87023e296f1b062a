"""The table of what sown ground and its controls looked like before sowing."""

import numpy as np
import pandas as pd
import pytest

from afterrains.contrast import judge_programme
from afterrains.evidence.balance import BALANCE_COLUMNS


def record(seasons=8, sown_on="2006-07-01"):
    """One sown site and three controls whose response, trend, rain and area are known by hand."""
    wave = np.array([3.0, -2.0, 1.0, 4.0, -5.0, -1.0, 2.0, -2.0])[:seasons]
    noise = np.array([1.0, -1.0, -1.0, 1.0, 1.0, -1.0, -1.0, 1.0])[:seasons]
    rows = []
    for number, name in enumerate(("s01", "c01", "c02", "c03")):
        sown = number == 0
        for place in range(seasons):
            value = 20.0 + 2.0 * number + (1.5 if sown else 1.0) * wave[place]
            value += (0.4 * place if sown else 0.0) + (2.0 if sown else 1.0) * noise[place]
            row = {"site_id": name, "role": "sown" if sown else "control", "kind": "dry"}
            row |= {"season": f"{2000 + place}-dry", "time": f"{2001 + place}-02-01"}
            row |= {"value": value + (50.0 if sown and place >= 6 else 0.0), "stratum": ""}
            row |= {"rain_mm": 300.0 + 10 * number + place, "area_ha": 4.0 + number}
            rows.append(row | {"x": 100.0 * number, "y": 0.0})
    return pd.DataFrame(rows), pd.DataFrame({"site_id": ["s01"], "sown_on": [sown_on]})


def weighted(judgement, values):
    """Mean over the controls by the weights that the judgement hands out."""
    weights = judgement.weights.set_index("control_id")["weight"]
    return float((weights * pd.Series(values)).sum() / weights.sum())


def test_every_quantity_by_hand():
    """Least squares by numpy.polyfit on the six seasons before sowing; the leap after is unseen."""
    panel, sowing = record()
    judgement = judge_programme(panel, sowing)
    assert list(judgement.balance.columns) == list(BALANCE_COLUMNS)
    assert set(judgement.balance["as_of"]) == {"2005-dry"}
    table = judgement.balance.set_index("quantity")
    assert list(table.index) == [
        "dry level",
        "dry response",
        "dry trend",
        "rain",
        "distance",
        "area",
    ]
    before = panel[pd.to_datetime(panel["time"]) < "2006-07-01"]
    values = before.pivot(index="site_id", columns="season", values="value")
    controls = values.loc[["c01", "c02", "c03"]]
    level = values.mean(axis=1)
    assert table.loc["dry level", "site"] == pytest.approx(level["s01"])
    assert table.loc["dry level", "controls"] == pytest.approx(
        weighted(judgement, level.drop("s01"))
    )
    # One sown site: the spread is that of the three controls.
    apart = level["s01"] - weighted(judgement, level.drop("s01"))
    assert table.loc["dry level", "standardised_difference"] == pytest.approx(
        apart / level.drop("s01").std(ddof=1)
    )
    season = (controls.sub(controls.mean(axis=1), axis=0)).mean()
    for name, regressor in (("dry response", season), ("dry trend", np.arange(6.0))):
        slope = np.polyfit(regressor, values.loc["s01"], 1)[0]
        assert table.loc[name, "site"] == pytest.approx(slope)
    ratio = values.loc["s01"].var(ddof=1) / weighted(judgement, controls.var(axis=1, ddof=1))
    assert table.loc["dry level", "variance_ratio"] == pytest.approx(ratio)
    trend = np.polynomial.Polynomial.fit(np.arange(6.0), values.loc["s01"], 1, full=True)[1][0]
    assert table.loc["dry trend", "variance_ratio"] * _left(controls, judgement) == pytest.approx(
        float(trend[0]) / 4
    )
    assert table.loc["rain", "site"] == pytest.approx(302.5)
    assert table.loc["area", "site"] == 4.0
    assert table.loc["distance", "controls"] == pytest.approx(
        weighted(judgement, {"c01": 100.0, "c02": 200.0, "c03": 300.0})
    )
    assert np.isnan(table.loc["distance", "site"])


def _left(controls, judgement):
    """Weighted variance that a straight line leaves of each control."""
    left = {
        name: np.polynomial.Polynomial.fit(np.arange(6.0), row, 1, full=True)[1][0][0] / 4
        for name, row in controls.iterrows()
    }
    return weighted(judgement, left)


def test_the_largest_difference_is_the_match_balance(invented):
    """Where every feature lasts, `match_balance` of the history is the largest in the table."""
    panel, sowing = invented([0.0] * 4, before=12, sd=0.2)
    judgement = judge_programme(panel, sowing)
    table = judgement.balance
    levels = table[table["quantity"] == "dry level"].set_index("site_id")
    told = judgement.history.groupby("site_id")["match_balance"].first()
    assert (told >= levels["standardised_difference"].abs() - 1e-9).all()


def test_a_site_sown_before_the_record_has_no_row():
    """Nothing was seen of it before sowing."""
    panel, sowing = record(sown_on="1999-07-01")
    assert judge_programme(panel, sowing).balance.empty
