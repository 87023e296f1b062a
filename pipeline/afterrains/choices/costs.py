"""Rows of costs.csv: what each way of sowing cost, and what that bought so far.

A cost that is not known is counted and left out together with its site's hectares, never taken
for zero. Cost per hectare with gain holds what was spent on sites that did not gain too: it is the
price of success, not of the sites that happened to succeed.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from afterrains.choices.groups import groups, pool_of, standard_errors, with_ways
from afterrains.choices.ratio import FEWEST_SITES, Estimate, part_of_sum, ratio_of_sums

__all__ = ["UNDECIDED", "costs", "counted_sites"]

UNDECIDED = ("too-early", "not-assessable")


def counted_sites(verdicts: pd.DataFrame, begun: pd.Series) -> pd.Series:
    """Which sites tell of what sowing brings: a gain is known, and has had time to begin.

    The rows that what_works.csv pools. `begun` says of each row whether growth has begun by the
    expected growth of a gain.
    """
    known: pd.Series = verdicts["gain"].notna() & standard_errors(verdicts).notna()
    return known & begun


def costs(
    verdicts: pd.DataFrame,
    begun: pd.Series,
    sowing: pd.DataFrame,
    ways: pd.DataFrame,
    currency: str,
) -> pd.DataFrame:
    """Costs by way of sowing.

    Parameters
    ----------
    verdicts : DataFrame
        Rows of verdicts.csv; `cost` is that of every sowing until the judged season, NaN where one
        of them is not known.
    begun : Series of bool
        For each row, whether a gain has had time to begin.
    sowing : DataFrame
        The register's: `site_id, cost`, a row a sowing, NaN where not known.
    ways : DataFrame
        `site_id` and any of what_works' factors, "" where not known.
    currency : str
        ISO 4217 code.

    Returns
    -------
    DataFrame
        The columns of costs.csv. Hectares are those of whole polygons.
    """
    frame = with_ways(verdicts, ways)
    frame["judged"] = counted_sites(verdicts, begun).to_numpy()
    frame["counted"] = frame["judged"] & frame["cost"].notna()
    by_site = sowing.groupby("site_id")["cost"]
    spent = pd.DataFrame(
        {
            "spent": by_site.sum(min_count=1),
            "whole": by_site.apply(lambda cost: cost.notna().all()),
            "all_sowings": by_site.size(),
            "without_cost": by_site.apply(lambda cost: int(cost.isna().sum())),
        }
    )
    frame = frame.merge(spent, left_on="site_id", right_index=True, how="left")
    frame = frame.fillna({"whole": False, "all_sowings": 0, "without_cost": 0})
    rows = [
        {"factor": factor, "level": level, "currency": currency, **_row(part)}
        for factor, level, part in groups(frame)
    ]
    return pd.DataFrame(rows)


def _row(part: pd.DataFrame) -> dict[str, Any]:
    """One way of sowing."""
    area = part["area_ha"].astype(float)
    gained = part["verdict"] == "gain"
    whole = part["whole"].astype(bool)
    costed_ha = float(area[whole].sum())
    cost_per_sown_ha = _over(float(part.loc[whole, "spent"].sum()), costed_ha)
    judged_ha = np.asarray(area[part["judged"]], dtype=np.float64)
    hectares = part_of_sum(np.where(gained[part["judged"]], judged_ha, 0.0), judged_ha)
    counted = part[part["counted"]]
    with_gain = counted["area_ha"].where(counted["verdict"] == "gain", 0.0).to_numpy(float)
    ratio = ratio_of_sums(counted["cost"].to_numpy(float), with_gain)
    point, why_no_point = _cost_of_a_point(counted)
    return {
        "sites": len(part),
        "sowings": int(part["all_sowings"].sum()),
        "sowings_without_cost": int(part["without_cost"].sum()),
        "sown_ha": float(area.sum()),
        "cost": float(part["spent"].sum(min_count=1)),
        "costed_ha": costed_ha,
        "cost_per_sown_ha": cost_per_sown_ha,
        "undecided_ha": float(area[part["verdict"].isin(UNDECIDED)].sum()),
        "gained_sites": int(gained.sum()),
        "gained_ha": float(area[gained].sum()),
        "gained_ha_low": hectares.low,
        "gained_ha_high": hectares.high,
        "counted_sites": len(counted),
        "cost_per_gained_ha": ratio.value,
        "cost_per_gained_ha_low": ratio.low,
        "cost_per_gained_ha_high": ratio.high,
        **point,
        "basis": "; ".join(filter(None, (_basis(part, counted, ratio), why_no_point))),
    }


def _cost_of_a_point(counted: pd.DataFrame) -> tuple[dict[str, Any], str]:
    """What a point of cover on a hectare cost; costs are known to the unit, the gain is not."""
    names = ("cost_per_point_ha", "cost_per_point_ha_low", "cost_per_point_ha_high")
    part = counted[counted["gain_unit"] == "points"]
    empty = {"sites_in_points": len(part), **dict.fromkeys(names, np.nan)}
    pooled = pool_of(part)
    if pooled is None:
        return empty, ""
    per_ha = float(part["cost"].sum() / part["area_ha"].sum())
    figures = (_over(per_ha, gain) for gain in (pooled.gain, pooled.high, pooled.low))
    told = dict(zip(names, figures, strict=True))
    why = "" if pooled.low > 0 else "a gain of no points is not ruled out, so a point has no price"
    if pooled.gain > 0 >= pooled.low:
        why = "a gain of no points is not ruled out, so the price of a point has no upper bound"
    return {"sites_in_points": len(part), **told}, why


def _basis(part: pd.DataFrame, counted: pd.DataFrame, ratio: Estimate) -> str:
    """What the cost of a hectare with gain rests on, in words."""
    told = [f"{len(counted)} of {len(part)} sites counted"]
    if waiting := int((~part["judged"]).sum()):
        told.append(f"{waiting} without a gain that could be judged yet")
    if unknown := int((part["judged"] & ~part["counted"]).sum()):
        told.append(f"{unknown} left out for a cost that is not known")
    if grass := int((part["verdict"] == "grass-only").sum()):
        told.append(f"{grass} grass-only, which is no gain here")
    if np.isnan(ratio.value):
        told.append("none of those counted gained")
    elif ratio.sites < FEWEST_SITES:
        told.append(f"fewer than {FEWEST_SITES} sites give no interval")
    return "; ".join(told)


def _over(money: float, amount: float) -> float:
    return money / amount if amount > 0 else float("nan")
