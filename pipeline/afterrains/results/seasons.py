"""Rows of seasons.csv: each site and season, with its weighted controls beside it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import geopandas as gpd
import numpy as np
import pandas as pd
import scipy
from numpy.typing import NDArray

from afterrains.results.panel import DEAD_GRASS_VALUE, SECOND_LOOKS, enough_dates
from afterrains.signals.unmixing import SURFACES, ground_shares

__all__ = ["seasons_told"]

_RAIN_COLUMNS = ("rain_mm", "spi", "spi_class", "rain_rank", "rain_days", "dry_spell_days")
_WORKING_COLUMNS = (
    "judged_dates",
    "woody_se_own",
    "woody_se_place",
    "greenness",
    "control_greenness",
)


def seasons_told(
    values: pd.DataFrame,
    calendar: pd.DataFrame,
    season_rain: pd.DataFrame,
    sites: gpd.GeoDataFrame,
    weights: pd.DataFrame,
    indices: Sequence[str],
) -> pd.DataFrame:
    """seasons.csv: each site and season, with its weighted controls beside it."""
    table = (
        values.merge(calendar[["season", "kind", "start", "end", "complete"]], on="season")
        .merge(season_rain[["site_id", "season", *_RAIN_COLUMNS]], on=["site_id", "season"])
        .merge(sites[["site_id", "role"]], on="site_id")
    )
    medians = [*(f"{name}_median" for name in indices), "woody_percent", "greenness"]
    for name, means in zip(medians, _of_controls(table, medians, weights), strict=True):
        table[f"control_{name}"] = means
    in_points = table["judged_value"].eq(table["woody_percent"])
    table["control_judged_value"] = table["control_greenness"].where(
        ~in_points, table["control_woody_percent"]
    )
    table["green_fraction"] = _green_fraction(table)
    table["difference"] = table["judged_value"] - table["control_judged_value"]
    table["enough_dates"] = enough_dates(table)
    table = table.rename(columns={"dry_spell_days": "longest_dry_spell_days"})
    table = table.drop(columns=[*_WORKING_COLUMNS, DEAD_GRASS_VALUE])
    table = table.drop(columns=list(SECOND_LOOKS), errors="ignore")
    return table.sort_values(["site_id", "start"]).reset_index(drop=True)


def _green_fraction(table: pd.DataFrame) -> pd.Series:
    """Share of the ground that is green late in a dry season; NaN in the rains."""
    shares = ground_shares(
        table["greenness"].to_numpy(float), table[DEAD_GRASS_VALUE].to_numpy(float)
    )
    green = pd.Series(shares[:, SURFACES.index("green")], index=table.index)
    return green.where(table["kind"].eq("dry"))


def _of_controls(
    table: pd.DataFrame, names: Sequence[str], weights: pd.DataFrame
) -> Iterator[NDArray[np.float64]]:
    """Weighted mean of each row's controls in its season, column by column; NaN where none is."""
    site, sites = pd.factorize(table["site_id"], sort=True)
    season, seasons = pd.factorize(table["season"])
    # A row for each site, control and season would be millions; a product of tables is none.
    pairs = tuple(
        sites.get_indexer(ids.categories)[ids.codes]
        for ids in (pd.Categorical(weights[name]) for name in ("site_id", "control_id"))
    )
    weigh = scipy.sparse.csr_array((weights["weight"], pairs), shape=(sites.size, sites.size))
    for name in names:
        values = np.full((sites.size, seasons.size), np.nan)
        values[site, season] = table[name]
        seen = np.isfinite(values)
        total = weigh @ seen.astype(float)
        means = weigh @ np.where(seen, values, 0.0) / np.where(total > 0, total, np.nan)
        yield means[site, season]
