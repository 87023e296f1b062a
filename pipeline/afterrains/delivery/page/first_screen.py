"""What the first screen says: where the sites stand, what next, what changed, the last rains."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from afterrains.delivery.page.folder import Folder
from afterrains.delivery.page.next_step import STEPS, VERDICTS, Verdict, slug
from afterrains.delivery.page.rows import Judged
from afterrains.delivery.page.seasons import SeasonNames
from afterrains.delivery.page.sites import SiteRef
from afterrains.delivery.page.texts import Texts, one_line, plain, shortened

__all__ = [
    "Changes",
    "FirstScreen",
    "LedgerLine",
    "Move",
    "StepGroup",
    "first_screen",
    "gain_units",
    "newest_season",
    "outcome_words",
    "spi_class",
    "step_label",
]

_LONGEST_PROGRAMME = 200
_MOST_MOVES = 10
_MOST_NUMBERS = 24

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
class StepGroup:
    """A next step with the sites it concerns; `more` counts those not listed."""

    label: str
    refs: tuple[SiteRef, ...]
    more: int


@dataclass(frozen=True)
class LedgerLine:
    """How many sites, and hectares, stand at a verdict, and what to do with them."""

    verdict: Verdict
    count: int
    area: str
    meaning: str
    steps: tuple[StepGroup, ...]


@dataclass(frozen=True)
class Move:
    """A site whose verdict is not what it was; `was` is None where it is the first."""

    ref: SiteRef
    was: Verdict | None
    now: Verdict
    why: str


@dataclass(frozen=True)
class Changes:
    """What changed since the season before; `previous` is "" when there was none."""

    previous: str
    moves: tuple[Move, ...]
    more: int
    same: int
    moved: int
    """Of the same ones, those whose figures rest on something else than before: see changes.csv."""

    @property
    def count(self) -> int:
        """Sites whose verdict changed."""
        return len(self.moves) + self.more


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
    changes: Changes
    rain: tuple[str, ...]


def newest_season(verdicts: Sequence[Judged], names: SeasonNames) -> str:
    """The newest season that any site is judged at; "" without sites."""
    return max((judged.as_of for judged in verdicts), key=names.order, default="")


def outcome_words(verdicts: Sequence[Judged], texts: Texts) -> str:
    """What was judged, in words."""
    kind = {frozenset({"points"}): "woody", frozenset({"ndvi"}): "greenness"}.get(
        gain_units(verdicts), "mixed"
    )
    return texts(f"outcome.{kind}")


def gain_units(verdicts: Sequence[Judged]) -> frozenset[str]:
    """Units of the sites that show a gain, for others rest on neither; of all where none does."""
    told = [judged for judged in verdicts if judged.gain is not None] or verdicts
    return frozenset(judged.gain_unit for judged in told if judged.gain_unit)


def first_screen(
    folder: Folder, refs: Mapping[str, SiteRef], names: SeasonNames, texts: Texts
) -> FirstScreen:
    """Sum the folder up."""
    verdicts = folder.verdicts
    as_of = newest_season(verdicts, names)
    name = folder.manifest.get("programme", {}).get("name", "")
    programme = shortened(plain(name), _LONGEST_PROGRAMME) if isinstance(name, str) else ""
    greenness = gain_units(verdicts) != {"points"}
    return FirstScreen(
        programme=programme,
        title=texts("head.title", programme=one_line(programme)),
        as_of=texts("head.as_of", season=names.label(as_of)),
        facts=_facts(folder, texts),
        headline=_headline(verdicts, texts),
        caution=texts("caution.headline_greenness" if greenness else "caution.headline_woody"),
        ledger=_ledger(verdicts, refs, names, texts),
        changes=_changes(folder, refs, as_of, names, texts),
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
    """The sites in a few sentences; verdicts that no site has are not spoken of."""
    counts = {kind: sum(judged.verdict == kind for judged in verdicts) for kind in VERDICTS}
    outcome, total = outcome_words(verdicts, texts), texts.number(len(verdicts))
    sentences = [
        texts.count("headline.gain", counts["gain"], total=total, outcome=outcome)
        if counts["gain"]
        else texts("headline.none", total=total, outcome=outcome)
    ]
    for key, count in (
        ("loss", counts["loss"]),
        ("no-gain", counts["no-gain"]),
        ("grass-only", counts["grass-only"]),
        ("open", counts["too-early"] + counts["not-assessable"]),
    ):
        if count:
            sentences.append(texts.count(f"headline.{key}", count))
    return tuple(sentences)


def _ledger(
    verdicts: Sequence[Judged], refs: Mapping[str, SiteRef], names: SeasonNames, texts: Texts
) -> tuple[LedgerLine, ...]:
    lines = []
    outcome = outcome_words(verdicts, texts)
    for verdict in VERDICTS:
        these = [judged for judged in verdicts if judged.verdict == verdict]
        area = sum(judged.area_ha or 0.0 for judged in these)
        lines.append(
            LedgerLine(
                verdict,
                len(these),
                texts("first.area", area=texts.number(area)),
                texts(f"meaning.{verdict}", outcome=outcome),
                _steps([refs[judged.site_id] for judged in these], names, texts),
            )
        )
    return tuple(lines)


def _steps(refs: Sequence[SiteRef], names: SeasonNames, texts: Texts) -> tuple[StepGroup, ...]:
    """The steps of one verdict, the most pressing first; waiting sites by their season."""
    groups: dict[tuple[int, tuple[str, str]], list[SiteRef]] = {}
    for ref in refs:
        key = (STEPS.index(ref.step.kind), names.order(ref.step.until))
        groups.setdefault(key, []).append(ref)
    return tuple(
        StepGroup(
            step_label(group[0], names, texts),
            tuple(sorted(group, key=lambda ref: (ref.rank, ref.number))[:_MOST_NUMBERS]),
            max(0, len(group) - _MOST_NUMBERS),
        )
        for _, group in sorted(groups.items())
    )


def step_label(ref: SiteRef, names: SeasonNames, texts: Texts) -> str:
    """The site's next step in words."""
    if ref.step.kind == "wait" and not ref.step.until:
        return texts("step.wait_first")
    return texts(f"step.{ref.step.kind}", season=names.label(ref.step.until))


