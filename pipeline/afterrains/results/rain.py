"""Rain beside what is judged: what a season's greenness answers, and what rain did to a verdict."""

from __future__ import annotations

import pandas as pd

__all__ = ["rain_before", "with_rain_told"]


def rain_before(season_rain: pd.DataFrame, calendar: pd.DataFrame) -> pd.DataFrame:
    """Rain that each season's greenness answers: its own of a rains, of a dry the rains before.

    Parameters
    ----------
    season_rain : DataFrame
        `site_id, season, rain_mm`.
    calendar : DataFrame
        The season calendar.

    Returns
    -------
    DataFrame
        `site_id, season, rain_mm`; a dry season that no known rains precede has no row.
    """
    ordered = calendar.sort_values("start")
    wet = ordered["season"].where(ordered["kind"] == "rains").ffill()
    answers = pd.DataFrame({"season": ordered["season"], "wet": wet}).dropna()
    rain = season_rain[["site_id", "season", "rain_mm"]].rename(columns={"season": "wet"})
    return answers.merge(rain, on="wet")[["site_id", "season", "rain_mm"]]


def with_rain_told(history: pd.DataFrame) -> pd.DataFrame:
    """The history with a sentence on rain in `reason` where it differed and was allowed for."""
    told = history["rain_moved"].notna() & history["gain"].notna()
    if not told.any():
        return history
    columns = ["reason", "rain_apart_mm", "rain_moved", "gain", "gain_unit"]
    rows = history.loc[told, columns].itertuples(index=False)
    sentences = [f"{reason}; {_sentence(*figures)}" for reason, *figures in rows]
    reason = history["reason"].astype(object).mask(told)
    reason[told] = pd.Series(sentences, index=history.index[told], dtype=object)
    return history.assign(reason=reason)


def _sentence(apart: float, moved: float, gain: float, unit: str) -> str:
    digits, word = (1, "points") if unit == "points" else (3, "NDVI")
    since = f"{abs(apart):.0f} mm a season {'more' if apart > 0 else 'less'} than before"
    return (
        f"its rain differed from its controls': against theirs it got {since} the sowing. That is "
        f"allowed for; else the gain would read {gain - moved:+.{digits}f} {word} instead of "
        f"{gain:+.{digits}f}"
    )
