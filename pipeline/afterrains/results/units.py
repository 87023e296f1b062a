"""Judging in one unit: points of woody cover where a model applies, else greenness."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from pandas.api.types import union_categoricals

from afterrains.evidence.borne_out import borne_out
from afterrains.evidence.judgement import Judgement, judge_programme
from afterrains.evidence.specification import frozen
from afterrains.programme import Evidence
from afterrains.results.panel import SECOND_LOOKS

__all__ = ["judge_in_units"]

_OF_COVER = ["woody_percent", "woody_se_own", "woody_se_place"]


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
        return _greenness(panel, sowing, greener, settings)
    points = panel[woody].assign(greenness=panel["value"])
    points = points.merge(values[["site_id", "season", *_OF_COVER]], on=["site_id", "season"])
    dry = points["kind"] == "dry"
    points["value"] = points["value"].where(~dry, points["woody_percent"])
    looks = points["clear_dates"] * np.sqrt(points["area_ha"])
    points["weight"] = looks.where(~dry, 1 / points["woody_se_own"] ** 2)
    points["ground_se"] = points["woody_se_place"].where(dry)
    told = judge_programme(
        points.drop(columns=[*_OF_COVER, "clear_dates"]),
        sowing[sowing["site_id"].isin(in_points)],
        meaningful_gain=evidence.meaningful_gain_points,
        woody_model=True,
        **settings,
    )
    if not (is_sown & ~woody).any():
        return told
    rest = _greenness(
        panel[~woody | ~is_sown], sowing[~sowing["site_id"].isin(in_points)], greener, settings
    )
    known = set(told.controls["site_id"])
    return Judgement(
        pd.concat([told.history, rest.history], ignore_index=True),
        _one_behind_the_other(told.weights, rest.weights),
        pd.concat([told.balance, rest.balance], ignore_index=True),
        pd.concat(
            [told.controls, rest.controls[~rest.controls["site_id"].isin(known)]],
            ignore_index=True,
        ),
        frozen({**told.specification, "greenness_fallback": rest.specification}),
        max(told.dry_seasons, rest.dry_seasons),
    )


def _one_behind_the_other(first: pd.DataFrame, second: pd.DataFrame) -> pd.DataFrame:
    """Both tables of weights; their ids stay categorical."""
    columns = {
        name: union_categoricals([first[name], second[name]]) for name in ("site_id", "control_id")
    }
    weight = np.concatenate([first["weight"], second["weight"]])
    return pd.DataFrame({**columns, "weight": weight})


def _greenness(
    panel: pd.DataFrame, sowing: pd.DataFrame, meaningful_gain: float, settings: dict[str, Any]
) -> Judgement:
    """Judge greenness, and take back what a second look at the same ground does not bear out."""
    settings = {**settings, "meaningful_gain": meaningful_gain, "woody_model": False}
    told = judge_programme(panel, sowing, **settings)
    dry = panel["kind"] == "dry"
    for column, words in SECOND_LOOKS.items():
        if column not in panel or not told.history["verdict"].isin(["gain", "loss"]).any():
            continue
        again = panel.assign(value=panel["value"].where(~dry, panel[column]))
        # Sign and p-value are asked for alone, so what gain would matter plays no part.
        beside = judge_programme(again, sowing, **settings)
        told = replace(told, history=borne_out(told.history, beside.history, words))
    return told
