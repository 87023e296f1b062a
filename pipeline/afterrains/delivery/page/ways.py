"""How each site was sown, in one word a factor: what sites are grouped by beside their verdict."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from afterrains.delivery.page.folder import Folder
from afterrains.delivery.page.next_step import VERDICTS
from afterrains.delivery.page.rows import Judged, Sowing
from afterrains.delivery.page.texts import Texts, shortened

__all__ = ["FACTORS", "Group", "find_groups", "level_words"]

FACTORS = ("verdict", "stratum", "method", "species", "start")
"""What sites are grouped by; `start` is the rain after sowing."""
_MOST_LEVELS = 40  # of a factor: past this it names sites rather than groups them


@dataclass(frozen=True)
class Group:
    """Sites that are alike in one factor; `level` is its word in the tables."""

    factor: str
    level: str
    sites: tuple[Judged, ...]


def find_groups(folder: Folder) -> tuple[Group, ...]:
    """Groups by factor, in the order of `FACTORS`; a factor with one level groups nothing."""
    groups: list[Group] = []
    for factor in FACTORS:
        levels: dict[str, list[Judged]] = {}
        for judged in folder.verdicts:
            level = _level(factor, judged, folder)
            if level:
                levels.setdefault(level, []).append(judged)
        if 1 < len(levels) <= _MOST_LEVELS:
            order = list(VERDICTS) if factor == "verdict" else sorted(levels)
            groups += [
                Group(factor, level, tuple(levels[level])) for level in order if level in levels
            ]
    return tuple(groups)


def _level(factor: str, judged: Judged, folder: Folder) -> str:
    if factor == "verdict":
        return judged.verdict
    if factor == "stratum":
        return judged.stratum
    season = folder.calendar.get(judged.as_of)
    sowings = (folder.sowings or {}).get(judged.site_id, ())
    counted = [each for each in sowings if season is None or each.sown_on <= season.start]
    # A site not judged yet stands with the way it was sown, as in what_works.csv and costs.csv.
    return _joined(counted or sowings, factor)


def _joined(sowings: Sequence[Sowing], factor: str) -> str:
    """The words of the sowings as what_works.csv joins them; "" where one is not known.

    Different words of one day stand with `+` between them, those of later days with `then`.
    """
    days: dict[date, list[str]] = {}
    for sowing in sowings:
        days.setdefault(sowing.sown_on, []).append(" ".join(getattr(sowing, factor).split()))
    words: Mapping[str, None] = dict.fromkeys(
        " + ".join(sorted(set(day))) if all(day) else "" for day in days.values()
    )
    return "" if "" in words else " then ".join(words)


def level_words(factor: str, level: str, texts: Texts) -> str:
    """A level in the page's words: ways that were joined, part by part."""

    def said(part: str) -> str:
        key = f"compare.level.{factor}.{part}"
        # Species stand in one cell, joined by semicolons: room to break a line after each.
        return texts(key) if key in texts else "; ".join(each.strip() for each in part.split(";"))

    days = [" + ".join(said(each) for each in day.split(" + ")) for day in level.split(" then ")]
    return shortened(f" {texts('compare.then')} ".join(days))
