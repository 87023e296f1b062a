"""The seasons of a programme: of its whole rain record, and those that its scenes show."""

from __future__ import annotations

from datetime import date
from typing import Any

import pandas as pd

from afterrains.programme import CalendarSeasons, Programme, RainSeasons
from afterrains.programme.ground import EffectiveRain, Thresholds
from afterrains.rain import (
    RainRecord,
    StartRule,
    ThresholdRule,
    from_calendar,
    from_rain,
    from_threshold,
    reference_years,
)
from afterrains.signals.season_values import judged_from

__all__ = ["full_calendar", "reference_of", "seasons_told", "start_rule", "watched"]


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
    seasons = programme.seasons
    reference = reference_of(programme, rain)
    if seasons.rule == "threshold":
        thresholds = seasons.thresholds or Thresholds()
        return from_threshold(
            rain.mean(),
            ThresholdRule(**thresholds.model_dump()),
            dieback_days=seasons.dieback_days,
            reference=reference,
        )
    return from_rain(
        rain.mean(),
        rainy_seasons=seasons.rainy_seasons,
        dieback_days=seasons.dieback_days,
        reference=reference,
    )


def reference_of(programme: Programme, rain: RainRecord | None) -> tuple[int, int] | None:
    """First and last year that the mean year and the SPI are taken from; None is all of them."""
    if rain is None:
        return None
    if isinstance(programme.seasons, RainSeasons) and programme.seasons.reference_years:
        return programme.seasons.reference_years
    return reference_years(rain.first_day.date(), rain.last_day.date(), programme.scenes.start)


def seasons_told(programme: Programme, rain: RainRecord | None) -> dict[str, Any]:
    """How the seasons were found, for the manifest: settings, reference years, rain's cautions."""
    years = reference_of(programme, rain)
    told = programme.seasons.model_dump(mode="json", by_alias=True)
    told["reference_years"] = None if years is None else list(years)
    if rain is not None:
        told["rain"] = {"cautions": list(rain.cautions)}
    return told


def start_rule(programme: Programme) -> StartRule:
    """What counts as rain that wakes the seed, and as a start that held."""
    rule = EffectiveRain() if programme.rain is None else programme.rain.effective
    return StartRule(
        effective_mm=rule.mm,
        within_days=rule.days,
        dry_spell_days=rule.dry_spell_days,
        wet_day_mm=rule.wet_day_mm,
    )


def watched(calendar: pd.DataFrame, start: date, end: date) -> pd.DataFrame:
    """The seasons that scenes between `start` and `end` show; partly shown ones not complete."""
    first, last = pd.Timestamp(start), pd.Timestamp(end)
    touched = calendar[(calendar["end"] >= first) & (calendar["start"] <= last)]
    whole = (judged_from(touched) >= first) & (touched["end"] <= last)
    return touched.assign(complete=touched["complete"] & whole).reset_index(drop=True)
