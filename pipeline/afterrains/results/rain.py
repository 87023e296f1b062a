"""Rain beside what is judged: what a season's greenness answers, and what rain did to a verdict."""

from __future__ import annotations

import pandas as pd

from afterrains.rain import clock_starts

__all__ = ["clocked", "rain_before", "with_clock_told", "with_rain_told"]


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


def clocked(sowing: pd.DataFrame, rain_after: pd.DataFrame | None) -> pd.DataFrame:
    """The sowing table with `clock_from`, the rain that woke the seed of each site's first sowing.

    Parameters
    ----------
    sowing : DataFrame
        The register's.
    rain_after : DataFrame or None
        Rows of sowing_rain.csv; without them the sowings alone start the clocks.
    """
    if rain_after is None:
        return sowing
    return sowing.merge(clock_starts(rain_after)[["site_id", "clock_from"]], on="site_id")


def with_clock_told(history: pd.DataFrame, rain_after: pd.DataFrame | None) -> pd.DataFrame:
    """The history with `clock_from`, `clock_by`, `sowings`, and words where seed still waits."""
    if rain_after is None:
        none = pd.Series(pd.NaT, index=history.index, dtype="datetime64[ns]")
        return history.assign(clock_from=none, clock_by="", sowings=None)
    clock = clock_starts(rain_after)[["site_id", "clock_from", "clock_by", "sowings"]]
    table = history.merge(clock, on="site_id", how="left")
    waiting = (table["clock_by"] == "") & (table["seasons_since_sowing"] == 0)
    why = "no effective rain has fallen since it was sown, so no season is counted yet"
    return table.assign(reason=table["reason"].astype(object).mask(waiting, why))
