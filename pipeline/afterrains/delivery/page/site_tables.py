"""The tables that the page is made of, as the rows of `rows`."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

from afterrains.delivery.page.records import Row, by_site, each_if_there, rows_of
from afterrains.delivery.page.rows import Control, Judged, Matched, Reading, SiteSeason, Sowing
from afterrains.delivery.page.seasons import Season
from afterrains.delivery.table_files import table_of_file
from afterrains.delivery.tables import BALANCE, CONTROLS, SOWING_RAIN, VERDICT_HISTORY
from afterrains.delivery.tables import VERDICTS as VERDICTS_TABLE

__all__ = [
    "read_balance",
    "read_controls",
    "read_history",
    "read_seasons",
    "read_sowings",
    "read_verdicts",
]

_UNREAD = Reading(None, None, None, None)


def read_verdicts(path: Path) -> tuple[Judged, ...]:
    """The newest judgement of each site, by site id."""
    rows = (row.into(Judged) for row in rows_of(VERDICTS_TABLE, path))
    return tuple(sorted(rows, key=lambda judged: judged.site_id))


def read_history(
    path: Path, calendar: Mapping[str, Season], verdicts: Iterable[Judged]
) -> dict[str, tuple[Judged, ...]]:
    """Each site's judgements, oldest first; the newest are those of `verdicts`, not held twice."""
    newest = {judged.site_id: judged for judged in verdicts}

    def order(judged: Judged) -> str:
        known = calendar.get(judged.as_of)
        return known.start.isoformat() if known else judged.as_of

    def held_once(judged: Judged) -> Judged:
        known = newest.get(judged.site_id)
        return known if known == judged else judged

    rows = (held_once(row.into(Judged)) for row in rows_of(VERDICT_HISTORY, path))
    return by_site(rows, lambda judged: judged.site_id, order)


def read_controls(path: Path) -> tuple[Control, ...] | None:
    """The controls; None where the table is not there."""
    return each_if_there(CONTROLS, path, Control)


def read_balance(path: Path) -> dict[str, tuple[Matched, ...]] | None:
    """What each site and its controls looked like before; None where the table is not there."""
    rows = each_if_there(BALANCE, path, Matched)
    return None if rows is None else by_site(rows, lambda row: row.site_id, lambda _: 0)


def _cover(row: Row) -> Reading:
    """Woody cover of a season; nothing where there is none, for what is judged is then NDVI."""
    if row.real("woody_percent") is None:
        return _UNREAD
    return Reading(
        row.real("judged_value"),
        row.real("woody_low"),
        row.real("woody_high"),
        row.real("control_judged_value"),
    )


def read_sowings(path: Path) -> dict[str, tuple[Sowing, ...]] | None:
    """Each site's sowings, oldest first; None where the table is not there."""
    rows = each_if_there(SOWING_RAIN, path, Sowing)
    if rows is None:
        return None
    return by_site(rows, lambda sowing: sowing.site_id, lambda sowing: sowing.sown_on)


def read_seasons(path: Path) -> tuple[dict[str, tuple[SiteSeason, ...]], dict[str, Season]]:
    """Each site's seasons, oldest first, and the calendar that they make."""
    calendar: dict[str, Season] = {}
    pairs: list[tuple[str, SiteSeason]] = []
    for row in rows_of(table_of_file("seasons", path / "seasons.csv"), path):
        season = Season(
            row.text("season"), row.text("kind"), row.sure_day("start"), row.sure_day("end")
        )
        known = calendar.setdefault(season.season, season)
        site_season = SiteSeason(
            season=known if known == season else season,  # not held once for each site
            rain_mm=row.real("rain_mm"),
            spi=row.real("spi"),
            clear_dates=row.whole("clear_dates"),
            ndvi=Reading(
                row.real("judged_value"),
                row.real("ndvi_low"),
                row.real("ndvi_high"),
                row.real("control_judged_value"),
            ),
            woody=_cover(row),
        )
        pairs.append((row.text("site_id"), site_season))
    grouped = by_site(pairs, lambda pair: pair[0], lambda pair: pair[1].season.start)
    by_start = dict(sorted(calendar.items(), key=lambda item: (item[1].start, item[0])))
    return {site: tuple(row for _, row in rows) for site, rows in grouped.items()}, by_start
