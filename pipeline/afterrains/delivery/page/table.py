"""The table of all sites, in the order of the ledger: by verdict, the largest gain first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from afterrains.delivery.page.facts import gain_text, interval_text
from afterrains.delivery.page.first_screen import step_label
from afterrains.delivery.page.gain_bars import Estimate, GainBar, GainScale
from afterrains.delivery.page.next_step import STEPS, VERDICTS
from afterrains.delivery.page.rows import Judged
from afterrains.delivery.page.seasons import SeasonNames
from afterrains.delivery.page.sites import SiteRef
from afterrains.delivery.page.texts import Texts

__all__ = ["SiteRow", "lay_table"]


@dataclass(frozen=True)
class SiteRow:
    """A row of the table; the `…_key` values sort it."""

    ref: SiteRef
    first_of_verdict: bool
    unit: str
    gain: str
    interval: str
    """Its 95 % interval; "" where there is none."""
    gain_key: str
    bar: GainBar | None
    words: str
    since: str
    since_key: str
    answer_by: str
    answer_key: str
    step: str
    verdict_key: int
    step_key: str


def lay_table(
    verdicts: Sequence[Judged],
    refs: Mapping[str, SiteRef],
    meaningful: Mapping[str, float],
    names: SeasonNames,
    texts: Texts,
) -> tuple[tuple[SiteRow, ...], dict[str, GainScale]]:
    """The rows, and the common scale of the gains of each unit.

    `meaningful` holds the gain that matters, by unit, where it is known.
    """
    scales = {
        unit: GainScale(
            (_estimate(judged) for judged in verdicts if judged.gain_unit == unit),
            meaningful.get(unit),
        )
        for unit in ("points", "ndvi")
        if any(judged.gain_unit == unit and judged.gain is not None for judged in verdicts)
    }
    ordered = sorted(
        verdicts,
        key=lambda judged: (
            VERDICTS.index(judged.verdict),
            -(judged.gain if judged.gain is not None else float("-inf")),
            refs[judged.site_id].number,
        ),
    )
    rows, seen = [], set()
    for judged in ordered:
        rows.append(_row(judged, judged.verdict not in seen, refs, scales, names, texts))
        seen.add(judged.verdict)
    return tuple(rows), scales


def _estimate(judged: Judged) -> Estimate:
    return Estimate(judged.gain, judged.gain_low, judged.gain_high, judged.detectable_gain)


def _row(
    judged: Judged,
    first: bool,
    refs: Mapping[str, SiteRef],
    scales: Mapping[str, GainScale],
    names: SeasonNames,
    texts: Texts,
) -> SiteRow:
    ref, unit = refs[judged.site_id], judged.gain_unit
    bar = scales[unit].draw(_estimate(judged)) if unit in scales else None
    words = texts("sites.describe_none")
    if bar:
        words = texts(
            "sites.describe",
            gain=gain_text(judged.gain, unit, texts),
            low=gain_text(judged.gain_low, unit, texts),
            high=gain_text(judged.gain_high, unit, texts),
            reach=gain_text(judged.detectable_gain, unit, texts),
        )
    since = judged.seasons_since_sowing
    return SiteRow(
        ref=ref,
        first_of_verdict=first,
        unit=unit,
        gain=gain_text(judged.gain, unit, texts) if bar else texts("sites.no_gain"),
        interval=interval_text(judged.gain_low, judged.gain_high, unit, texts) if bar else "",
        gain_key="" if judged.gain is None else f"{judged.gain:.6g}",
        bar=bar,
        words=words,
        since=texts("no_value") if since is None else texts.number(since),
        since_key="" if since is None else str(since),
        answer_by=names.years(judged.answer_by) if judged.answer_by else texts("no_value"),
        answer_key=names.order(judged.answer_by)[0] if judged.answer_by else "",
        step=step_label(ref, names, texts),
        verdict_key=VERDICTS.index(judged.verdict),
        step_key=f"{STEPS.index(ref.step.kind)}{ref.step.until}",
    )
