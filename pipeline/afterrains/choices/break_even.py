"""Rows of break_even.csv: sowing against planting nursery seedlings, by what the programme states.

A seed of cost c that survives with chance s gives a living tree for c / s; a planted seedling of
cost C and survival S for C / S. Both cost the same where s = S c / C: the seed then survives c / C
as well as the seedling. Trees that stand otherwise alike are taken to be worth the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from afterrains.choices.groups import groups

__all__ = ["Planting", "break_even", "break_even_survival"]


@dataclass(frozen=True)
class Planting:
    """What planting takes, as the programme states it."""

    seedling_cost: float
    seedling_survival_percent: float
    years: float
    seed_cost: float | None = None
    seeds_per_kg: float | None = None


def break_even_survival(
    seed_cost: float, seedling_cost: float, seedling_survival_percent: float
) -> float:
    """Survival of a seed, in percent, at which a living tree costs as much sown as planted."""
    return seedling_survival_percent * seed_cost / seedling_cost


def break_even(
    costs: pd.DataFrame, ways: pd.DataFrame, sowing: pd.DataFrame, planting: Planting
) -> pd.DataFrame:
    """Break-even by way of sowing.

    Parameters
    ----------
    costs : DataFrame
        Rows of costs.csv.
    ways : DataFrame
        A row a sown site: `site_id, area_ha` and the factors.
    sowing : DataFrame
        The register's: `site_id, seed_kg_per_ha, cost`.
    planting : Planting

    Returns
    -------
    DataFrame
        The columns of break_even.csv, a row for each of `costs`.
    """
    seeds = _cost_of_a_seed(ways, sowing, planting)
    rows = [{str(name): value for name, value in row.items()} for row in costs.to_dict("records")]
    return pd.DataFrame([_row(row, seeds, planting) for row in rows])


def _cost_of_a_seed(
    ways: pd.DataFrame, sowing: pd.DataFrame, planting: Planting
) -> dict[tuple[str, str], float]:
    """Cost of one sown seed by way: costs over seeds, of sowings where both are known."""
    if planting.seed_cost is not None or planting.seeds_per_kg is None:
        return {}
    rows = sowing.merge(ways, on="site_id", how="inner", suffixes=("_sown", ""))
    kilograms = rows["seed_kg_per_ha"] * rows["area_ha"]
    rows = rows.assign(seeds=kilograms * planting.seeds_per_kg)
    rows = rows[rows["cost"].notna() & (rows["seeds"] > 0)]
    return {
        (factor, level): float(part["cost"].sum() / part["seeds"].sum())
        for factor, level, part in groups(rows)
        if len(part)
    }


def _row(
    row: Mapping[str, Any], seeds: Mapping[tuple[str, str], float], planting: Planting
) -> dict[str, Any]:
    per_tree = planting.seedling_cost / (planting.seedling_survival_percent / 100)
    seed = planting.seed_cost
    if seed is None:
        seed = seeds.get((row["factor"], row["level"]), np.nan)
    survival = break_even_survival(seed, planting.seedling_cost, planting.seedling_survival_percent)
    return {
        **{name: row[name] for name in ("factor", "level", "currency", "cost_per_sown_ha")},
        "years": planting.years,
        "seedling_cost": planting.seedling_cost,
        "seedling_survival_percent": planting.seedling_survival_percent,
        "cost_per_planted_tree": per_tree,
        "seed_cost": seed,
        "break_even_share_percent": 100 * seed / planting.seedling_cost,
        "break_even_survival_percent": survival,
        "break_even_trees_per_ha": row["cost_per_sown_ha"] / per_tree,
        "basis": _basis(seed, survival, planting),
    }


def _basis(seed: float, survival: float, planting: Planting) -> str:
    told = "the programme's own unit costs; land, upkeep and the trees' worth are left out"
    if np.isnan(seed):
        return f"the cost of a seed is not known; {told}"
    return (
        f"{survival:.3g} % = {planting.seedling_survival_percent:g} % x {seed:.4g} / "
        f"{planting.seedling_cost:g}: seedling survival x seed cost / seedling cost, counted after "
        f"{planting.years:g} years; {told}"
    )
