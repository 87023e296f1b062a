"""The tables of costs and choices, as the rows of `rows`; None where a table is not there."""

from __future__ import annotations

from pathlib import Path

from afterrains.delivery.page.records import each_if_there
from afterrains.delivery.page.rows import Answer, BreakEven, Change, Choice, Cost, Way
from afterrains.delivery.tables import (
    ANSWER_CALENDAR,
    BREAK_EVEN,
    CHANGES,
    COSTS,
    SOW_AGAIN,
    WHAT_WORKS,
)

__all__ = [
    "read_answers",
    "read_break_even",
    "read_changes",
    "read_choices",
    "read_costs",
    "read_ways",
]


def read_ways(path: Path) -> tuple[Way, ...] | None:
    """Ways of sowing, pooled."""
    return each_if_there(WHAT_WORKS, path, Way)


def read_costs(path: Path) -> tuple[Cost, ...] | None:
    """Costs by way of sowing."""
    return each_if_there(COSTS, path, Cost)


def read_break_even(path: Path) -> tuple[BreakEven, ...] | None:
    """Sowing against planting, by way of sowing."""
    return each_if_there(BREAK_EVEN, path, BreakEven)


def read_choices(path: Path) -> dict[str, Choice] | None:
    """What to do next, by site."""
    rows = each_if_there(SOW_AGAIN, path, Choice)
    return None if rows is None else {row.site_id: row for row in rows}


def read_changes(path: Path) -> dict[str, Change] | None:
    """What changed since the results before, by site."""
    rows = each_if_there(CHANGES, path, Change)
    return None if rows is None else {row.site_id: row for row in rows}


def read_answers(path: Path) -> dict[str, Answer] | None:
    """When each site is answered, by site."""
    rows = each_if_there(ANSWER_CALENDAR, path, Answer)
    return None if rows is None else {row.site_id: row for row in rows}
