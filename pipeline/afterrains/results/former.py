"""Which rows of an earlier verdict history still stand."""

from __future__ import annotations

import numpy as np
import pandas as pd

__all__ = ["RULE_DIGITS", "still_standing"]

RULE_DIGITS = 12
"""Digits of the specification's digest that a row carries."""
_SAME_AREA_HA = 1e-3


def still_standing(former: pd.DataFrame, now: pd.DataFrame, rule: str) -> pd.DataFrame:
    """Rows said before by the same rule, of the same ground, first sowing and unit.

    A row judged while reads failed does not stand. A sowing date, an outline or a unit that
    changed since then makes the site another one, and it is judged anew.
    """
    if former.empty or now.empty:
        return former.iloc[:0]
    rows = former[(former["rule"] == rule[:RULE_DIGITS]) & ~former["provisional"].astype(bool)]
    sites = now.drop_duplicates("site_id").set_index("site_id")
    of = sites.reindex(rows["site_id"])
    resized = np.abs(rows["area_ha"].to_numpy(float) - of["area_ha"].to_numpy(float))
    same = (
        (resized < _SAME_AREA_HA)
        & (rows["first_sown_on"].to_numpy() == of["first_sown_on"].to_numpy())
        & (rows["gain_unit"].to_numpy() == of["gain_unit"].to_numpy())
    )
    out: pd.DataFrame = rows[same]
    return out
