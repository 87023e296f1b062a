"""Sites and groups side by side: what the comparison draws, and the table that stands without it.

A group's line is the middle of its sites, its whiskers the middle half of them: the spread between
sites, no interval of anything.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from afterrains.delivery.page.facts import gain_text, money_text
from afterrains.delivery.page.first_screen import step_label
from afterrains.delivery.page.folder import Folder
from afterrains.delivery.page.gain_bars import GainScale
from afterrains.delivery.page.group_table import GroupRow, GroupTable, cost_per_ha, group_unit
from afterrains.delivery.page.rows import Judged, Reading, SiteSeason
from afterrains.delivery.page.seasons import Season, SeasonNames
from afterrains.delivery.page.sites import SiteRef
from afterrains.delivery.page.texts import Texts
from afterrains.delivery.page.ways import Group, find_groups

__all__ = ["Comparison", "lay_comparison"]

_DECIMALS = {"ndvi": 4, "points": 1}
_OPEN_DAYS = 20
Series = list[float | None]


@dataclass(frozen=True)
class Comparison:
    """The table of groups, and all that the script draws from, as plain JSON values."""

    rows: tuple[GroupRow, ...]
    scale: GainScale | None
    data: Mapping[str, Any]


def lay_comparison(
    folder: Folder,
    refs: Mapping[str, SiteRef],
    meaningful: Mapping[str, float],
    currency: str,
    names: SeasonNames,
    texts: Texts,
) -> Comparison:
    """Everything that is compared; `meaningful` holds the gain that matters, by unit."""
    groups = find_groups(folder)
    desk = _Desk(folder, refs, currency, names, texts)
    units = {judged.gain_unit for judged in folder.verdicts if judged.gain is not None}
    table = GroupTable(folder, currency, texts)
    spreads = [table.spread(group) for group in groups]
    scale = GainScale(spreads, meaningful.get(next(iter(units)))) if len(units) == 1 else None
    rows = [
        table.row(group, at == 0 or groups[at - 1].factor != group.factor, spread, scale)
        for at, (group, spread) in enumerate(zip(groups, spreads, strict=True))
    ]
    return Comparison(
        tuple(rows),
        scale,
        {
            "seasons": [desk.days(season) for season in folder.calendar.values()],
            "from": desk.first - _OPEN_DAYS,
            "to": desk.last + _OPEN_DAYS,
            "years": desk.years(),
            "matters": dict(meaningful),
            "words": _words(texts),
            "sites": {refs[judged.site_id].anchor: desk.site(judged) for judged in folder.verdicts},
            "groups": {
                row.key: desk.group(group, row) for group, row in zip(groups, rows, strict=True)
            },
        },
    )


def _words(texts: Texts) -> dict[str, str]:
    keys = ("outcome.ndvi", "outcome.points", "gain.ndvi", "gain.points", "rain", "sown", "control")
    words = {key: texts(f"chart.{key}") for key in keys}
    own = (
        "add",
        "remove",
        "sites",
        "spread",
        "units",
        "full",
        "added",
        "removed",
        "nothing",
        "key",
    )
    words |= {key: texts(f"compare.{key}") for key in (*own, "of_site", "short", "key")}
    return {**words, "decimal": texts("writing.decimal")}


class _Desk:
    """Lays sites and groups on the same seasons."""

    def __init__(
        self,
        folder: Folder,
        refs: Mapping[str, SiteRef],
        currency: str,
        names: SeasonNames,
        texts: Texts,
    ) -> None:
        self._folder, self._refs, self._names, self._texts = folder, refs, names, texts
        self._currency = currency
        self._order = list(folder.calendar)
        calendar = list(folder.calendar.values())
        self.first = min((season.start.toordinal() for season in calendar), default=1)
        self.last = max((season.end.toordinal() for season in calendar), default=2)

    def days(self, season: Season) -> list[int]:
        """First and last day of a season, and 1 for rains."""
        return [season.start.toordinal(), season.end.toordinal(), int(season.kind == "rains")]

    def years(self) -> list[list[Any]]:
        """Days on which years begin, with the year."""
        first, last = date.fromordinal(self.first), date.fromordinal(self.last)
        years = range(first.year + 1, last.year + 1)
        return [[date(year, 1, 1).toordinal(), str(year)] for year in years]

    # --- sites ---

    def site(self, judged: Judged) -> dict[str, Any]:
        """A site's series and facts."""
        texts, ref, unit = self._texts, self._refs[judged.site_id], judged.gain_unit or "ndvi"
        rows = self._rows(judged)
        judged_then = {row.as_of: row for row in self._folder.history.get(judged.site_id, ())}
        decimals = _DECIMALS[unit]
        gains = [judged_then.get(season) for season in self._order]
        gains = [row if row and row.gain_unit == unit else None for row in gains]
        sowings = (self._folder.sowings or {}).get(judged.site_id, ())
        return {
            "label": ref.hover,
            "n": ref.number,
            "verdict": judged.verdict,
            "unit": unit,
            "sown": _rounded((r and _dry(r, unit).value for r in rows), decimals),
            "control": _rounded((r and _dry(r, unit).control for r in rows), decimals),
            "gain": _rounded((g and g.gain for g in gains), decimals),
            "low": _rounded((g and g.gain_low for g in gains), decimals),
            "high": _rounded((g and g.gain_high for g in gains), decimals),
            "rain": _rounded((r and _rain(r) for r in rows), 0),
            "days": sorted({each.sown_on.toordinal() for each in sowings})
            or ([judged.first_sown_on.toordinal()] if judged.first_sown_on else []),
            "facts": [
                [texts("sites.verdict"), texts(f"verdict.{judged.verdict}")],
                [texts("compare.gain_now"), self._interval(judged, unit)],
                [texts("compare.reach"), gain_text(judged.detectable_gain, unit, texts)],
                [texts("compare.area"), self._hectares(judged.area_ha)],
                [texts("facts.cost"), money_text(judged.cost, self._currency, texts)],
                [texts("compare.cost_per_ha"), cost_per_ha([judged], self._currency, texts)],
                [texts("sites.next"), step_label(ref, self._names, texts)],
            ],
        }

    def _rows(self, judged: Judged) -> list[SiteSeason | None]:
        """The site's seasons up to the judged one, on the order of all seasons."""
        known = {row.season.season: row for row in self._folder.seasons.get(judged.site_id, ())}
        until = self._folder.calendar.get(judged.as_of)
        return [
            known.get(name)
            if until is None
            or self._folder.calendar[name].kind == "rains"
            or self._folder.calendar[name].start <= until.start
            else None
            for name in self._order
        ]

    # --- groups ---

    def group(self, group: Group, row: GroupRow) -> dict[str, Any]:
        """A group's middle and middle half, on the same seasons as the sites."""
        texts, unit = self._texts, group_unit(group)
        sites = [each for each in group.sites if (each.gain_unit or unit) == unit]
        decimals = _DECIMALS[unit]
        rows = [self._rows(each) for each in sites]
        then = [
            {past.as_of: past for past in self._folder.history.get(each.site_id, ())}
            for each in sites
        ]
        gains = [
            [p[s].gain for p in then if s in p and p[s].gain_unit == unit] for s in self._order
        ]
        counts = ", ".join(
            texts("compare.count", n=n, verdict=texts(f"verdict.{verdict}").lower())
            for verdict, n in row.counts
        )
        return {
            "label": row.label,
            "factor": row.factor,
            "verdict": row.verdict,
            "unit": unit,
            "sown": self._across(rows, lambda r: _dry(r, unit).value, 0.5, decimals),
            "control": self._across(rows, lambda r: _dry(r, unit).control, 0.5, decimals),
            "gain": _rounded((_quantile(each, 0.5) for each in gains), decimals),
            "low": _rounded((_quantile(each, 0.25) for each in gains), decimals),
            "high": _rounded((_quantile(each, 0.75) for each in gains), decimals),
            "rain": self._across(rows, _rain, 0.5, 0),
            "days": [],
            "facts": [
                [
                    texts("compare.sites"),
                    texts.count("compare.of_sites", len(group.sites), ha=row.area),
                ],
                [texts("sites.verdict"), counts],
                [texts("compare.middle"), row.words if row.gain != texts("no_value") else row.gain],
                [texts("compare.pooled"), row.pooled or texts("no_value")],
                [texts("compare.cost_per_ha"), row.cost_per_ha],
            ],
        }

    def _across(
        self, rows: Sequence[Sequence[SiteSeason | None]], value: Any, share: float, decimals: int
    ) -> Series:
        seasons = zip(*rows, strict=True)
        return _rounded(
            (_quantile([value(row) for row in season if row], share) for season in seasons),
            decimals,
        )

    # --- figures ---

    def _interval(self, judged: Judged, unit: str) -> str:
        if judged.gain is None:
            return self._texts("sites.no_gain")
        return self._texts(
            "compare.interval",
            gain=gain_text(judged.gain, unit, self._texts),
            low=gain_text(judged.gain_low, unit, self._texts),
            high=gain_text(judged.gain_high, unit, self._texts),
        )

    def _hectares(self, area: float | None) -> str:
        if area is None:
            return self._texts("no_value")
        return self._texts("facts.area_value", area=self._texts.number(area, 1))


def _dry(row: SiteSeason, unit: str) -> Reading:
    """What is judged: nothing in the rains."""
    dry = row.season.kind == "dry"
    return row.reading(unit) if dry else Reading(None, None, None, None)


def _rain(row: SiteSeason) -> float | None:
    return row.rain_mm if row.season.kind == "rains" else None


def _quantile(values: Sequence[float | None], share: float) -> float | None:
    known = [value for value in values if value is not None]
    return float(np.quantile(known, share)) if known else None


def _rounded(values: Iterable[Any], decimals: int) -> Series:
    return [None if value is None else round(float(value), decimals) for value in values]
