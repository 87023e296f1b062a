"""Order and names of seasons, as people say them."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from afterrains.delivery.page.texts import Texts

__all__ = ["Season", "SeasonNames"]

_ID = re.compile(r"(?P<year>[0-9]{4})-(?P<name>.+)")
_ID_IN_TEXT = re.compile(r"\b[0-9]{4}-(?:dry|rains)(?:-[0-9]+)?\b")
_NUMBERED = re.compile(r"(?P<name>dry|rains)-(?P<number>[0-9]+)")


@dataclass(frozen=True)
class Season:
    """A season of the calendar; `end` is inclusive."""

    season: str
    kind: str
    start: date
    end: date

    @property
    def middle(self) -> date:
        """The day half-way through."""
        return self.start + timedelta(days=(self.end - self.start).days // 2)


class SeasonNames:
    """Names and order of a programme's seasons, also of those still to come.

    Parameters
    ----------
    calendar : mapping from season id to Season
        The seasons that the tables know.
    texts : Texts
        The catalogue.
    """

    def __init__(self, calendar: Mapping[str, Season], texts: Texts) -> None:
        self._calendar = calendar
        self._texts = texts
        # A season runs over New Year if a namesake did: the newest may be cut short by the record,
        # and others are still to come.
        self._crosses = {
            season.season.split("-", 1)[-1]
            for season in calendar.values()
            if season.end.year > season.start.year
        }

    def order(self, season: str) -> tuple[str, str]:
        """Key that sorts season ids by time; ids that are not in the calendar by their year."""
        known = self._calendar.get(season)
        return (known.start.isoformat() if known else season, season)

    def label(self, season: str) -> str:
        """E.g. "2024/25 dry season"; the id itself where it is not one."""
        found = _ID.fullmatch(season)
        if not found:
            return season
        name, years = found["name"], self.years(season)
        numbered = _NUMBERED.fullmatch(name)
        if numbered:
            key = f"season.{numbered['name']}_numbered"
            return self._texts(key, years=years, number=numbered["number"])
        if name in ("dry", "rains"):
            return self._texts(f"season.{name}", years=years)
        return self._texts("season.named", years=years, name=name.replace("-", " "))

    def in_words(self, text: str) -> str:
        """`text` with the season ids in it said as people say them."""
        return _ID_IN_TEXT.sub(self._within, text)

    def _within(self, found: re.Match[str]) -> str:
        return self._texts("season.within", season=self.label(found[0]))

    def years(self, season: str) -> str:
        """The year, or "2024/25" for a season that runs over New Year."""
        found = _ID.fullmatch(season)
        if not found:
            return season
        year = int(found["year"])
        return f"{year}/{(year + 1) % 100:02d}" if found["name"] in self._crosses else str(year)
