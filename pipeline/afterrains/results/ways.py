"""Ways of sowing: how each site was sown, and what gained where."""

from __future__ import annotations

import pandas as pd

from afterrains.evidence.growth import GrowthCurve, ramp
from afterrains.evidence.what_works import shrunken_gains, what_works

__all__ = ["shrunken", "ways_of_sowing", "what_works_told"]

_OF_SOWING = ("method", "species", "seed_lot", "start")
_ON_ONE_DAY, _LATER = " + ", " then "


def ways_of_sowing(sowing: pd.DataFrame, sowing_rain: pd.DataFrame | None) -> pd.DataFrame:
    """One row a site: its method, species mix, seed lot and the start that the rain gave it.

    Parameters
    ----------
    sowing : DataFrame
        `site_id, sown_on, method, species, seed_lot`, "" where missing; only sowings that count.
    sowing_rain : DataFrame or None
        `site_id, sown_on, start`.

    Returns
    -------
    DataFrame
        Text columns. Different words of one day are joined by `+`, of later days by `then`; one
        unknown part makes the whole unknown (""), as half a mix is no mix.
    """
    table = sowing.assign(start="")
    if sowing_rain is not None and len(sowing_rain):
        told = sowing_rain.drop_duplicates(["site_id", "sown_on"])
        start = told.set_index(["site_id", "sown_on"])["start"]
        keys = pd.MultiIndex.from_frame(sowing[["site_id", "sown_on"]])
        table["start"] = start.reindex(keys).fillna("").to_numpy()
    for name in _OF_SOWING:
        table[name] = table[name].fillna("").astype(str).str.split().str.join(" ")
    days = table.groupby(["site_id", "sown_on"])[list(_OF_SOWING)].agg(_joined, by=_ON_ONE_DAY)
    sites = days.groupby("site_id")[list(_OF_SOWING)].agg(_joined, by=_LATER)
    return sites.reset_index()


def _joined(words: pd.Series, by: str) -> str:
    """Words that differ, in their order; "" where one is unknown."""
    different = list(dict.fromkeys(words))
    if by == _ON_ONE_DAY:
        different.sort()
    return "" if "" in different else by.join(different)


def what_works_told(
    verdicts: pd.DataFrame,
    calendar: pd.DataFrame,
    sowing: pd.DataFrame,
    sowing_rain: pd.DataFrame | None,
    growth: GrowthCurve,
) -> pd.DataFrame:
    """what_works.csv from the newest verdicts; see `evidence.what_works`.

    Sites whose gain has not had time to begin, by the expected growth, are left out: they would
    tell of their age. A sowing later than the judged season is none of its ways.
    """
    begun = ramp(verdicts["seasons_since_sowing"].to_numpy(float), growth) > 0
    judged = verdicts[begun]
    by = judged["as_of"].map(calendar.set_index("season")["start"])
    last_day = pd.to_datetime(sowing["site_id"].map(dict(zip(judged["site_id"], by, strict=True))))
    return what_works(judged, ways_of_sowing(sowing[sowing["sown_on"] <= last_day], sowing_rain))


def shrunken(history: pd.DataFrame) -> pd.Series:
    """`gain_shrunken` of each row: drawn towards the sites of the same season and unit."""
    out = pd.Series(float("nan"), index=history.index)
    for _, rows in history.groupby(["as_of", "gain_unit"]):
        errors = (rows["gain_high"] - rows["gain_low"]) / (2 * 1.959964)
        out[rows.index] = shrunken_gains(rows["gain"].to_numpy(float), errors.to_numpy(float))
    return out
