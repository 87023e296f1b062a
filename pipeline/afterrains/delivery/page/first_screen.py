"""What the first screen says: who, when, where the sites stand, what next, what changed, the rain."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from afterrains.delivery.page.folder import Folder, Judged
from afterrains.delivery.page.next_step import STEPS, VERDICTS, StepKind, Verdict
from afterrains.delivery.page.seasons import SeasonNames
from afterrains.delivery.page.sites import SiteRef
from afterrains.delivery.page.texts import Texts, one_line

__all__ = [
    "Changes",
    "FirstScreen",
    "LedgerLine",
    "Move",
    "StepLine",
    "first_screen",
    "newest_season",
    "outcome_words",
    "step_label",
]

_MOST_SHOWN = 12

# SPI classes of WMO-No. 1090 (2012), Standardized Precipitation Index User Guide: lower ends.
_SPI_CLASSES = (
    (2.0, "extremely_wet"),
    (1.5, "very_wet"),
    (1.0, "moderately_wet"),
    (-1.0, "near_normal"),
    (-1.5, "moderately_dry"),
    (-2.0, "severely_dry"),
)


@dataclass(frozen=True)
class LedgerLine:
    """How many sites, and hectares, stand at a verdict."""

    verdict: Verdict
    count: int
    area: str


@dataclass(frozen=True)
class StepLine:
    """A next step with the sites it concerns; `more` counts those not listed."""

    kind: StepKind
    label: str
    why: str
    count: int
    refs: tuple[SiteRef, ...]
    more: int


@dataclass(frozen=True)
class Move:
    """A site whose verdict is not what it was; `was` is None for a site judged for the first time."""

    ref: SiteRef
    was: Verdict | None
    now: Verdict


@dataclass(frozen=True)
class Changes:
    """What changed since the season before; `previous` is "" when there was none."""

    previous: str
    moves: tuple[Move, ...]
    more: int
    same: int


@dataclass(frozen=True)
class FirstScreen:
    """The words and counts of the first screen."""

    programme: str
    title: str
    as_of: str
    facts: tuple[str, ...]
    headline: tuple[str, ...]
    caution: str
    ledger: tuple[LedgerLine, ...]
    steps: tuple[StepLine, ...]
    changes: Changes
    rain: tuple[str, ...]


def newest_season(verdicts: Sequence[Judged], names: SeasonNames) -> str:
    """The newest season that any site is judged at; "" without sites."""
    return max((judged.as_of for judged in verdicts), key=names.order, default="")


def outcome_words(verdicts: Sequence[Judged], texts: Texts) -> str:
    """What was judged, in words."""
    units = {judged.gain_unit for judged in verdicts if judged.gain_unit}
    kind = {frozenset({"points"}): "woody", frozenset({"ndvi"}): "greenness"}.get(
        frozenset(units), "mixed"
    )
    return texts(f"outcome.{kind}")


def first_screen(
    folder: Folder, refs: Mapping[str, SiteRef], names: SeasonNames, texts: Texts
) -> FirstScreen:
    """Sum the folder up."""
    verdicts = folder.verdicts
    as_of = newest_season(verdicts, names)
    name = folder.manifest.get("programme", {}).get("name", "")
    programme = name if isinstance(name, str) else ""
    greenness = any(judged.gain_unit != "points" for judged in verdicts)
    return FirstScreen(
        programme=programme,
        title=texts("head.title", programme=one_line(programme)),
        as_of=texts("head.as_of", season=names.label(as_of)),
        facts=_facts(folder, texts),
        headline=_headline(verdicts, texts),
        caution=texts("caution.headline_greenness" if greenness else "caution.headline_woody"),
        ledger=_ledger(verdicts, texts),
        steps=_steps(tuple(refs.values()), names, texts),
        changes=_changes(folder, refs, as_of, names),
        rain=_rain(folder, texts, names),
    )


def _facts(folder: Folder, texts: Texts) -> tuple[str, ...]:
    controls = sum(1 for ground in folder.grounds.values() if ground.role == "control")
    area = sum(judged.area_ha or 0.0 for judged in folder.verdicts)
    facts = [
        texts.count("head.sown", len(folder.verdicts)),
        texts("head.area", area=texts.number(area)),
        texts.count("head.controls", controls),
    ]
    if folder.looks and folder.looks.last:
        facts.append(texts("head.last_look", day=texts.date(folder.looks.last)))
    return tuple(facts)


def _headline(verdicts: Sequence[Judged], texts: Texts) -> tuple[str, ...]:
    def count(*kinds: Verdict) -> int:
        return sum(1 for judged in verdicts if judged.verdict in kinds)

    gained, lost = count("gain"), count("loss")
    still_open = count("too-early", "not-assessable")
    outcome, total = outcome_words(verdicts, texts), texts.number(len(verdicts))
    sentences = [
        texts.count("headline.gain", gained, total=total, outcome=outcome)
        if gained
        else texts("headline.none", total=total, outcome=outcome)
    ]
    if lost:
        sentences.append(texts.count("headline.loss", lost))
    sentences.append(
        texts.count("headline.open", still_open) if still_open else texts("headline.all_told")
    )
    return tuple(sentences)


def _ledger(verdicts: Sequence[Judged], texts: Texts) -> tuple[LedgerLine, ...]:
    lines = []
    for verdict in VERDICTS:
        these = [judged for judged in verdicts if judged.verdict == verdict]
        area = sum(judged.area_ha or 0.0 for judged in these)
        lines.append(LedgerLine(verdict, len(these), texts("first.area", area=texts.number(area))))
    return tuple(lines)


def _steps(refs: Sequence[SiteRef], names: SeasonNames, texts: Texts) -> tuple[StepLine, ...]:
    """One line a step, the most pressing first; waiting sites by the season they wait for."""
    lines = []
    for kind in STEPS:
        these = [ref for ref in refs if ref.step.kind == kind]
        for until in sorted({ref.step.until for ref in these}, key=names.order):
            group = [ref for ref in these if ref.step.until == until]
            lines.append(
                StepLine(
                    kind=kind,
                    label=step_label(group[0], names, texts),
                    why=texts(f"step_why.{kind}"),
                    count=len(group),
                    refs=tuple(group[:_MOST_SHOWN]),
                    more=max(0, len(group) - _MOST_SHOWN),
                )
            )
    return tuple(lines)


def step_label(ref: SiteRef, names: SeasonNames, texts: Texts) -> str:
    """The site's next step in words."""
    return texts(f"step.{ref.step.kind}", season=names.label(ref.step.until))


