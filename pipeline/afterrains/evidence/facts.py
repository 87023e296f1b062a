"""What is known of each sown site at one season, before any verdict: one row a site."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from afterrains.evidence.as_of import AsOf
from afterrains.evidence.ground import Ground
from afterrains.evidence.levels import LevelBook
from afterrains.evidence.multiplicity import false_discovery_q_values
from afterrains.evidence.panel import Panel
from afterrains.evidence.refusals import refusal_reasons

__all__ = ["Facts", "add_flush", "facts_at"]

Facts = dict[str, NDArray[Any]]


def facts_at(
    arrays: Panel,
    sown: NDArray[np.intp],
    rows: NDArray[np.intp],
    last: int,
    dry: Ground,
    known: AsOf | None,
    balance: NDArray[np.float64],
) -> Facts:
    """What is known of each site at one season, before any verdict, by column."""
    count = rows.size
    unknown = np.full(count, np.nan)
    refusal = np.full(count, "fewer than 2 comparable controls", dtype=object)
    if known:
        refusal = refusal_reasons(known, balance[rows])
    allowed = refusal == ""
    columns: Facts = {
        "site_id": arrays.site_ids[sown[rows]],
        "as_of": np.full(count, arrays.dry.seasons[last - 1], dtype=object),
        "order": np.full(count, last),
        "seasons_since_sowing": dry.since[rows, last - 1],
        "match_balance": balance[rows],
        "controls": known.controls_used if known else np.zeros(count, dtype=int),
        "before_trend_p": known.trend_p if known else unknown,
        "rain_apart_mm": known.rain_apart if known else unknown,
        "rain_moved": np.where(allowed, known.rain_moved if known else unknown, np.nan),
        "refusal": refusal,
        "weakest_p": known.weakest_p if known else np.zeros(count),
        "largest_drift": np.full(count, known.largest_drift if known else np.nan),
        "drift_p": np.full(count, known.drift_p if known else np.nan),
        "drift_may_add": known.gains.drifted * known.largest_drift if known else unknown,
        "before_seen": known.before_seen if known else np.zeros(count, dtype=int),
        "weakest_control": arrays.site_ids[known.weakest_control if known else rows],
    }
    names = {"gain": "gain", "gain_low": "low", "gain_high": "high", "p_gain": "p_gain"}
    names |= {"p_loss": "p_loss", "p_drop": "p_drop", "se": "se", "df": "df"}
    names |= {"p_step": "p_step", "p_ramp": "p_ramp", "p_no_drift": "p_no_drift"}
    for column, name in names.items():
        values = getattr(known.gains, name) if known else unknown
        columns[column] = np.where(allowed, values, np.nan)
    two_sided = np.minimum(2 * np.fmin(columns["p_gain"], columns["p_loss"]), 1.0)
    columns |= {"p_value": two_sided, "q_value": false_discovery_q_values(two_sided)}
    return columns


def add_flush(
    facts: Facts,
    rains: Ground,
    flush: AsOf | None,
    rows: NDArray[np.intp],
    last: int,
    book: LevelBook,
) -> None:
    """Flush gain of each site and whether it crossed; NaN where the rains are not known."""
    fields = {"grass_gain": "gain", "grass_gain_low": "low", "grass_gain_high": "high"}
    fields["grass_p"] = "p_gain"
    if flush is None:
        facts |= {column: np.full(rows.size, np.nan) for column in fields}
        facts["grass_crossed"] = np.zeros(rows.size, dtype=bool)
        return
    place = np.full(max(int(rows.max()), int(flush.rows.max())) + 1, -1)
    place[flush.rows] = np.arange(flush.rows.size)
    at = place[rows]
    known = (at >= 0) & (flush.before_seen[at] >= 2)
    for column, name in fields.items():
        facts[column] = np.where(known, getattr(flush.gains, name)[at], np.nan)
    levels = book.at(last, rains.since[flush.rows, last - 1], flush.errors, 0)
    level = np.where(at >= 0, levels.gain[at, 0], 0.0)
    with np.errstate(invalid="ignore"):
        facts["grass_crossed"] = facts["grass_p"] <= level
