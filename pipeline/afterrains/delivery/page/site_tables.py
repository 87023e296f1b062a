"""The tables that the page is made of, as the rows of `rows`."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

from afterrains.delivery.page.records import Row, by_site, rows_if_there, rows_of
from afterrains.delivery.page.rows import Control, Judged, Reading, SiteSeason, Sowing
from afterrains.delivery.page.seasons import Season
from afterrains.delivery.table_files import table_of_file
from afterrains.delivery.tables import CONTROLS, SOWING_RAIN, VERDICT_HISTORY
from afterrains.delivery.tables import VERDICTS as VERDICTS_TABLE

__all__ = [
    "read_controls",
    "read_history",
    "read_seasons",
    "read_sowings",
    "read_verdicts",
]


def read_verdicts(path: Path) -> tuple[Judged, ...]:
    """The newest judgement of each site, by site id."""
    rows = (_judged(row) for row in rows_of(VERDICTS_TABLE, path))
    return tuple(sorted(rows, key=lambda judged: judged.site_id))


def read_history(path: Path, calendar: Mapping[str, Season]) -> dict[str, tuple[Judged, ...]]:
    """Each site's judgements, oldest first."""

    def order(judged: Judged) -> str:
        known = calendar.get(judged.as_of)
        return known.start.isoformat() if known else judged.as_of

    rows = (_judged(row) for row in rows_of(VERDICT_HISTORY, path))
    return by_site(rows, lambda judged: judged.site_id, order)


def read_controls(path: Path) -> tuple[Control, ...] | None:
    """The controls; None where the table is not there."""
    rows = rows_if_there(CONTROLS, path)
    return None if rows is None else tuple(_control(row) for row in rows)


def read_sowings(path: Path) -> dict[str, tuple[Sowing, ...]] | None:
    """Each site's sowings, oldest first; None where the table is not there."""
    rows = rows_if_there(SOWING_RAIN, path)
    return None if rows is None else _sowings(rows)


def read_seasons(path: Path) -> tuple[dict[str, tuple[SiteSeason, ...]], dict[str, Season]]:
    """Each site's seasons, oldest first, and the calendar that they make."""
    calendar: dict[str, Season] = {}
    pairs: list[tuple[str, SiteSeason]] = []
    for row in rows_of(table_of_file("seasons", path / "seasons.csv"), path):
        season = Season(
            row.text("season"), row.text("kind"), row.sure_day("start"), row.sure_day("end")
        )
        calendar.setdefault(season.season, season)
        site_season = SiteSeason(
            season=season,
            rain_mm=row.real("rain_mm"),
            spi=row.real("spi"),
            clear_dates=row.whole("clear_dates"),
            ndvi=Reading(
                row.real("judged_value"),
                row.real("ndvi_low"),
                row.real("ndvi_high"),
                row.real("control_judged_value"),
            ),
            woody=Reading(
                row.real("judged_value"),
                row.real("woody_low"),
                row.real("woody_high"),
                row.real("control_judged_value"),
            ),
        )
        pairs.append((row.text("site_id"), site_season))
    grouped = by_site(pairs, lambda pair: pair[0], lambda pair: pair[1].season.start)
    by_start = dict(sorted(calendar.items(), key=lambda item: (item[1].start, item[0])))
    return {site: tuple(row for _, row in rows) for site, rows in grouped.items()}, by_start


def _judged(row: Row) -> Judged:
    return Judged(
        site_id=row.text("site_id"),
        name=row.text("name"),
        stratum=row.text("stratum"),
        as_of=row.text("as_of"),
        first_sown_on=row.day("first_sown_on"),
        seasons_since_sowing=row.whole("seasons_since_sowing"),
        area_ha=row.real("area_ha"),
        verdict=row.verdict(),
        reason=row.text("reason"),
        outcome=row.text("outcome"),
        gain=row.real("gain"),
        gain_low=row.real("gain_low"),
        gain_high=row.real("gain_high"),
        gain_unit=row.text("gain_unit"),
        p_value=row.real("p_value"),
        q_value=row.real("q_value"),
        detectable_gain=row.real("detectable_gain"),
        answer_by=row.text("answer_by"),
        grass_gain=row.real("grass_gain"),
        grass_gain_low=row.real("grass_gain_low"),
        grass_gain_high=row.real("grass_gain_high"),
        controls=row.whole("controls"),
        match_balance=row.real("match_balance"),
        before_trend_p=row.real("before_trend_p"),
        clear_dates=row.whole("clear_dates"),
        rains_anomaly=row.real("rains_anomaly"),
        cost=row.real("cost"),
        cost_per_gained_ha=row.real("cost_per_gained_ha"),
        late=row.text("late_data") if row.has("late_data") else "",
        provisional=row.has("provisional") and row.true("provisional"),
        clock_by=row.text("clock_by") if row.has("clock_by") else "",
    )


def _control(row: Row) -> Control:
    return Control(
        site_id=row.text("site_id"),
        name=row.text("name"),
        stratum=row.text("stratum"),
        weight_total=row.real("weight_total"),
        used_by=row.whole("used_by"),
        balance=row.real("balance"),
        before_trend_p=row.real("before_trend_p"),
        own_gain=row.real("own_gain"),
        own_gain_low=row.real("own_gain_low"),
        own_gain_high=row.real("own_gain_high"),
        note=row.text("note"),
    )


def _sowings(rows: Iterable[Row]) -> dict[str, tuple[Sowing, ...]]:
    pairs = (
        (
            row.text("site_id"),
            Sowing(
                sown_on=row.sure_day("sown_on"),
                first_effective_rain_on=row.day("first_effective_rain_on"),
                days_waited=row.whole("days_waited"),
                rain_30d_mm=row.real("rain_30d_mm"),
                longest_dry_spell_30d=row.whole("longest_dry_spell_30d"),
                start=row.text("start"),
                missing_days=row.whole("missing_days") or 0,
                method=row.text("method"),
                species=row.text("species"),
                seed_lot=row.text("seed_lot"),
            ),
        )
        for row in rows
    )
    grouped = by_site(pairs, lambda pair: pair[0], lambda pair: pair[1].sown_on)
    return {site: tuple(sowing for _, sowing in pairs) for site, pairs in grouped.items()}
