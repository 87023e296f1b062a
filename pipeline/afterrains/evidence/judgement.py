"""Judging a programme: every sown site at every dry season since its sowing, as known then."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import wraps
from typing import Any, ParamSpec

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from afterrains.errors import Finding, InputError
from afterrains.evidence.as_of import match_all
from afterrains.evidence.balance import balance_table
from afterrains.evidence.changed_ground import allow_for_changed_ground, ground_errors
from afterrains.evidence.control_notes import controls_table
from afterrains.evidence.facts import Facts, add_flush, facts_at
from afterrains.evidence.ground import Ground
from afterrains.evidence.growth import GrowthCurve, RampGrowth, growth_curve
from afterrains.evidence.levels import LevelBook, Levels
from afterrains.evidence.panel import Panel, read_panel
from afterrains.evidence.rules import Rules
from afterrains.evidence.specification import specification
from afterrains.evidence.verdicts import decide

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
_LARGEST_NDVI = 1.5  # an index of greenness stays within -1 and 1; what lies beyond is percent
_FLUSH_GROWTH = RampGrowth(0.0, 1.0)  # grass answers in the first rains
_FARTHEST_AHEAD = 20
_P = ParamSpec("_P")


@dataclass(frozen=True)
class Judgement:
    """All that judging a programme gives.

    `history` has the columns `HISTORY_COLUMNS`, `weights` `site_id, control_id` (categorical) and
    `weight`, `balance`
    those of `balance.BALANCE_COLUMNS`, `controls` one row a control (contract section 4),
    `specification` is the rule with its digest.
    """

    history: pd.DataFrame
    weights: pd.DataFrame
    balance: pd.DataFrame
    controls: pd.DataFrame
    specification: dict[str, Any]
    dry_seasons: int
    """How many the panel held."""


def judge_programme(
    panel: pd.DataFrame,
    sowing: pd.DataFrame,
    error_rate: float = 0.05,
    judged_seasons: int = 12,
    growth: GrowthCurve | Mapping[str, float] | None = None,
    *,
    meaningful_gain: float | None = None,
    woody_model: bool | None = None,
    false_discovery_rate: float = 0.10,
    spill_over_m: float = 0.0,
) -> Judgement:
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
        Optional `ground_se`: error of a dry value between one kind of ground and another, which is
        added where grass rose (see `evidence.changed_ground`).
    sowing : DataFrame
        `site_id`, `sown_on`; the first sowing of a site starts its clock. With `clock_from` (first
        effective rain, empty while there was none) that day starts it; the seasons before sowing
        still end at `sown_on`.
    error_rate : float
        Two-sided, over all judged seasons: half for a false gain, half for a false loss.
    judged_seasons : int
        Dry seasons after sowing over which it is spent.
    growth : GrowthCurve, mapping or None
        How a gain is expected to grow: `starts_after_seasons`, `full_after_seasons`; None is a
        ramp from season 1 to season 8.
    meaningful_gain : float or None
        Smallest full gain that matters, in units of the dry value; None is 5 (points) with a woody
        model and 0.02 (NDVI) without.
    woody_model : bool or None
        Whether dry values are woody percent. Where they are greenness, a gain on ground whose flush
        rose too is at most `grass-only`. None tells by the values: beyond 1.5 they are percent.
        False, said in so many words, is stricter: without `dead_grass` a gain that rose at once
        and did not grow since, as grass on rested ground does, is `grass-only` too.
    false_discovery_rate : float
        Largest `q_value` of a gain or loss.
    spill_over_m : float
        Controls nearer than this to a sown site are not compared with it.

    Returns
    -------
    Judgement
        The verdicts, the control weights, how alike the ground was, what is known of the controls,
        and the frozen rule. Gains are in units of the value, intervals 95 %, `p_value` two-sided
        for this season alone; the verdict allows for all seasons.

    Raises
    ------
    InputError
        With a finding for each fault of the tables.
    ValueError, TypeError
        Where a setting cannot be.
    """
    _require(error_rate, judged_seasons)
    arrays = read_panel(panel, sowing)
    in_points = _beyond_ndvi(arrays) if woody_model is None else woody_model
    if meaningful_gain is None:
        meaningful_gain = _DEFAULT_MEANINGFUL_POINTS if in_points else _DEFAULT_MEANINGFUL_NDVI
    rules = Rules(
        error_rate,
        judged_seasons,
        growth_curve(growth),
        meaningful_gain,
        false_discovery_rate,
        in_points,
        doubt_at_once=woody_model is False,
    )
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
    errors = ground_errors(panel)
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
        facts = facts_at(arrays, sown, rows, last, dry, known, match.balance)
        add_flush(facts, rains, flush, rows, flush_seasons, flush_book)
        # Both tables hold the same dry seasons, so the same sites are judged in the same order.
        grass = None if grassy is None else grassy.at(last)
        untold = np.full(rows.size, np.nan)
        facts["crowns_p"] = untold if grass is None else grass.gains.p_loss
        facts["dead_grass_p"] = untold if grass is None else grass.gains.p_gain
        allow_for_changed_ground(facts, errors, shortwave=grassy is not None)
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
        balance_table(arrays, sown, match),
        controls_table(arrays, dry, newest, match, history),
        specification(rules, spill_over_m),
        len(arrays.dry.seasons),
    )


def _require(error_rate: float, judged_seasons: int) -> None:
    if not 0 < error_rate < 1:
        raise ValueError(f"error_rate is {error_rate}; it must lie between 0 and 1, as 0.05")
    if judged_seasons < 1:
        raise ValueError(f"judged_seasons is {judged_seasons}; at least one season must be judged")


def _beyond_ndvi(arrays: Panel) -> bool:
    """Whether dry values are too large for an index, so that they must be percent of cover."""
    return bool(np.nanmax(np.abs(arrays.dry.values), initial=0.0) > _LARGEST_NDVI)


def _history_alone(judging: Callable[_P, Judgement]) -> Callable[_P, pd.DataFrame]:
    """The same function, with only the verdicts for its result.

    A whole programme may have no dry season yet, and has its other tables nevertheless; one who
    asks for verdicts alone and gives none is told.
    """

    @wraps(judging)
    def judged(*given: _P.args, **named: _P.kwargs) -> pd.DataFrame:
        told = judging(*given, **named)
        if not told.dry_seasons:
            what = "holds no dry season, which is what is judged"
            mend = "give each site a value for each dry season"
            raise InputError([Finding("error", "panel", "column kind", what, mend, "no-dry")])
        return told.history

    judged.__name__ = judged.__qualname__ = "judge"
    return judged


judge = _history_alone(judge_programme)
"""`judge_programme(...).history`: `HISTORY_COLUMNS`, sorted by site and season."""


def _history(
    parts: list[Facts],
    planned: list[Levels],
    rules: Rules,
    seasons: tuple[str, ...],
) -> pd.DataFrame:
    if not parts:
        return pd.DataFrame({name: pd.Series(dtype=object) for name in HISTORY_COLUMNS})
    columns = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    order = np.lexsort((columns["order"], columns["site_id"].astype(str)))
    facts = pd.DataFrame({name: each[order] for name, each in columns.items()})
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
    # Hundreds of thousands of rows of a large programme: each id is held once.
    ids = pd.Index(arrays.site_ids.astype(object))
    table = pd.DataFrame(
        {
            "site_id": pd.Categorical.from_codes(sown[site], ids),
            "control_id": pd.Categorical.from_codes(controls[site, place], ids),
            "weight": weights[site, place],
        }
    )
    return table.sort_values(["site_id", "control_id"], ignore_index=True)
