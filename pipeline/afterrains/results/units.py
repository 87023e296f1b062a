"""Judging in one unit: points of woody cover where a model applies, else greenness."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from afterrains.evidence.judgement import Judgement, judge_programme
from afterrains.evidence.specification import frozen
from afterrains.programme import Evidence

__all__ = ["judge_in_units"]


def judge_in_units(
    panel: pd.DataFrame,
    values: pd.DataFrame,
    sowing: pd.DataFrame,
    evidence: Evidence,
    in_points: frozenset[str],
) -> Judgement:
    """Judge sites in points of cover where a model applies, the others on greenness."""
    settings: dict[str, Any] = {
        "error_rate": evidence.error_rate,
        "judged_seasons": evidence.judged_seasons,
        "growth": evidence.growth,
    }
    greener = evidence.meaningful_gain_points * evidence.ndvi_per_point
    is_sown = panel["role"] == "sown"
    woody = panel["site_id"].isin(in_points)
    if not (is_sown & woody).any():
        return judge_programme(panel, sowing, meaningful_gain=greener, **settings)
    points = panel[woody].assign(greenness=panel["value"])
    points = points.merge(
        values[["site_id", "season", "woody_percent", "woody_se_own"]], on=["site_id", "season"]
    )
    dry = points["kind"] == "dry"
    points["value"] = points["value"].where(~dry, points["woody_percent"])
    looks = points["clear_dates"] * np.sqrt(points["area_ha"])
    points["weight"] = looks.where(~dry, 1 / points["woody_se_own"] ** 2)
    told = judge_programme(
        points.drop(columns=["woody_percent", "woody_se_own", "clear_dates"]),
        sowing[sowing["site_id"].isin(in_points)],
        meaningful_gain=evidence.meaningful_gain_points,
        woody_model=True,
        **settings,
    )
    if not (is_sown & ~woody).any():
        return told
    rest = judge_programme(
        panel[~woody | ~is_sown],
        sowing[~sowing["site_id"].isin(in_points)],
        meaningful_gain=greener,
        **settings,
    )
    known = set(told.controls["site_id"])
    return Judgement(
        pd.concat([told.history, rest.history], ignore_index=True),
        pd.concat([told.weights, rest.weights], ignore_index=True),
        pd.concat([told.balance, rest.balance], ignore_index=True),
        pd.concat(
            [told.controls, rest.controls[~rest.controls["site_id"].isin(known)]],
            ignore_index=True,
        ),
        frozen({**told.specification, "greenness_fallback": rest.specification}),
    )
