"""Judging a programme: every sown site at every dry season since its sowing, as known then."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from afterrains.evidence.as_of import AsOf, match_all
from afterrains.evidence.control_notes import controls_table
from afterrains.evidence.ground import Ground
from afterrains.evidence.growth import DEFAULT_GROWTH, GrowthCurve, RampGrowth
from afterrains.evidence.levels import LevelBook, Levels
from afterrains.evidence.multiplicity import false_discovery_q_values
from afterrains.evidence.panel import Panel, read_panel
from afterrains.evidence.refusals import refusal_reasons
from afterrains.evidence.specification import specification
from afterrains.evidence.verdicts import Rules, decide

__all__ = ["HISTORY_COLUMNS", "Judgement", "judge", "judge_programme"]

HISTORY_COLUMNS = (
    "site_id",
    "as_of",
    "verdict",
    "reason",
    "seasons_since_sowing",
    "gain",
    "gain_low",
    "gain_high",
    "p_value",
    "q_value",
    "detectable_gain",
    "answer_by",
    "grass_gain",
    "grass_gain_low",
    "grass_gain_high",
    "controls",
    "match_balance",
    "before_trend_p",
    "rain_apart_mm",
    "rain_moved",
    "break_season",
)
_DEFAULT_MEANINGFUL_POINTS = 5.0
_DEFAULT_MEANINGFUL_NDVI = 0.02
_FLUSH_GROWTH = RampGrowth(0.0, 1.0)  # grass answers in the first rains
_FARTHEST_AHEAD = 20


@dataclass(frozen=True)
class Judgement:
    """All that judging a programme gives.

    `history` has the columns `HISTORY_COLUMNS`, `weights` `site_id, control_id, weight`, `controls`
    one row a control (contract section 4), `specification` is the rule with its digest.
    """

    history: pd.DataFrame
    weights: pd.DataFrame
    controls: pd.DataFrame
    specification: dict[str, Any]


def judge(
    panel: pd.DataFrame,
    sowing: pd.DataFrame,
    error_rate: float = 0.05,
    judged_seasons: int = 12,
    growth: GrowthCurve | None = None,
    *,
    meaningful_gain: float | None = None,
    woody_model: bool = False,
    false_discovery_rate: float = 0.10,
    spill_over_m: float = 0.0,
) -> pd.DataFrame:
    """Judge every sown site at every dry season since its sowing.

    Parameters
    ----------
    panel : DataFrame
        One row per site and season: `site_id`, `role` (sown or control), `season` (id such as
        2021-dry), `kind` (dry or rains), `time` (date), `value` (empty where missing); optional
        `weight` (relative precision), else `clear_dates` and `area_ha`; optional `stratum`, and
        `x`, `y` in metres. Dry: woody percent or dry-season greenness. Rains: the green flush,
        best as rains-season high minus the dry season that follows, so that trees do not count.
        Optional `rain_mm`: rain of a rains season, and of a dry season the rains before it; where
        a site's differs from its controls' it enters the contrast (see `evidence.rain_gap`).
        Optional `dead_grass`: NBR2 of the same dry dates; with it a gain is told only where
        crowns show (see `evidence.grass`). Beside woody percent it needs `greenness`, the NDVI.
    sowing : DataFrame
        `site_id`, `sown_on`; the first sowing of a site starts its clock. With `clock_from` (first
        effective rain, empty while there was none) that day starts it; the seasons before sowing
        still end at `sown_on`.
    error_rate : float
        Two-sided, over all judged seasons: half for a false gain, half for a false loss.
    judged_seasons : int
        Dry seasons after sowing over which it is spent.
    growth : GrowthCurve or None
        How a gain is expected to grow; None is a ramp from season 1 to season 8.
    meaningful_gain : float or None
        Smallest full gain that matters, in units of the dry value; None is 5 (points) with a woody
        model and 0.02 (NDVI) without.
    woody_model : bool
        Whether dry values are woody percent. Without, a gain on ground whose flush rose too is at
        most `grass-only`.
    false_discovery_rate : float
        Largest `q_value` of a gain or loss.
    spill_over_m : float
        Controls nearer than this to a sown site are not compared with it.

    Returns
    -------
    DataFrame
        `HISTORY_COLUMNS`, sorted by site and season. Gains are in units of the value, intervals
        95 %, `p_value` two-sided for this season alone; the verdict allows for all seasons.

    Raises
    ------
    InputError
        With a finding for each fault of the tables.
    """
    return judge_programme(
        panel,
        sowing,
        error_rate,
        judged_seasons,
        growth,
        meaningful_gain=meaningful_gain,
        woody_model=woody_model,
        false_discovery_rate=false_discovery_rate,
        spill_over_m=spill_over_m,
    ).history


def judge_programme(
    panel: pd.DataFrame,
    sowing: pd.DataFrame,
    error_rate: float = 0.05,
    judged_seasons: int = 12,
    growth: GrowthCurve | None = None,
    *,
    meaningful_gain: float | None = None,
    woody_model: bool = False,
    false_discovery_rate: float = 0.10,
    spill_over_m: float = 0.0,
) -> Judgement:
    """`judge`, with the control weights, what is known of the controls, and the frozen rule."""
    if meaningful_gain is None:
        meaningful_gain = _DEFAULT_MEANINGFUL_POINTS if woody_model else _DEFAULT_MEANINGFUL_NDVI
    rules = Rules(
        error_rate,
        judged_seasons,
        growth or DEFAULT_GROWTH,
        meaningful_gain,
        false_discovery_rate,
        woody_model,
    )
    arrays = read_panel(panel, sowing)
    sown = np.flatnonzero(arrays.is_sown & ~np.isnat(arrays.sown_on))
    controls = np.flatnonzero(~arrays.is_sown)
    match = match_all(arrays, sown, controls, spill_over_m)
    horizon = min(judged_seasons, _FARTHEST_AHEAD)
    dry = Ground(arrays.dry, arrays, match, sown, controls, rules.growth, horizon)
    rains = Ground(arrays.rains, arrays, match, sown, controls, _FLUSH_GROWTH, 0)
    grassy = (
        None
        if arrays.grassiness is None
        else Ground(arrays.grassiness, arrays, match, sown, controls, rules.growth, 0)
    )
    book = LevelBook(error_rate / 2, judged_seasons, rules.growth)
    flush_book = LevelBook(error_rate / 2, judged_seasons, _FLUSH_GROWTH)
    parts, planned, newest = [], [], None
    for last in range(1, len(arrays.dry.seasons) + 1):
        rows = np.flatnonzero(dry.since[:, last - 1] > 0)
        if rows.size == 0:
            continue
        known = dry.at(last)
        flush_seasons = int(
            np.searchsorted(arrays.rains.times, arrays.dry.times[last - 1], side="right")
        )
        flush = rains.at(flush_seasons)
        facts = _facts(arrays, sown, rows, last, dry, known, match.balance)
        _add_flush(facts, rains, flush, rows, flush_seasons, flush_book)
        # Both tables hold the same dry seasons, so the same sites are judged in the same order.
        grass = None if grassy is None else grassy.at(last)
        facts["crowns_p"] = np.nan if grass is None else grass.gains.p_loss
        facts["dead_grass_p"] = np.nan if grass is None else grass.gains.p_gain
        parts.append(facts)
        nothing = np.zeros((rows.size, horizon + 1))
        planned.append(
            book.at(last, dry.since[rows, last - 1], known.errors, horizon)
            if known
            else Levels(nothing, nothing, nothing + 1)
        )
        newest = known or newest
    history = _history(parts, planned, rules, arrays.dry.seasons)
    return Judgement(
        history,
        _weights_table(arrays, sown, match.controls, match.weights),
        controls_table(arrays, dry, newest, match, history),
        specification(rules, spill_over_m),
    )


def _facts(
    arrays: Panel,
    sown: NDArray[np.intp],
    rows: NDArray[np.intp],
    last: int,
    dry: Ground,
    known: AsOf | None,
    balance: NDArray[np.float64],
) -> pd.DataFrame:
    """What is known of each site at one season, before any verdict."""
    count = rows.size
    unknown = np.full(count, np.nan)
    refusal = np.full(count, "fewer than 2 comparable controls", dtype=object)
    if known:
        refusal = refusal_reasons(known, balance[rows])
    allowed = refusal == ""
    columns: dict[str, Any] = {
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
        "weakest_control": arrays.site_ids[known.weakest_control if known else rows],
    }
    names = {"gain": "gain", "gain_low": "low", "gain_high": "high", "p_gain": "p_gain"}
    names |= {"p_loss": "p_loss", "p_drop": "p_drop", "se": "se", "df": "df"}
    names |= {"p_step": "p_step", "p_ramp": "p_ramp"}
    for column, name in names.items():
        values = getattr(known.gains, name) if known else unknown
        columns[column] = np.where(allowed, values, np.nan)
    two_sided = np.minimum(2 * np.fmin(columns["p_gain"], columns["p_loss"]), 1.0)
    columns |= {"p_value": two_sided, "q_value": false_discovery_q_values(two_sided)}
    return pd.DataFrame(columns)


def _add_flush(
    facts: pd.DataFrame,
    rains: Ground,
    flush: AsOf | None,
    rows: NDArray[np.intp],
    last: int,
    book: LevelBook,
) -> None:
    """Flush gain of each site and whether it crossed; NaN where the rains are not known."""
    columns = ["grass_gain", "grass_gain_low", "grass_gain_high", "grass_p"]
    facts[columns] = np.nan
    facts["grass_crossed"] = False
    if flush is not None:
        place = np.full(max(int(rows.max()), int(flush.rows.max())) + 1, -1)
        place[flush.rows] = np.arange(flush.rows.size)
        at = place[rows]
        fields = ("gain", "low", "high", "p_gain")
        for column, name in zip(columns, fields, strict=True):
            values = getattr(flush.gains, name)
            facts[column] = np.where(at >= 0, values[at], np.nan)
        facts.loc[np.where(at >= 0, flush.before_seen[at] < 2, True), columns] = np.nan
        levels = book.at(last, rains.since[flush.rows, last - 1], flush.errors, 0)
        level = np.where(at >= 0, levels.gain[at, 0], 0.0)
        facts["grass_crossed"] = facts["grass_p"].fillna(1.0).to_numpy() <= level


def _history(
    parts: list[pd.DataFrame],
    planned: list[Levels],
    rules: Rules,
    seasons: tuple[str, ...],
) -> pd.DataFrame:
    if not parts:
        return pd.DataFrame({name: pd.Series(dtype=object) for name in HISTORY_COLUMNS})
    facts = pd.concat(parts, ignore_index=True)
    order = np.lexsort((facts["order"].to_numpy(), facts["site_id"].to_numpy().astype(str)))
    facts = facts.iloc[order].reset_index(drop=True)
    levels = Levels(
        *(
            np.concatenate([getattr(part, name) for part in planned])[order]
            for name in ("gain", "loss", "ahead")
        )
    )
    decide(facts, levels, rules, seasons)
    return facts[list(HISTORY_COLUMNS)]


def _weights_table(
    arrays: Panel,
    sown: NDArray[np.intp],
    controls: NDArray[np.intp],
    weights: NDArray[np.float64],
) -> pd.DataFrame:
    site, place = np.nonzero(weights > 1e-6)
    table = pd.DataFrame(
        {
            "site_id": arrays.site_ids[sown[site]],
            "control_id": arrays.site_ids[controls[site, place]],
            "weight": weights[site, place],
        }
    )
    return table.sort_values(["site_id", "control_id"], ignore_index=True)
