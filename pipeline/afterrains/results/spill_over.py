"""Controls that lie too close to sown ground to show what unsown ground does.

Seed drifts, animals carry it, and a fence around sown ground rests its rim too: ground beside a
sown site is partly sown. It is left out of every comparison, not only of its neighbour's.
"""

from __future__ import annotations

import geopandas as gpd
import pandas as pd

__all__ = ["beside_sown_ground", "with_those_beside"]


def beside_sown_ground(sites: gpd.GeoDataFrame, spill_over_m: float) -> pd.Series:
    """Controls nearer to any sown site than `spill_over_m`, with their distance.

    Parameters
    ----------
    sites : GeoDataFrame
        The register's sites, in a CRS of metres: `site_id, role, geometry`.
    spill_over_m : float
        Least distance between outlines, m; 0 leaves none out, not even one that touches.

    Returns
    -------
    Series
        Distance to the nearest sown outline in metres, by `site_id`; 0 where they meet.
    """
    sown = sites.loc[sites["role"] == "sown", ["geometry"]]
    controls = sites.loc[sites["role"] == "control", ["site_id", "geometry"]]
    if sown.empty or controls.empty or spill_over_m <= 0:
        return pd.Series(dtype=float)
    near = controls.sjoin_nearest(sown, max_distance=spill_over_m, distance_col="apart_m")
    apart = near.groupby("site_id")["apart_m"].min()
    found: pd.Series = apart[apart < spill_over_m]
    return found


def with_those_beside(controls: pd.DataFrame, beside: pd.Series) -> pd.DataFrame:
    """controls.csv with a row for each control left out for lying beside sown ground."""
    if beside.empty:
        return controls
    notes = [f"not used: {metres:.0f} m from sown ground" for metres in beside]
    unused = pd.DataFrame(
        {"site_id": beside.index, "weight_total": 0.0, "used_by": 0, "note": notes}
    )
    return pd.concat([controls, unused], ignore_index=True)
