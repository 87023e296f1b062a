"""What the page rests on: the controls, the frozen specification, the scenes, the files."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from afterrains.delivery.page.facts import gain_text
from afterrains.delivery.page.folder import Folder
from afterrains.delivery.page.gain_bars import Estimate, GainBar, GainScale
from afterrains.delivery.page.rows import Control
from afterrains.delivery.page.sentences import Said, Sentences
from afterrains.delivery.page.texts import Texts, plain, shortened

__all__ = ["ControlRow", "Record", "lay_controls", "lay_record", "meaningful_gain"]

_LONGEST_VALUE = 200
# Files that the page points to, where they stand beside the report.
_FILES = (
    "verdicts.csv",
    "verdict_history.csv",
    "seasons.csv",
    "series.csv",
    "looks.csv",
    "controls.csv",
    "balance.csv",
    "sowing_rain.csv",
    "what_works.csv",
    "costs.csv",
    "sow_again.csv",
    "break_even.csv",
    "changes.csv",
    "answer_calendar.csv",
    "visits.csv",
    "field_evidence.csv",
    "sites.geojson",
    "drawn_controls.geojson",
    "datapackage.json",
    "manifest.json",
    "catalog.json",
)


@dataclass(frozen=True)
class ControlRow:
    """A control as shown."""

    name: str
    site_id: str
    stratum: str
    used_by: str
    weight: str
    balance: str
    trend: str
    bar: GainBar | None
    own: str
    words: str
    note: Said
    odd: bool


@dataclass(frozen=True)
class Record:
    """Counts and settings as shown."""

    settings: tuple[tuple[str, str], ...]
    digest: str
    used: int
    refused: tuple[tuple[str, str], ...]
    refused_count: int
    unreadable: int
    left_out: int
    leftover: str
    rain_cautions: tuple[Said, ...]
    looks: str
    sensors: tuple[str, ...]
    files: tuple[str, ...]
    version: str


def lay_controls(
    controls: Sequence[Control], unit: str, sentences: Sentences, texts: Texts
) -> tuple[tuple[ControlRow, ...], GainScale | None]:
    """The controls, the odd ones first, and the scale of their own change."""
    if not controls:
        return (), None
    estimates = [Estimate(c.own_gain, c.own_gain_low, c.own_gain_high) for c in controls]
    scale = GainScale(estimates)

    def figure(value: float | None, decimals: int) -> str:
        return texts("no_value") if value is None else texts.number(value, decimals)

    rows = [
        ControlRow(
            name=shortened(control.name) or shortened(control.site_id),
            site_id=shortened(control.site_id),
            stratum=shortened(control.stratum),
            used_by=figure(control.used_by, 0),
            weight=figure(control.weight_total, 2),
            balance=figure(control.balance, 2),
            trend=figure(control.before_trend_p, 3),
            bar=scale.draw(estimate),
            own=gain_text(control.own_gain, unit, texts),
            words=texts(
                "controls.describe",
                gain=gain_text(control.own_gain, unit, texts),
                low=gain_text(control.own_gain_low, unit, texts),
                high=gain_text(control.own_gain_high, unit, texts),
            ),
            note=sentences.say(control.note),
            odd=control.odd,
        )
        for control, estimate in sorted(
            zip(controls, estimates, strict=True),
            key=lambda pair: (not pair[0].odd, pair[0].site_id),
        )
    ]
    return tuple(rows), scale


def meaningful_gain(manifest: Mapping[str, Any]) -> dict[str, float]:
    """The gain that matters by unit, where the specification names it."""
    content = _specification(manifest)[0]
    value = content.get("meaningful_gain")
    if isinstance(value, bool) or not isinstance(value, int | float):
        return {}
    return {"ndvi" if content.get("outcome") == "dry-season greenness" else "points": float(value)}


def _specification(manifest: Mapping[str, Any]) -> tuple[Mapping[str, Any], str]:
    """The rule's settings, and its digest."""
    whole = manifest.get("specification")
    whole = whole if isinstance(whole, Mapping) else {}
    content = whole.get("content")
    content = dict(content) if isinstance(content, Mapping) else {}
    digest = content.pop("digest", whole.get("sha256", ""))
    return content, shortened(plain(str(digest)), 80)


