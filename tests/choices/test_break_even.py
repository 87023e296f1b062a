"""Sowing against planting, worked by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from afterrains.choices import break_even
from afterrains.choices.break_even import Planting, break_even_survival
from afterrains.delivery.cells import checked_text
from afterrains.delivery.tables import BREAK_EVEN


@pytest.mark.parametrize(("seedling", "share"), [(20.0, 5.0), (100.0, 1.0)])
def test_the_trade_s_rule_of_thumb(seedling: float, share: float) -> None:
    """One unit a coated seed against 20 to 100 a seedling: 5 to 1 % of a seedling's survival.

    Common practice, no source. A seedling that always survives makes the share the survival.
    """
    assert break_even_survival(1.0, seedling, 100.0) == pytest.approx(share)


def _costs(per_ha: float) -> pd.DataFrame:
    return pd.DataFrame(
        {"factor": ["all"], "level": ["all"], "currency": ["XOF"], "cost_per_sown_ha": [per_ha]}
    )


_WAYS = pd.DataFrame({"site_id": ["a", "b"], "area_ha": [10.0, 20.0]})
_SOWING = pd.DataFrame(
    {"site_id": ["a", "b"], "seed_kg_per_ha": [4.0, 4.0], "cost": [60_000.0, np.nan]}
)


def test_worked_by_hand() -> None:
    """Seedling 600, 60 % alive after ten years: 1000 a planted tree. Seed 12 each.

    12 / 600 = 2 % of a seedling's survival, 1.2 % of seeds; a hectare sown for 20 000 must hold 20
    trees.
    """
    planting = Planting(600.0, 60.0, 10.0, seed_cost=12.0)
    [row] = break_even(_costs(20_000.0), _WAYS, _SOWING, planting).to_dict("records")
    assert row["cost_per_planted_tree"] == pytest.approx(1000)
    assert row["break_even_share_percent"] == pytest.approx(2)
    assert row["break_even_survival_percent"] == pytest.approx(1.2)
    assert row["break_even_trees_per_ha"] == pytest.approx(20)
    assert "1.2 % = 60 % x 12 / 600" in row["basis"]
    # What the formula means: at that survival a living tree costs the same either way.
    assert 12 / (row["break_even_survival_percent"] / 100) == pytest.approx(1000)


def test_the_cost_of_a_seed_comes_from_the_sowing_table() -> None:
    """a: 60 000 for 10 ha x 4 kg x 500 seeds = 3 a seed; b, of no known cost, is left out."""
    planting = Planting(600.0, 60.0, 10.0, seeds_per_kg=500.0)
    [row] = break_even(_costs(6_000.0), _WAYS, _SOWING, planting).to_dict("records")
    assert row["seed_cost"] == pytest.approx(3.0)
    assert row["break_even_survival_percent"] == pytest.approx(0.3)


def test_without_a_cost_of_seed_only_trees_by_hectare_are_told() -> None:
    """Nothing is made up for what is not known."""
    table = break_even(_costs(6_000.0), _WAYS, _SOWING, Planting(600.0, 60.0, 10.0))
    assert np.isnan(table["break_even_survival_percent"].iloc[0])
    assert table["break_even_trees_per_ha"].iloc[0] == pytest.approx(6)
    assert "the cost of a seed is not known" in table["basis"].iloc[0]
    assert len(checked_text(BREAK_EVEN, table)) == 1
