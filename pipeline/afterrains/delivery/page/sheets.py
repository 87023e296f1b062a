"""What a site's sheet says: the verdict in a sentence, the drawing, the facts, the figures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from afterrains.delivery.page.balance_panel import BalancePanel, lay_balance
from afterrains.delivery.page.close_ups import CloseUp
from afterrains.delivery.page.facts import Fact, gain_text, lay_facts
from afterrains.delivery.page.first_screen import step_label
from afterrains.delivery.page.folder import Folder
from afterrains.delivery.page.next_step import Verdict
from afterrains.delivery.page.rows import FieldSeen, Judged, SiteSeason, Sowing
from afterrains.delivery.page.seasons import Season, SeasonNames
from afterrains.delivery.page.sentences import Said, Sentences
from afterrains.delivery.page.site_chart import SiteChart, draw_site
from afterrains.delivery.page.sites import SiteRef
from afterrains.delivery.page.texts import Texts

__all__ = ["FIGURE_COLUMNS", "FigureRow", "Sheet", "lay_sheet"]

FIGURE_COLUMNS = ("sown", "control", "gain", "interval", "verdict", "rain", "dates")
"""Columns of the figures behind a drawing, after the season."""


@dataclass(frozen=True)
class FigureRow:
    """A dry season in figures, as shown."""

    season: str
    sown: str
    control: str
    gain: str
    interval: str
    verdict: Verdict | None
    rain: str
    dates: str


@dataclass(frozen=True)
class Sheet:
    """One site's sheet."""

    ref: SiteRef
    unit: str
    step: str
    step_why: Said
    opening: str
    reason: Said
    sentences: tuple[str, ...]
    field: str
    chart: SiteChart | None
    chart_description: str
    close_ups: tuple[CloseUp, ...]
    facts: tuple[Fact, ...]
    balance: BalancePanel | None
    figures: tuple[FigureRow, ...]
    previous: str
    following: str


def lay_sheet(
    judged: Judged,
    folder: Folder,
    refs: Mapping[str, SiteRef],
    close_ups: Sequence[CloseUp],
    neighbours: tuple[str, str],
    currency: str,
    meaningful: float | None,
    names: SeasonNames,
    sentences: Sentences,
    texts: Texts,
) -> Sheet:
    """Lay out the sheet of one site; `neighbours` are the anchors before and after, or ""."""
    rows = folder.seasons.get(judged.site_id, ())
    history = folder.history.get(judged.site_id, ())
    sowings = (folder.sowings or {}).get(judged.site_id, ())
    sown_on = sorted({sowing.sown_on for sowing in sowings})
    if not sown_on and judged.first_sown_on:
        sown_on = [judged.first_sown_on]
    unit = judged.gain_unit or "ndvi"
    judged_season = folder.calendar.get(judged.as_of)
    reason = sentences.say(judged.reason) or Said(texts(f"sentence.{judged.verdict}"))
    opening = texts("sentence.before_reason", verdict=texts(f"verdict.{judged.verdict}"))
    ref = refs[judged.site_id]
    return Sheet(
        ref=ref,
        unit=unit,
        step=step_label(ref, names, texts),
        step_why=_why(judged, folder, ref, sentences, texts),
        opening=opening,
        reason=reason,
        sentences=_sentences(judged, reason, sowings, names, sentences, texts),
        field=_field((folder.field or {}).get(judged.site_id), texts),
        chart=draw_site(
            rows,
            history,
            sown_on,
            sowings,
            unit,
            meaningful,
            judged_season,
            (folder.season_looks or {}).get(judged.site_id, ()),
            texts,
        ),
        chart_description=_description(
            rows, judged_season, unit, f"{opening}{reason.text}.", texts
        ),
        close_ups=tuple(close_ups),
        facts=tuple(lay_facts(judged, sowings, currency, texts)),
        balance=lay_balance((folder.balance or {}).get(judged.site_id, ()), unit, names, texts),
        figures=_figures(rows, history, unit, names, texts),
        previous=neighbours[0],
        following=neighbours[1],
    )


def _why(judged: Judged, folder: Folder, ref: SiteRef, sentences: Sentences, texts: Texts) -> Said:
    """Why this step: the reason that the table of choices gives, unless it is the verdict's."""
    choice = (folder.choices or {}).get(judged.site_id)
    if choice and choice.reason and not (judged.reason and judged.reason in choice.reason):
        said = sentences.say(choice.reason)
        return Said(said.text[:1].upper() + said.text[1:], said.lang)
    return Said(texts(f"step_why.{ref.step.kind}").rstrip("."))