def _changes(
    folder: Folder, refs: Mapping[str, SiteRef], as_of: str, names: SeasonNames
) -> Changes:
    """Each site's newest verdict against its verdict at the season judged before."""
    seasons = {judged.as_of for rows in folder.history.values() for judged in rows}
    earlier = [season for season in seasons if names.order(season) < names.order(as_of)]
    if not earlier:
        return Changes("", (), 0, 0)
    previous = max(earlier, key=names.order)
    moves: list[Move] = []
    same = 0
    for judged in folder.verdicts:
        then = [row for row in folder.history.get(judged.site_id, ()) if row.as_of == previous]
        was = then[0].verdict if then else None
        if was == judged.verdict:
            same += 1
        else:
            moves.append(Move(refs[judged.site_id], was, judged.verdict))
    moves.sort(key=lambda move: (VERDICTS.index(move.now), move.ref.number))
    more = max(0, len(moves) - _MOST_SHOWN)
    return Changes(names.label(previous), tuple(moves[:_MOST_SHOWN]), more, same)


def _rain(folder: Folder, texts: Texts, names: SeasonNames) -> tuple[str, ...]:
    """The newest rains on the sown sites, and the sowings that still wait for rain."""
    sown = {judged.site_id for judged in folder.verdicts}
    fallen = [
        row
        for site_id, rows in folder.seasons.items()
        if site_id in sown
        for row in rows
        if row.season.kind == "rains" and row.rain_mm is not None
    ]
    lines = []
    if fallen:
        newest = max((row.season.season for row in fallen), key=names.order)
        rows = [row for row in fallen if row.season.season == newest]
        rain = texts.number(median(row.rain_mm for row in rows if row.rain_mm is not None))
        spi = [row.spi for row in rows if row.spi is not None]
        label = names.label(newest)
        if spi:
            words = texts(f"rain.class.{_spi_class(median(spi))}")
            lines.append(texts("rain.season", season=label, rain=rain, **{"class": words}))
        else:
            lines.append(texts("rain.season_plain", season=label, rain=rain))
    if folder.sowings is None:
        lines.append(texts("rain.no_table"))
    else:
        waiting = sum(
            1 for rows in folder.sowings.values() for sowing in rows if sowing.start == "none yet"
        )
        lines.append(
            texts.count("rain.waiting", waiting) if waiting else texts("rain.none_waiting")
        )
    return tuple(lines)


def _spi_class(spi: float) -> str:
    """The class of an SPI; -1, -1.5 and -2 belong to the drier class, as the table has them."""
    for lower, name in _SPI_CLASSES:
        if spi >= lower if lower > 0 else spi > lower:
            return name
    return "extremely_dry"