def lay_record(folder: Folder, sentences: Sentences, texts: Texts) -> Record:
    """What the manifest and the series say of where the figures come from."""
    manifest = folder.manifest
    content, digest = _specification(manifest)
    reasons = Counter(
        plain(str(entry.get("reason", ""))) for entry in _entries(manifest, "scenes_refused")
    )
    looks = ""
    sensors: tuple[str, ...] = ()
    if folder.looks and folder.looks.first and folder.looks.last:
        looks = texts(
            "record.looks",
            rows=texts.number(folder.looks.rows),
            dates=texts.number(folder.looks.dates),
            first=texts.date(folder.looks.first),
            last=texts.date(folder.looks.last),
        )
        sensors = tuple(
            texts("record.sensor", sensor=shortened(sensor), n=texts.number(count))
            for sensor, count in folder.looks.by_sensor.items()
        )
    versions = manifest.get("versions")
    return Record(
        settings=tuple(_settings(content, texts)),
        digest=digest,
        used=sum(1 for _ in _entries(manifest, "scenes_used")),
        refused=tuple(
            (_refusal(reason, texts), texts.number(count))
            for reason, count in sorted(reasons.items(), key=lambda pair: (-pair[1], pair[0]))
        ),
        refused_count=sum(reasons.values()),
        unreadable=sum(int(e.get("reads", 1)) for e in _entries(manifest, "unreadable_reads")),
        left_out=len(_counts(manifest).get("scenes_left_out", ())),
        leftover=_leftover(_counts(manifest), texts),
        rain_cautions=tuple(_rain_cautions(manifest, sentences)),
        looks=looks,
        sensors=sensors,
        files=tuple(name for name in _FILES if name in folder.stands_beside),
        version=shortened(str(versions.get("afterrains", "")) if versions else "", 40),
    )


def _rain_cautions(manifest: Mapping[str, Any], sentences: Sentences) -> Iterator[Said]:
    """What the rain record is not good for, as the manifest tells it."""
    found: Any = manifest
    for key in ("seasons", "rain", "cautions"):
        found = found.get(key) if isinstance(found, Mapping) else None
    for caution in found if isinstance(found, list) else ():
        if said := sentences.say(plain(str(caution))):
            yield said


def _refusal(reason: str, texts: Texts) -> str:
    """Why a scene was refused, in words; the table's own word where it has none here."""
    key = f"refusal.{reason}"
    return texts(key) if key in texts else shortened(reason, _LONGEST_VALUE)


def _entries(manifest: Mapping[str, Any], key: str) -> Iterator[Mapping[str, Any]]:
    entries = manifest.get(key, ())
    if isinstance(entries, list):
        yield from (entry for entry in entries if isinstance(entry, Mapping))


def _counts(manifest: Mapping[str, Any]) -> Mapping[str, Any]:
    """What became of the looks; empty where the manifest says nothing of it."""
    counts = manifest.get("looks")
    return counts if isinstance(counts, Mapping) else {}


def _leftover(counts: Mapping[str, Any], texts: Texts) -> str:
    """How much clear ground was taken out as haze or shadow; "" where none was."""
    pixels = counts.get("pixels", {})
    taken = float(pixels.get("leftover", 0.0))
    share = 100 * taken / (taken + float(pixels.get("clear", 0.0))) if taken else 0.0
    return texts("record.leftover", share=texts.number(share, 2)) if taken else ""


def _settings(content: Any, texts: Texts, prefix: str = "") -> Iterator[tuple[str, str]]:
    """Nested settings as dotted names and values, in the order given."""
    if isinstance(content, Mapping):
        for key, value in content.items():
            name = f"{prefix}.{key}" if prefix else str(key)
            yield from _settings(value, texts, name)
    elif isinstance(content, list):
        yield prefix, shortened(", ".join(plain(str(each)) for each in content), _LONGEST_VALUE)
    else:
        value = texts("no_value") if content is None else plain(str(content))
        yield plain(prefix), shortened(value, _LONGEST_VALUE)