def _sentences(
    judged: Judged,
    reason: Said,
    sowings: Sequence[Sowing],
    names: SeasonNames,
    sentences: Sentences,
    texts: Texts,
) -> tuple[str, ...]:
    """The figures behind the verdict and its reason, in plain sentences."""
    unit, verdict = judged.gain_unit or "ndvi", judged.verdict
    out = []
    if judged.gain is not None and verdict != "not-assessable":
        key = "points" if unit == "points" else "ndvi"
        out.append(texts(f"sentence.figures_{key}", **_interval(judged, unit, texts)))
    if verdict == "grass-only" and judged.grass_gain is not None:
        out.append(
            texts(
                "sentence.flush",
                gain=gain_text(judged.grass_gain, "ndvi", texts),
                low=gain_text(judged.grass_gain_low, "ndvi", texts),
                high=gain_text(judged.grass_gain_high, "ndvi", texts),
            )
        )
    reach = judged.detectable_gain if verdict == "too-early" else None
    # Beside a gain above it, "could have been seen" would read as a contradiction.
    if reach is not None and (judged.gain is None or judged.gain < reach):
        out.append(texts("sentence.reach", reach=gain_text(reach, unit, texts)))
    answer_by = names.label(judged.answer_by)
    if judged.answer_by and answer_by not in reason.text:
        out.append(texts("sentence.answer_by", season=answer_by))
    if sowings and sowings[-1].start == "none yet":
        out.append(texts("sentence.rain_none"))
    elif verdict == "no-gain" and sowings and sowings[-1].start == "broken":
        out.append(texts("sentence.rain_broken"))
    if judged.late:
        late = sentences.say(judged.late)
        out.append(texts("sentence.late", late=late.text))
    if judged.provisional:
        out.append(texts("sentence.provisional"))
    return tuple(out)


def _field(seen: FieldSeen | None, texts: Texts) -> str:
    """What the field saw, beside the verdict; "" where nobody was there."""
    if seen is None or not seen.checks:
        return ""
    counts = {"more": seen.more, "unchanged": seen.unchanged, "less": seen.less}
    told = texts.count(
        "field.checks",
        seen.checks,
        day=texts.date(seen.last) if seen.last else texts("no_value"),
        **{key: texts.number(n) for key, n in counts.items()},
    )
    key = f"field.agreement.{seen.agreement}"
    return f"{told} {texts(key)}" if key in texts else told


def _interval(judged: Judged, unit: str, texts: Texts) -> dict[str, str]:
    decimals = 1 if unit == "points" else 3

    def figure(value: float | None) -> str:
        return texts("no_value") if value is None else texts.number(value, decimals, signed=True)

    return {
        "gain": figure(judged.gain),
        "low": figure(judged.gain_low),
        "high": figure(judged.gain_high),
    }


def _description(
    rows: Sequence[SiteSeason],
    judged_season: Season | None,
    unit: str,
    sentence: str,
    texts: Texts,
) -> str:
    """The drawing in words, for those who do not see it."""
    dry = [
        row
        for row in rows
        if row.season.kind == "dry"
        and (judged_season is None or row.season.start <= judged_season.start)
    ]
    seen = [row.reading(unit) for row in dry if row.reading(unit).value is not None]
    latest = ""
    if seen:
        latest = texts(
            "sheets.chart_latest",
            sown=_value(seen[-1].value, unit, texts),
            control=_value(seen[-1].control, unit, texts),
        )
    return texts(
        "sheets.chart_describe",
        seasons=texts.number(len(dry)),
        latest=latest,
        sentence=sentence,
    )


def _value(value: float | None, unit: str, texts: Texts) -> str:
    if value is None:
        return texts("no_value")
    return texts.number(value, 1 if unit == "points" else 3)


def _figures(
    rows: Sequence[SiteSeason],
    history: Sequence[Judged],
    unit: str,
    names: SeasonNames,
    texts: Texts,
) -> tuple[FigureRow, ...]:
    """One row for each dry season, with the rains that came before it."""
    by_season = {judged.as_of: judged for judged in history}
    out = []
    last_rains: tuple[date, float] | None = None
    for row in rows:
        if row.season.kind == "rains":
            last_rains = None if row.rain_mm is None else (row.season.end, row.rain_mm)
            continue
        reading, judged = row.reading(unit), by_season.get(row.season.season)
        interval = ""
        if judged and judged.gain_low is not None and judged.gain_high is not None:
            interval = texts("unit.interval", **_interval(judged, unit, texts))
        out.append(
            FigureRow(
                season=names.years(row.season.season),
                sown=_value(reading.value, unit, texts),
                control=_value(reading.control, unit, texts),
                gain=gain_text(judged.gain, unit, texts) if judged else "",
                interval=interval,
                verdict=judged.verdict if judged else None,
                rain=texts.number(last_rains[1]) if last_rains else texts("no_value"),
                dates="" if row.clear_dates is None else texts.number(row.clear_dates),
            )
        )
        last_rains = None
    return tuple(out)
