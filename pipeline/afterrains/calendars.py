"""The seasons of a programme: of its whole rain record, and those that its scenes show."""

from __future__ import annotations

from datetime import date

import pandas as pd

from afterrains.programme import CalendarSeasons, Programme
from afterrains.rain import RainRecord, from_calendar, from_rain
from afterrains.signals.season_values import judged_from

__all__ = ["full_calendar", "watched"]


def full_calendar(programme: Programme, rain: RainRecord | None) -> pd.DataFrame:
    """Every season of the rain record, or of the calendar from the record's or scenes' start."""
    if isinstance(programme.seasons, CalendarSeasons):
        first = (
            programme.scenes.start
            if rain is None
            else min(programme.scenes.start, rain.first_day.date())
        )
        return from_calendar(
            programme.seasons.rains, first, programme.scenes.end, programme.seasons.dieback_days
        )
    assert rain is not None, "the programme file's check asks for rain"
    return from_rain(
        rain.mean(),
        rainy_seasons=programme.seasons.rainy_seasons,
        dieback_days=programme.seasons.dieback_days,
    )


def watched(calendar: pd.DataFrame, start: date, end: date) -> pd.DataFrame:
    """The seasons that scenes between `start` and `end` show; partly shown ones not complete."""
    first, last = pd.Timestamp(start), pd.Timestamp(end)
    touched = calendar[(calendar["end"] >= first) & (calendar["start"] <= last)]
    whole = (judged_from(touched) >= first) & (touched["end"] <= last)
    return touched.assign(complete=touched["complete"] & whole).reset_index(drop=True)