def _changes(
    folder: Folder, refs: Mapping[str, SiteRef], as_of: str, names: SeasonNames, texts: Texts
) -> Changes:
    """Each site's newest verdict against its verdict at the season judged before."""
    seasons = {judged.as_of for rows in folder.history.values() for judged in rows}
    earlier = [season for season in seasons if names.order(season) < names.order(as_of)]
    if not earlier:
        return Changes("", (), 0, 0, 0)
    previous = max(earlier, key=names.order)
    moves: list[Move] = []
    same = moved = 0
    for judged in folder.verdicts:
        then = [row for row in folder.history.get(judged.site_id, ()) if row.as_of == previous]
        was = then[0].verdict if then else None
        if was == judged.verdict:
            same += 1
            change = (folder.changes or {}).get(judged.site_id)
            moved += bool(change and set(change.causes) - {"new season"})
        else:
            why = _causes(folder, judged.site_id, texts)
            moves.append(Move(refs[judged.site_id], was, judged.verdict, why))
    moves.sort(key=lambda move: (VERDICTS.index(move.now), move.ref.number))
    more = max(0, len(moves) - _MOST_MOVES)
    return Changes(names.label(previous), tuple(moves[:_MOST_MOVES]), more, same, moved)


def _causes(folder: Folder, site_id: str, texts: Texts) -> str:
    """What differs in what the site's figures rest on; "" where changes.csv does not tell."""
    change = (folder.changes or {}).get(site_id)
    keys = [f"cause.{slug(cause)}" for cause in change.causes] if change else []
    return ", ".join(texts(key) for key in keys if key in texts)


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
        label = label[:1].upper() + label[1:]  # it opens the sentence
        if spi:
            words = texts(f"rain.class.{spi_class(median(spi))}")
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


def spi_class(spi: float) -> str:
    """The class of an SPI; -1, -1.5 and -2 belong to the drier class, as the table has them."""
    for lower, name in _SPI_CLASSES:
        if spi >= lower if lower > 0 else spi > lower:
            return name
    return "extremely_dry"
