"""The table of groups side by side, which stands without the script too.

A group's bar is the middle half of its sites: the spread between sites, no interval of anything.
An interval is given only where what_works.csv pools the very same group.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from statistics import median

import numpy as np

from afterrains.delivery.page.facts import gain_text, money_text
from afterrains.delivery.page.folder import Folder
from afterrains.delivery.page.gain_bars import Estimate, GainBar, GainScale
from afterrains.delivery.page.next_step import VERDICTS, Verdict
from afterrains.delivery.page.rows import Judged
from afterrains.delivery.page.texts import Texts
from afterrains.delivery.page.ways import Group, level_words

__all__ = ["GroupRow", "GroupTable", "cost_per_ha", "group_unit"]


@dataclass(frozen=True)
class GroupRow:
    """A group as the table shows it."""

    key: str
    factor: str
    first_of_factor: bool
    label: str
    verdict: Verdict | None
    sites: str
    area: str
    counts: tuple[tuple[Verdict, str], ...]
    bar: GainBar | None
    gain: str
    words: str
    pooled: str
    cost_per_ha: str


class GroupTable:
    """Lays groups out as rows of one table."""

    def __init__(self, folder: Folder, currency: str, texts: Texts) -> None:
        self._currency, self._texts = currency, texts
        self._ways = {(way.factor, way.level): way for way in folder.ways or ()}

    def spread(self, group: Group) -> Estimate:
        """The middle of the sites' gains, and their middle half."""
        gains = [each.gain for each in group.sites if each.gain is not None]
        if not gains:
            return Estimate(None, None, None)
        low, high = (float(q) for q in np.quantile(gains, [0.25, 0.75]))
        return Estimate(median(gains), low, high)

    def row(self, group: Group, first: bool, spread: Estimate, scale: GainScale | None) -> GroupRow:
        """The group as the table shows it."""
        texts, unit = self._texts, group_unit(group)
        counts = [(v, sum(each.verdict == v for each in group.sites)) for v in VERDICTS]
        mixed = len({each.gain_unit for each in group.sites if each.gain is not None}) > 1
        digest = hashlib.sha256(f"{group.factor}\0{group.level}".encode()).hexdigest()[:8]
        return GroupRow(
            key=f"{group.factor}-{digest}",
            factor=texts(f"compare.factor.{group.factor}"),
            first_of_factor=first,
            label=self._label(group),
            verdict=group.sites[0].verdict if group.factor == "verdict" else None,
            sites=texts.number(len(group.sites)),
            area=texts.number(sum(each.area_ha or 0.0 for each in group.sites)),
            counts=tuple((verdict, texts.number(n)) for verdict, n in counts if n),
            bar=scale.draw(spread) if scale and not mixed else None,
            gain=texts("no_value") if mixed else gain_text(spread.gain, unit, texts),
            words=texts(
                "compare.describe",
                gain=gain_text(spread.gain, unit, texts),
                low=gain_text(spread.low, unit, texts),
                high=gain_text(spread.high, unit, texts),
            ),
            pooled=self._pooled(group),
            cost_per_ha=cost_per_ha(group.sites, self._currency, self._texts),
        )

    def _label(self, group: Group) -> str:
        if group.factor == "verdict":
            return self._texts(f"verdict.{group.level}")
        return level_words(group.factor, group.level, self._texts)

    def _pooled(self, group: Group) -> str:
        way = self._ways.get((group.factor, group.level))
        if way is None or way.gain is None:
            return ""
        return self._texts.count(
            "compare.pooled_value",
            way.sites,
            gain=gain_text(way.gain, way.unit, self._texts),
            low=gain_text(way.low, way.unit, self._texts),
            high=gain_text(way.high, way.unit, self._texts),
        )


def group_unit(group: Group) -> str:
    """The unit that most of its gains are in; of a group without one, that of its sites."""
    known = [each for each in group.sites if each.gain is not None] or group.sites
    units = [each.gain_unit for each in known if each.gain_unit]
    return max(sorted(set(units)), key=units.count, default="ndvi")


def cost_per_ha(sites: Iterable[Judged], currency: str, texts: Texts) -> str:
    """Cost by hectare sown, where every cost and area is known."""
    known = list(sites)
    costs = [each.cost for each in known if each.cost is not None and each.area_ha]
    area = sum(each.area_ha or 0.0 for each in known)
    if len(costs) < len(known) or not area:
        return texts("no_value")
    return money_text(sum(costs) / area, currency, texts)
