"""What a site's sheet says: the verdict in a sentence, the drawing, the facts, the figures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from afterrains.delivery.page.first_screen import step_label
from afterrains.delivery.page.folder import Folder, Judged, SiteSeason, Sowing
from afterrains.delivery.page.next_step import Verdict, slug
from afterrains.delivery.page.plates import CloseUp
from afterrains.delivery.page.seasons import SeasonNames
from afterrains.delivery.page.site_chart import SiteChart, draw_site
from afterrains.delivery.page.sites import SiteRef
from afterrains.delivery.page.texts import Texts

__all__ = ["Fact", "FigureRow", "Sheet", "gain_text", "lay_sheet"]

# Absolute standardised difference: Austin (2009) holds 0.1 close, Rubin (2001) and Stuart (2010)
# 0.25 acceptable.
_CLOSE_MATCH, _FAIR_MATCH = 0.1, 0.25


@dataclass(frozen=True)
class Fact:
    """A fact with what to mind when reading it ("" where nothing)."""

    label: str
    value: str
    note: str = ""


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
    sentences: tuple[str, ...]
    chart: SiteChart | None
    chart_description: str
    close_ups: tuple[CloseUp, ...]
    facts: tuple[Fact, ...]
    figures: tuple[FigureRow, ...]
    previous: str
    following: str


def gain_text(value: float | None, unit: str, texts: Texts) -> str:
    """A gain with its unit; the sign always shown."""
    if value is None:
        return texts("no_value")
    number = texts.number(value, 1 if unit == "points" else 3, signed=True)
    return texts(f"unit.{unit}" if unit == "points" else "unit.ndvi", value=number)


def lay_sheet(
    judged: Judged,
    folder: Folder,
    refs: Mapping[str, SiteRef],
    close_ups: Sequence[CloseUp],
    neighbours: tuple[str, str],
    currency: str,
    names: SeasonNames,
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
    sentences = _sentences(judged, sowings, names, texts)
    ref = refs[judged.site_id]
    return Sheet(
        ref=ref,
        unit=unit,
        step=step_label(ref, names, texts),
        sentences=sentences,
        chart=draw_site(rows, history, sown_on, sowings, unit, names, texts),
        chart_description=_description(rows, unit, sentences[0], texts),
        close_ups=tuple(close_ups),
        facts=tuple(_facts(judged, sowings, currency, texts)),
        figures=_figures(rows, history, unit, names, texts),
        previous=neighbours[0],
        following=neighbours[1],
    )


def _sentences(
    judged: Judged, sowings: Sequence[Sowing], names: SeasonNames, texts: Texts
) -> tuple[str, ...]:
    """The verdict with its reason in plain words."""
    unit, verdict = judged.gain_unit or "ndvi", judged.verdict
    reason = _reason(judged.reason, texts)
    if verdict == "not-assessable":
        out = [
            texts("sentence.not-assessable", reason=reason)
            if reason
            else texts("sentence.bare.not-assessable")
        ]
    else:
        needed = [judged.gain, judged.gain_low, judged.gain_high]
        needed += [judged.grass_gain] if verdict == "grass-only" else []
        needed += [judged.detectable_gain] if verdict == "too-early" else []
        key = f"sentence.{verdict}" if None not in needed else f"sentence.bare.{verdict}"
        out = [
            texts(
                key,
                gain=gain_text(judged.gain, unit, texts),
                low=gain_text(judged.gain_low, unit, texts),
                high=gain_text(judged.gain_high, unit, texts),
                reach=gain_text(judged.detectable_gain, unit, texts),
                grass=gain_text(judged.grass_gain, "ndvi", texts),
                grass_low=gain_text(judged.grass_gain_low, "ndvi", texts),
                grass_high=gain_text(judged.grass_gain_high, "ndvi", texts),
            )
        ]
        if reason:
            out.append(texts("sentence.reason", reason=reason))
    if judged.answer_by:
        out.append(texts("sentence.answer_by", season=names.label(judged.answer_by)))
    if sowings and sowings[-1].start == "none yet":
        out.append(texts("sentence.rain_none"))
    elif verdict == "no-gain" and sowings and sowings[-1].start == "broken":
        out.append(texts("sentence.rain_broken"))
    return tuple(out)


def _reason(reason: str, texts: Texts) -> str:
    """The reason in words: the catalogue's for a known one, else as the table has it."""
    key = f"reason.{slug(reason)}"
    return texts(key) if key in texts else reason.strip().rstrip(".")


