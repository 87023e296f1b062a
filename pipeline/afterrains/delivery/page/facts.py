"""The facts on a site's sheet, each with what to mind when reading it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from afterrains.delivery.page.rows import Judged, Sowing
from afterrains.delivery.page.texts import Texts, shortened

__all__ = ["Fact", "gain_text", "interval_text", "lay_facts", "money_text"]

# Absolute standardised difference: Austin (2009) holds 0.1 close, Rubin (2001) and Stuart (2010)
# 0.25 acceptable.
_CLOSE_MATCH, _FAIR_MATCH = 0.1, 0.25
_LONGEST_TEXT = 200
_SMALLEST_P = 0.001


@dataclass(frozen=True)
class Fact:
    """A fact with what to mind when reading it ("" where nothing)."""

    label: str
    value: str
    note: str = ""


def gain_text(value: float | None, unit: str, texts: Texts) -> str:
    """A gain with its unit; the sign always shown."""
    if value is None:
        return texts("no_value")
    number = texts.number(value, 1 if unit == "points" else 3, signed=True)
    return texts("unit.points" if unit == "points" else "unit.ndvi", value=number)


def interval_text(low: float | None, high: float | None, unit: str, texts: Texts) -> str:
    """The ends of an interval without their unit; "" where one is missing."""
    if low is None or high is None:
        return ""
    decimals = 1 if unit == "points" else 3
    ends = (texts.number(end, decimals, signed=True) for end in (low, high))
    return texts("unit.interval", **dict(zip(("low", "high"), ends, strict=True)))


def money_text(value: float | None, currency: str, texts: Texts, *, decimals: int = 0) -> str:
    """A sum of money; `currency` is an ISO 4217 code or ""."""
    if value is None:
        return texts("no_value")
    # XXX is the standard's code for "no currency" (ISO 4217).
    if currency in ("", "XXX"):
        return texts("facts.money_plain", value=texts.number(value, decimals))
    return texts("facts.money", currency=currency, value=texts.number(value, decimals))


def lay_facts(judged: Judged, sowings: Sequence[Sowing], currency: str, texts: Texts) -> list[Fact]:
    """Every fact that the tables hold of a site; `currency` is an ISO 4217 code or ""."""
    facts = [Fact(texts("facts.site_id"), shortened(judged.site_id, _LONGEST_TEXT))]
    if judged.stratum:
        facts.append(Fact(texts("facts.stratum"), shortened(judged.stratum, _LONGEST_TEXT)))
    if judged.area_ha is not None:
        area = texts("facts.area_value", area=texts.number(judged.area_ha, 1))
        facts.append(Fact(texts("facts.area"), area, texts("facts.area_note")))
    if sowings:
        facts += [_sowing_fact(sowing, texts) for sowing in sowings]
    elif judged.first_sown_on:
        facts.append(Fact(texts("facts.first_sown"), texts.date(judged.first_sown_on)))
    # Where the rain record cannot say when the seed woke, it may have woken seasons later.
    clock = texts("facts.since_sowing") if judged.clock_by == "sowing" else ""
    for key, count, note in (
        ("since", judged.seasons_since_sowing, clock),
        ("clear", judged.clear_dates, ""),
        ("controls", judged.controls, ""),
    ):
        if count is not None:
            facts.append(Fact(texts(f"facts.{key}"), texts.number(count), note))
    return facts + _evidence_facts(judged, texts) + _cost_facts(judged, currency, texts)


def _sowing_fact(sowing: Sowing, texts: Texts) -> Fact:
    """The first effective rain after a sowing, and how the rain went on."""
    note = texts.count("facts.sowing_gaps", sowing.missing_days) if sowing.missing_days else ""
    label = texts("facts.sowing", day=texts.date(sowing.sown_on))
    rain = sowing.first_effective_rain_on
    if rain is None:
        key = "none" if sowing.start == "none yet" else "unknown"
        return Fact(label, texts(f"facts.sowing_{key}"), note)
    words = texts("facts.sowing_rain", rain=texts.date(rain))
    if sowing.days_waited is not None:
        words = texts(
            "facts.sowing_waited",
            rain=texts.date(rain),
            waited=texts.count("facts.days", sowing.days_waited),
        )
    if sowing.start in ("good", "broken"):
        words += texts(f"facts.sowing_{sowing.start}")
    if sowing.rain_30d_mm is not None and sowing.longest_dry_spell_30d is not None:
        words += texts(
            "facts.sowing_month",
            mm=texts.number(sowing.rain_30d_mm),
            spell=texts.count("facts.days", sowing.longest_dry_spell_30d),
        )
    return Fact(label, words, note)


def _probability(name: str, value: float, texts: Texts) -> str:
    """A p or q to three decimals; what would read as zero is given as a limit."""
    if value < _SMALLEST_P:
        return texts("facts.small", name=name, limit=texts.number(_SMALLEST_P, 3))
    return texts("facts.exact", name=name, value=texts.number(value, 3))


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
        facts.append(Fact(texts("facts.balance"), value))
    if judged.before_trend_p is not None:
        value = texts("facts.before_value", p=_probability("p", judged.before_trend_p, texts))
        facts.append(Fact(texts("facts.before"), value))
    if judged.p_value is not None and judged.q_value is not None:
        value = texts(
            "facts.p_value",
            p=_probability("p", judged.p_value, texts),
            q=_probability("q", judged.q_value, texts),
        )
        facts.append(Fact(texts("facts.p"), value))
    if judged.grass_gain is not None:
        value = texts(
            "facts.grass_value",
            gain=gain_text(judged.grass_gain, "ndvi", texts),
            low=gain_text(judged.grass_gain_low, "ndvi", texts),
            high=gain_text(judged.grass_gain_high, "ndvi", texts),
        )
        facts.append(Fact(texts("facts.grass"), value))
    if judged.rains_anomaly is not None:
        value = texts("facts.rains_value", value=texts.number(judged.rains_anomaly, 2, signed=True))
        facts.append(Fact(texts("facts.rains"), value))
    return facts


def _cost_facts(judged: Judged, currency: str, texts: Texts) -> list[Fact]:
    facts = []
    if judged.cost is not None:
        facts.append(Fact(texts("facts.cost"), money_text(judged.cost, currency, texts)))
    if judged.cost_per_gained_ha is not None:
        value = money_text(judged.cost_per_gained_ha, currency, texts)
        facts.append(Fact(texts("facts.per_ha"), value, texts("caution.cost")))
    return facts
