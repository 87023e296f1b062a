"""Rows of answer_calendar.csv: which site can be answered in which season."""

from __future__ import annotations

import numpy as np
import pandas as pd

__all__ = ["ANSWERS", "answer_calendar", "dry_seasons_between"]

ANSWERS = ("gain", "loss", "no-gain")
"""Verdicts that answer whether a sowing took."""


def answer_calendar(
    verdicts: pd.DataFrame, history: pd.DataFrame, dry_seasons: list[str]
) -> pd.DataFrame:
    """When each sown site is, or can be, answered.

    Parameters
    ----------
    verdicts, history : DataFrame
        Rows of verdicts.csv and verdict_history.csv; the history's by site oldest first.
    dry_seasons : list of str
        Ids of the dry seasons so far, oldest first.

    Returns
    -------
    DataFrame
        The columns of answer_calendar.csv.
    """
    columns = ["site_id", "name", "stratum", "first_sown_on", "as_of", "verdict", "answer_by"]
    table = verdicts[columns].reset_index(drop=True)
    since = {str(site_id): _answered_since(rows) for site_id, rows in history.groupby("site_id")}
    answered = table["verdict"].isin(ANSWERS)
    table["answered_since"] = table["site_id"].map(since).fillna("").where(answered, "")
    table["answer_by"] = table["answer_by"].fillna("").where(~answered, "")
    waiting = table["answer_by"] != ""
    table["state"] = np.select([answered, waiting], ["answered", "waiting"], "open")
    table["seasons_to_wait"] = [
        dry_seasons_between(as_of, by, dry_seasons) if by else np.nan
        for as_of, by in zip(table["as_of"], table["answer_by"], strict=True)
    ]
    return table


def _answered_since(rows: pd.DataFrame) -> str:
    """First season of the answers that run unbroken to the newest."""
    since = ""
    for as_of, verdict in zip(rows["as_of"], rows["verdict"], strict=True):
        if verdict not in ANSWERS:
            since = ""
        elif not since:
            since = str(as_of)
    return since


def dry_seasons_between(first: str, last: str, dry_seasons: list[str]) -> int:
    """Dry seasons from `first` (left out) to `last` (counted), where names repeat every year."""
    names = sorted({season[5:] for season in [*dry_seasons, first, last]})
    count = (int(last[:4]) - int(first[:4])) * len(names)
    return count + names.index(last[5:]) - names.index(first[5:])
