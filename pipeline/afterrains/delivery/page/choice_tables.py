"""The tables of costs and choices, as the rows of `rows`; None where a table is not there."""

from __future__ import annotations

from pathlib import Path

from afterrains.delivery.page.records import Row, rows_if_there
from afterrains.delivery.page.rows import Answer, Change, Choice, Cost, Way
from afterrains.delivery.tables import ANSWER_CALENDAR, CHANGES, COSTS, SOW_AGAIN, WHAT_WORKS

__all__ = ["read_answers", "read_changes", "read_choices", "read_costs", "read_ways"]


def read_ways(path: Path) -> tuple[Way, ...] | None:
    """Ways of sowing, pooled."""
    rows = rows_if_there(WHAT_WORKS, path)
    return None if rows is None else tuple(_way(row) for row in rows)


def read_costs(path: Path) -> tuple[Cost, ...] | None:
    """Costs by way of sowing."""
    rows = rows_if_there(COSTS, path)
    return None if rows is None else tuple(_cost(row) for row in rows)


def read_choices(path: Path) -> dict[str, Choice] | None:
    """What to do next, by site."""
    rows = rows_if_there(SOW_AGAIN, path)
    return None if rows is None else {row.text("site_id"): _choice(row) for row in rows}


def read_changes(path: Path) -> dict[str, Change] | None:
    """What changed since the results before, by site."""
    rows = rows_if_there(CHANGES, path)
    if rows is None:
        return None
    return {
        row.text("site_id"): Change(
            site_id=row.text("site_id"),
            verdict_changed=row.true("verdict_changed"),
            causes=tuple(c.strip() for c in row.text("causes").split(";") if c.strip()),
            explanation=row.text("explanation"),
        )
        for row in rows
    }


def read_answers(path: Path) -> dict[str, Answer] | None:
    """When each site is answered, by site."""
    rows = rows_if_there(ANSWER_CALENDAR, path)
    if rows is None:
        return None
    return {
        row.text("site_id"): Answer(
            row.text("site_id"),
            row.text("state"),
            row.text("answered_since"),
            row.text("answer_by"),
        )
        for row in rows
    }


def _way(row: Row) -> Way:
    return Way(
        factor=row.text("factor"),
        level=row.text("level"),
        sites=row.whole("sites") or 0,
        gain=row.real("pooled_gain"),
        low=row.real("low"),
        high=row.real("high"),
        heterogeneity=row.real("heterogeneity_percent"),
        unit=row.text("gain_unit"),
        gained=row.whole("gained"),
        grass_only=row.whole("grass_only"),
        seasons=row.real("seasons_since_sowing"),
        cost_per_gained_ha=row.real("cost_per_gained_ha"),
    )


def _cost(row: Row) -> Cost:
    return Cost(
        factor=row.text("factor"),
        level=row.text("level"),
        sites=row.whole("sites") or 0,
        sown_ha=row.real("sown_ha"),
        cost=row.real("cost"),
        cost_per_sown_ha=row.real("cost_per_sown_ha"),
        gained_sites=row.whole("gained_sites") or 0,
        gained_ha=row.real("gained_ha"),
        per_gained_ha=row.real("cost_per_gained_ha"),
        per_gained_ha_low=row.real("cost_per_gained_ha_low"),
        per_gained_ha_high=row.real("cost_per_gained_ha_high"),
        per_point_ha=row.real("cost_per_point_ha"),
        per_point_ha_low=row.real("cost_per_point_ha_low"),
        per_point_ha_high=row.real("cost_per_point_ha_high"),
    )


def _choice(row: Row) -> Choice:
    return Choice(
        site_id=row.text("site_id"),
        rank=row.whole("rank"),
        choice=row.text("choice"),
        reason=row.text("reason"),
        until=row.text("until"),
        expected_gain=row.real("expected_gain"),
        expected_if_good=row.real("expected_gain_if_good"),
        expected_low=row.real("expected_gain_low"),
        expected_high=row.real("expected_gain_high"),
        unit=row.text("gain_unit"),
        chance_percent=row.real("chance_good_start_percent"),
        expected_cost=row.real("expected_cost"),
        gain_per_cost=row.real("gain_per_cost"),
    )
