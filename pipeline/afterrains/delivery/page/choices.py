"""Where to sow again, and what the ways of sowing brought and cost."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from afterrains.delivery.page.facts import gain_text, money_text
from afterrains.delivery.page.folder import Folder
from afterrains.delivery.page.gain_bars import Estimate, GainBar, GainScale
from afterrains.delivery.page.rows import Choice, Cost, Way
from afterrains.delivery.page.sentences import Said, Sentences
from afterrains.delivery.page.sites import SiteRef
from afterrains.delivery.page.texts import Texts, shortened
from afterrains.delivery.page.ways import level_words

__all__ = ["AgainRow", "WayRow", "lay_again", "lay_ways"]


@dataclass(frozen=True)
class AgainRow:
    """A site to sow again."""

    rank: str
    ref: SiteRef
    why: Said
    gain: str
    gain_if_good: str
    interval: str
    chance: str
    cost: str
    area: str
    """The ground that the cost is for; "" where that is not known."""


@dataclass(frozen=True)
class WayRow:
    """A way of sowing: its pooled gain, and its cost."""

    factor: str
    first_of_factor: bool
    label: str
    sites: str
    gained: str
    bar: GainBar | None
    gain: str
    interval: str
    spread: str
    per_ha: str
    per_gained_ha: str
    per_gained_ha_interval: str
    per_point: str
    """Cost of a point of woody cover on a hectare; "" where that is not known."""


def lay_again(
    folder: Folder,
    refs: Mapping[str, SiteRef],
    sentences: Sentences,
    currency: str,
    texts: Texts,
) -> tuple[AgainRow, ...] | None:
    """The sites to sow again, the best first; None where sow_again.csv is not there."""
    if folder.choices is None:
        return None
    ranked = [each for each in folder.choices.values() if each.rank is not None]
    ranked = [each for each in ranked if each.site_id in refs]
    ranked.sort(key=lambda each: (each.rank or 0, each.site_id))
    areas = {judged.site_id: judged.area_ha for judged in folder.verdicts}
    return tuple(
        _again(each, areas.get(each.site_id), refs, sentences, currency, texts) for each in ranked
    )


def _again(
    choice: Choice,
    area_ha: float | None,
    refs: Mapping[str, SiteRef],
    sentences: Sentences,
    currency: str,
    texts: Texts,
) -> AgainRow:
    chance = choice.chance_percent
    return AgainRow(
        rank=texts.number(choice.rank or 0),
        ref=refs[choice.site_id],
        why=sentences.say(choice.reason),
        gain=gain_text(choice.expected_gain, choice.unit, texts),
        gain_if_good=gain_text(choice.expected_if_good, choice.unit, texts),
        interval=_interval(choice.expected_low, choice.expected_high, choice.unit, texts),
        chance=texts("no_value")
        if chance is None
        else texts("choices.percent", value=texts.number(chance)),
        cost=money_text(choice.expected_cost, currency, texts),
        area="" if area_ha is None else texts("choices.for_area", area=texts.number(area_ha, 1)),
    )


def lay_ways(
    folder: Folder, currency: str, texts: Texts
) -> tuple[tuple[WayRow, ...], GainScale | None, int]:
    """Ways of sowing with their pooled gains, beside their costs, and the gains' common scale.

    Ways of a single site tell of that site, not of the way: they are only counted.
    """
    ways = {(each.factor, each.level): each for each in folder.ways or ()}
    costs = {(each.factor, each.level): each for each in folder.costs or ()}
    units = {each.unit for each in ways.values()}
    keys = list(dict.fromkeys([*ways, *costs]))
    single = [key for key in keys if _sites(key, ways, costs) < 2]
    keys = [key for key in keys if key not in single]
    order = list(dict.fromkeys(factor for factor, _ in keys))
    keys.sort(key=lambda key: order.index(key[0]))
    scale = None
    # Points and NDVI have no common scale.
    if ways and len(units) == 1 and len(ways) == len(folder.ways or ()):
        shown = [ways[key] for key in keys if key in ways]
        scale = GainScale(Estimate(each.gain, each.low, each.high) for each in shown)
    rows = [
        _way(key, at == 0 or keys[at - 1][0] != key[0], ways, costs, scale, currency, texts)
        for at, key in enumerate(keys)
    ]
    return tuple(rows), scale, len(single)


def _sites(
    key: tuple[str, str],
    ways: Mapping[tuple[str, str], Way],
    costs: Mapping[tuple[str, str], Cost],
) -> int:
    return max((found[key].sites for found in (ways, costs) if key in found), default=0)


def _way(
    key: tuple[str, str],
    first: bool,
    ways: Mapping[tuple[str, str], Way],
    costs: Mapping[tuple[str, str], Cost],
    scale: GainScale | None,
    currency: str,
    texts: Texts,
) -> WayRow:
    factor, level = key
    way, cost = ways.get(key), costs.get(key)
    none = texts("no_value")
    name = f"compare.factor.{factor}"
    per_gained = cost.per_gained_ha if cost else way.cost_per_gained_ha if way else None
    gained = cost.gained_sites if cost else way.gained if way else None
    spread = way.heterogeneity if way else None
    return WayRow(
        factor=texts(name) if name in texts else shortened(factor),
        first_of_factor=first,
        label=level_words(factor, level, texts),
        sites=texts.number(cost.sites if cost else way.sites if way else 0),
        gained=none if gained is None else texts.number(gained),
        bar=scale.draw(Estimate(way.gain, way.low, way.high)) if way and scale else None,
        gain=gain_text(way.gain, way.unit, texts) if way else none,
        interval=_interval(way.low, way.high, way.unit, texts) if way else "",
        spread=none if spread is None else texts("choices.percent", value=texts.number(spread)),
        per_ha=money_text(cost.cost_per_sown_ha if cost else None, currency, texts),
        per_gained_ha=money_text(per_gained, currency, texts),
        per_gained_ha_interval=""
        if cost is None
        else _range(cost.per_gained_ha_low, cost.per_gained_ha_high, texts),
        per_point=_per_point(cost, currency, texts),
    )


def _interval(low: float | None, high: float | None, unit: str, texts: Texts) -> str:
    if low is None or high is None:
        return ""
    return texts(
        "unit.interval", low=gain_text(low, unit, texts), high=gain_text(high, unit, texts)
    )


def _per_point(cost: Cost | None, currency: str, texts: Texts) -> str:
    """What a point more of woody cover on a hectare cost, with its interval."""
    if cost is None or cost.per_point_ha is None:
        return ""
    told = texts("choices.per_point", cost=money_text(cost.per_point_ha, currency, texts))
    interval = _range(cost.per_point_ha_low, cost.per_point_ha_high, texts)
    return f"{told} ({interval})" if interval else told


def _range(low: float | None, high: float | None, texts: Texts) -> str:
    """An interval of money; open above where no upper bound can be given."""
    if low is None:
        return ""
    if high is None:
        return texts("choices.at_least", low=texts.number(low))
    return texts("unit.interval", low=texts.number(low), high=texts.number(high))
