"""What a hectare with gain cost, worked by hand."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest

from afterrains.choices import costs
from afterrains.delivery.cells import checked_text
from afterrains.delivery.tables import COSTS
from afterrains.evidence.what_works import pool, what_works

Verdicts = Callable[..., pd.DataFrame]


def _sowing(*rows: tuple[str, float]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=["site_id", "cost"])


def _row(table: pd.DataFrame, factor: str, level: str) -> dict[str, Any]:
    [row] = table[(table["factor"] == factor) & (table["level"] == level)].to_dict("records")
    return {str(name): value for name, value in row.items()}


@pytest.fixture
def programme(verdicts: Verdicts) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Four sites: a gain, a failure, one without a known cost, one too young to count."""
    table = verdicts(
        {"site_id": "a", "area_ha": 10.0, "cost": 300.0, "verdict": "gain", "gain": 6.0,
         "gain_low": 4.0, "gain_high": 8.0},
        {"site_id": "b", "area_ha": 20.0, "cost": 500.0},
        {"site_id": "c", "area_ha": 5.0, "verdict": "gain", "gain": 6.0, "gain_low": 4.0,
         "gain_high": 8.0},
        {"site_id": "d", "area_ha": 8.0, "cost": 100.0, "verdict": "too-early",
         "seasons_since_sowing": 1, "gain": np.nan, "gain_low": np.nan, "gain_high": np.nan},
    )  # fmt: skip
    sowing = _sowing(("a", 200.0), ("a", 100.0), ("b", 500.0), ("c", 50.0), ("c", np.nan),
                     ("d", 100.0))  # fmt: skip
    ways = pd.DataFrame(
        {"site_id": ["a", "b", "c", "d"], "method": ["hand", "vehicle", "hand", ""]}
    )
    return table, sowing, ways


def _costs(programme: tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]) -> pd.DataFrame:
    table, sowing, ways = programme
    return costs(table, table["seasons_since_sowing"] > 1, sowing, ways, "XOF")


def test_success_pays_for_failure(
    programme: tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame],
) -> None:
    """Counted are a and b: 800 over the 10 ha of a, 80 a hectare; not 30, the price of a alone."""
    row = _row(_costs(programme), "all", "all")
    assert row["counted_sites"] == 2
    assert row["cost_per_gained_ha"] == pytest.approx(80)
    assert np.isnan(row["cost_per_gained_ha_low"])
    assert "fewer than 3 sites" in row["basis"]


def test_a_missing_cost_is_counted_and_never_zero(
    programme: tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame],
) -> None:
    """The second sowing of c has no cost: its hectares stay out of every cost by hectare.

    Cost by hectare sown: (300 + 500 + 100) / (10 + 20 + 8); known costs add up to 950.
    """
    row = _row(_costs(programme), "all", "all")
    assert row["sowings"] == 6
    assert row["sowings_without_cost"] == 1
    assert row["cost"] == pytest.approx(950)
    assert row["costed_ha"] == pytest.approx(38)
    assert row["cost_per_sown_ha"] == pytest.approx(900 / 38)
    assert "1 left out for a cost that is not known" in row["basis"]


def test_hectares_with_gain_do_not_wait_for_costs(
    programme: tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame],
) -> None:
    """Sites a and c gained: 15 ha, whether or not their cost is known; d is undecided."""
    row = _row(_costs(programme), "all", "all")
    assert row["gained_sites"] == 2
    assert row["gained_ha"] == pytest.approx(15)
    assert row["gained_ha_low"] < 15 < row["gained_ha_high"] <= 35
    assert row["undecided_ha"] == pytest.approx(8)


def test_by_way_of_sowing(programme: tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]) -> None:
    """By hand a alone counts: 300 / 10. By vehicle nothing gained, so there is no price."""
    table = _costs(programme)
    assert _row(table, "method", "hand")["cost_per_gained_ha"] == pytest.approx(30)
    assert np.isnan(_row(table, "method", "vehicle")["cost_per_gained_ha"])
    assert "none of those counted gained" in _row(table, "method", "vehicle")["basis"]
    assert set(table["level"]) == {"all", "hand", "vehicle", "dune"}


def test_a_point_costs_cost_by_hectare_over_pooled_gain(
    programme: tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame],
) -> None:
    """Sites a and b cost 800 / 30 by hectare; their pooled gain is that of the pooling itself."""
    table, _, _ = programme
    row = _row(_costs(programme), "all", "all")
    told = table.iloc[:2]
    errors = ((told["gain_high"] - told["gain_low"]) / (2 * 1.959964)).to_numpy()
    pooled = pool(told["gain"].to_numpy(float), errors, shared=1 / 17)
    assert row["sites_in_points"] == 2
    assert row["cost_per_point_ha"] == pytest.approx(800 / 30 / pooled.gain)
    assert row["cost_per_point_ha_low"] == pytest.approx(800 / 30 / pooled.high)
    assert pooled.low < 0
    assert np.isnan(row["cost_per_point_ha_high"])
    assert "no upper bound" in row["basis"]


def test_it_agrees_with_what_works_and_with_the_verdict(verdicts: Verdicts) -> None:
    """The same sites, the same price in both tables; one site alone costs what its verdict says."""
    table = verdicts(
        *(
            {"site_id": name, "area_ha": area, "cost": cost, "verdict": verdict,
             "gain_low": -1.0 + at, "gain": 0.0 + at, "gain_high": 1.0 + at, "stratum": stratum}
            for at, (name, area, cost, verdict, stratum) in enumerate(
                [("a", 10.0, 300.0, "gain", "dune"), ("b", 20.0, 500.0, "no-gain", "dune"),
                 ("c", 5.0, 90.0, "gain", "glacis"), ("d", 7.0, 70.0, "loss", "glacis"),
                 ("e", 4.0, 44.0, "gain", "terrace")]
            )
        )
    )  # fmt: skip
    sowing = _sowing(*zip(table["site_id"], table["cost"], strict=True))
    ways = table[["site_id"]]
    ours = costs(table, pd.Series(True, index=table.index), sowing, ways, "XOF")
    theirs = what_works(table, ways)
    both = ours.merge(theirs, on=["factor", "level"], suffixes=("", "_theirs"))
    assert len(both) == len(ours) == 4
    pd.testing.assert_series_equal(
        both["cost_per_gained_ha"], both["cost_per_gained_ha_theirs"], check_names=False
    )
    assert _row(ours, "stratum", "terrace")["cost_per_gained_ha"] == pytest.approx(44 / 4)


def test_the_rows_fit_their_table(
    programme: tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame],
) -> None:
    """Types, limits and keys of the definition."""
    assert len(checked_text(COSTS, _costs(programme))) == 4
