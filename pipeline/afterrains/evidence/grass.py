"""Grass or crowns, where no woody-cover model tells them apart.

Rested and fenced ground keeps more dead grass through the dry season and stays green later, so its
dry-season NDVI rises without a tree. What dead grass cannot hide is its cellulose, which absorbs
at 2.1 µm: the shortwave infrared falls off, NBR2 = (swir16 - swir22)/(swir16 + swir22) rises at
least as fast as NDVI. Crowns raise NDVI by far more than NBR2. So the difference
NBR2 - `CROWNS_MOST` x NDVI falls where crowns grew and does not fall where grass did, and a gain of
greenness counts as woody only where that fall, too, is beyond chance.

The share: of bare sand (NDVI .12, NBR2 .07) standing dead grass (.20, .20) adds 1.6 NBR2 for each
NDVI, a leafy shrub (.60, .30) about 0.5, open crowns with their shade less; these spectra are from
memory. Over dense leafy shrubs the guard therefore withholds many true gains. A woody-cover model
that learnt from plots sees far better, but a few points of grass still pass it for cover, so the
guard stands behind it too. Guerschman et al. (2009),
doi:10.1016/j.rse.2009.01.006, part green, dead and bare ground by the same two axes.
"""

from __future__ import annotations

import pandas as pd

__all__ = ["COLUMN", "CROWNS_MOST", "GREENNESS", "grassiness"]

COLUMN = "dead_grass"
"""Optional column of a panel: the dead-grass signal (NBR2) of a dry season."""
GREENNESS = "greenness"
"""Optional column: NDVI of the same dates, where the value is something else (woody percent)."""
CROWNS_MOST = 0.7


def grassiness(dry: pd.DataFrame) -> pd.DataFrame | None:
    """The dry rows of a panel with `value` replaced by what crowns lower and grass does not.

    Parameters
    ----------
    dry : DataFrame
        Rows of kind dry with `value` and perhaps `dead_grass` and `greenness`; NaN where missing.

    Returns
    -------
    DataFrame or None
        None where the panel holds no dead-grass signal.
    """
    if COLUMN not in dry or dry[COLUMN].isna().all():
        return None
    signal = pd.to_numeric(dry[COLUMN]).astype(float)
    green = pd.to_numeric(dry[GREENNESS if GREENNESS in dry else "value"]).astype(float)
    return dry.assign(value=signal - CROWNS_MOST * green)