def _description(rows: Sequence[SiteSeason], unit: str, sentence: str, texts: Texts) -> str:
    """The drawing in words, for those who do not see it."""
    dry = [row for row in rows if row.season.kind == "dry"]
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


def _facts(judged: Judged, sowings: Sequence[Sowing], currency: str, texts: Texts) -> list[Fact]:
    facts = [Fact(texts("facts.site_id"), judged.site_id[:200])]
    if judged.stratum:
        facts.append(Fact(texts("facts.stratum"), judged.stratum[:200]))
    if judged.area_ha is not None:
        area = texts("facts.area_value", area=texts.number(judged.area_ha, 1))
        facts.append(Fact(texts("facts.area"), area, texts("facts.area_note")))
    if sowings:
        facts += [_sowing_fact(sowing, texts) for sowing in sowings]
    elif judged.first_sown_on:
        facts.append(Fact(texts("facts.first_sown"), texts.date(judged.first_sown_on)))
    for key, count in (
        ("since", judged.seasons_since_sowing),
        ("clear", judged.clear_dates),
        ("controls", judged.controls),
    ):
        if count is not None:
            facts.append(Fact(texts(f"facts.{key}"), texts.number(count)))
    return facts + _evidence_facts(judged, texts) + _cost_facts(judged, currency, texts)


def _sowing_fact(sowing: Sowing, texts: Texts) -> Fact:
    label = texts("facts.sowing", day=texts.date(sowing.sown_on))
    if sowing.start not in ("good", "broken") or sowing.first_effective_rain_on is None:
        return Fact(label, texts("facts.sowing_none"))

    def figure(value: float | None) -> str:
        return texts("no_value") if value is None else texts.number(value)

    words = texts(
        f"facts.sowing_{sowing.start}",
        rain=texts.date(sowing.first_effective_rain_on),
        waited=figure(sowing.days_waited),
        mm=figure(sowing.rain_30d_mm),
        spell=figure(sowing.longest_dry_spell_30d),
    )
    return Fact(label, words)


def _evidence_facts(judged: Judged, texts: Texts) -> list[Fact]:
    facts = []
    if judged.match_balance is not None:
        words = "poor"
        if judged.match_balance <= _FAIR_MATCH:
            words = "close" if judged.match_balance <= _CLOSE_MATCH else "fair"
        value = texts(
            "facts.balance_value",
            value=texts.number(judged.match_balance, 2),
            words=texts(f"facts.balance_{words}"),
        )
        facts.append(Fact(texts("facts.balance"), value, texts("facts.balance_note")))
    if judged.before_trend_p is not None:
        value = texts("facts.before_value", value=texts.number(judged.before_trend_p, 3))
        facts.append(Fact(texts("facts.before"), value, texts("facts.before_note")))
    if judged.p_value is not None and judged.q_value is not None:
        value = texts(
            "facts.p_value", p=texts.number(judged.p_value, 3), q=texts.number(judged.q_value, 3)
        )
        facts.append(Fact(texts("facts.p"), value, texts("facts.p_note")))
    if judged.grass_gain is not None:
        value = texts(
            "facts.grass_value",
            gain=gain_text(judged.grass_gain, "ndvi", texts),
            low=gain_text(judged.grass_gain_low, "ndvi", texts),
            high=gain_text(judged.grass_gain_high, "ndvi", texts),
        )
        facts.append(Fact(texts("facts.grass"), value, texts("facts.grass_note")))
    if judged.rains_anomaly is not None:
        value = texts("facts.rains_value", value=texts.number(judged.rains_anomaly, 2, signed=True))
        facts.append(Fact(texts("facts.rains"), value))
    return facts


def _cost_facts(judged: Judged, currency: str, texts: Texts) -> list[Fact]:
    def money(value: float) -> str:
        # XXX is the standard's code for "no currency" (ISO 4217).
        if currency in ("", "XXX"):
            return texts("facts.money_plain", value=texts.number(value))
        return texts("facts.money", currency=currency, value=texts.number(value))

    facts = []
    if judged.cost is not None:
        facts.append(Fact(texts("facts.cost"), money(judged.cost)))
    if judged.cost_per_gained_ha is not None:
        value = money(judged.cost_per_gained_ha)
        facts.append(Fact(texts("facts.per_ha"), value, texts("caution.cost")))
    return facts


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
            interval = texts(
                "unit.interval",
                low=gain_text(judged.gain_low, "ndvi" if unit == "ndvi" else unit, texts),
                high=gain_text(judged.gain_high, unit, texts),
            )
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
