"""Accuracy of the map and area of woody gain and loss, from the random visits alone.

The estimators are those of stratified random sampling (`woody.area`, after Olofsson et al. 2014 and
Stehman 2014). The sample is also spread over the ground, which makes it tell more than these
intervals say where ground is alike nearby: they are then too wide, not too narrow.

Visits that tell nothing (not back, not reached, no consent, away from the place, unsure) are left
out within their stratum. That is right only where the places missed are like those reached; the
share missing stands beside each figure.

References
----------
Olofsson, P. et al. (2014). doi:10.1016/j.rse.2014.02.015
Stehman, S. V. (2014). doi:10.1080/01431161.2014.930207
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from afterrains.delivery.tables.field import ACCURACY, AREA
from afterrains.field.intervals import NO_ERROR, bounds
from afterrains.woody.area import AreaEstimate, Share, area_from_strata

__all__ = ["SEEN_CLASSES", "accuracy_table", "area_table"]

SEEN_CLASSES = ("more", "unchanged", "less")
_LEAST = 2
_ELSEWHERE = "elsewhere"
_OF_ONE_MIND = "every stratum is of one mind: the interval is the exact binomial one"


@dataclass(frozen=True)
class _Sampled:
    """The random visits of one draw and role that tell something, and their ground."""

    checks: pd.DataFrame
    """visit_id, label (sampling stratum, thin ones joined), stratum, map_class, seen."""
    area: Mapping[Hashable, float]
    """Hectares of each label."""
    ground: pd.DataFrame
    planned: pd.DataFrame
    note: str


def accuracy_table(
    design: pd.DataFrame, ground: pd.DataFrame, checks: pd.DataFrame
) -> pd.DataFrame:
    """Rows of accuracy.csv, for each draw of which enough came back.

    Parameters
    ----------
    design, ground, checks : DataFrame
        Rows of visit_design.csv, visit_ground.csv and field_checks.csv.
    """
    rows = []
    for draw in sorted(set(design["draw"])):
        sampled = _sampled(draw, "sown", design, ground, checks)
        if sampled is not None:
            rows += _accuracy_rows(draw, sampled)
    return _table(rows, ACCURACY.column_names)


def area_table(design: pd.DataFrame, ground: pd.DataFrame, checks: pd.DataFrame) -> pd.DataFrame:
    """Rows of area.csv: sown and control ground of each draw, whole and by stratum.

    Parameters as for `accuracy_table`.
    """
    rows = []
    for draw in sorted(set(design["draw"])):
        for role in ("sown", "control"):
            sampled = _sampled(draw, role, design, ground, checks)
            if sampled is None:
                continue
            rows += _area_rows(draw, role, "", sampled)
            strata = sorted(set(sampled.ground["stratum"]) - {""})
            if len(set(sampled.ground["stratum"])) > 1:
                for stratum in strata:
                    rows += _area_rows(draw, role, stratum, sampled)
    return _table(rows, AREA.column_names)


def _sampled(
    draw: str, role: str, design: pd.DataFrame, ground: pd.DataFrame, checks: pd.DataFrame
) -> _Sampled | None:
    """What a draw tells of one role's ground; None where fewer than two checks came back."""
    planned = design[
        (design["draw"] == draw) & (design["part"] == "random") & (design["role"] == role)
    ]
    here = ground[(ground["draw"] == draw) & (ground["role"] == role)]
    told = checks[
        (checks["outcome"] == "checked")
        & checks["at_place"].fillna(False).astype(bool)
        & checks["seen"].isin(SEEN_CLASSES)
    ]
    joined = planned.merge(told[["visit_id", "seen"]], on="visit_id")
    if len(joined) < _LEAST:
        return None
    area = here.groupby("sampling_stratum")["area_ha"].sum()
    counts = joined.groupby("sampling_stratum").size().reindex(area.index, fill_value=0)
    labels, note = _join_thin(area, counts, here)
    joined = joined.assign(label=joined["sampling_stratum"].map(labels))
    joined_area = area.groupby(pd.Series(labels)).sum()
    return _Sampled(
        checks=joined,
        area={str(name): float(value) for name, value in joined_area.items()},
        ground=here,
        planned=planned,
        note=note,
    )


def _join_thin(
    area: pd.Series, counts: pd.Series, ground: pd.DataFrame
) -> tuple[dict[str, str], str]:
    """Strata with fewer than two checks go with the largest one of the same map class, else any.

    Ground of a stratum that nobody reached is then taken to be like the one it is joined with,
    which the note says.
    """
    classes = ground.groupby("sampling_stratum")["map_class"].agg(set)
    label = {str(name): str(name) for name in area.index}
    thin = [str(name) for name in area.index if counts[name] < _LEAST]
    for name in sorted(thin, key=lambda each: (counts[each], each)):
        partners = [
            other
            for other in label
            if other not in (*thin, name) or (label[other] != label[name] and counts[other] > 0)
        ]
        if not partners:
            continue
        best = max(
            partners,
            key=lambda other: (
                bool(classes[other] & classes[name]), counts[other] >= _LEAST, area[other], other,
            ),
        )  # fmt: skip
        old = label[name]
        for each in label:
            if label[each] == old:
                label[each] = label[best]
    note = ""
    if thin:
        note = f"too few checks to tell of {'; '.join(thin)}: taken to be like other ground"
    return label, note


def _estimated(sampled: _Sampled, mapped: Sequence[str], found: Sequence[str],
               classes: Sequence[str]) -> AreaEstimate:  # fmt: skip
    return area_from_strata(sampled.checks["label"].tolist(), mapped, found, sampled.area, classes)


def _effective(sampled: _Sampled, among: pd.Series) -> float:
    """Kish's effective number of the checks among which a share is taken."""
    checks = sampled.checks
    size = checks.groupby("label").size()
    weight = checks["label"].map(lambda each: sampled.area[each] / size[each])[among]
    total = float((weight**2).sum())
    return float(weight.sum() ** 2 / total) if total > 0 else 0.0


def _accuracy_rows(draw: str, sampled: _Sampled) -> list[dict[str, object]]:
    checks = sampled.checks
    # Ground without a map cannot be right; it is a class of its own.
    classes = [*SEEN_CLASSES]
    if (checks["map_class"] == "unmapped").any():
        classes.append("unmapped")
    estimate = _estimated(sampled, checks["map_class"].tolist(), checks["seen"].tolist(), classes)
    missing = _missing(sampled.planned, checks)
    rows = []
    everywhere = pd.Series(True, index=checks.index)
    for at, name in enumerate(classes):
        on_map, there = checks["map_class"] == name, checks["seen"] == name
        users = _with_bounds(estimate.users, at, _effective(sampled, on_map))
        producers = _with_bounds(estimate.producers, at, _effective(sampled, there))
        rows.append(
            _accuracy_row(draw, name, checks[on_map], users, producers, missing, sampled.note)
        )
    overall = _with_bounds(estimate.overall, 0, _effective(sampled, everywhere))
    nothing = (np.nan, np.nan, np.nan)
    rows.append(_accuracy_row(draw, "all", checks, overall, nothing, missing, sampled.note))
    return rows


def _with_bounds(share: Share, at: int, effective: float) -> tuple[float, float, float]:
    value, error = float(share.estimate[at]), float(share.standard_error[at])
    return (value, *bounds(value, error, effective))


def _accuracy_row(
    draw: str,
    name: str,
    checks: pd.DataFrame,
    users: tuple[float, float, float],
    producers: tuple[float, float, float],
    missing: float,
    note: str,
) -> dict[str, object]:
    seen = {f"seen_{each}": int((checks["seen"] == each).sum()) for each in SEEN_CLASSES}
    return {
        "draw": draw, "class": name, "checks": len(checks), **seen,
        "users_accuracy": users[0], "users_low": users[1], "users_high": users[2],
        "producers_accuracy": producers[0], "producers_low": producers[1],
        "producers_high": producers[2], "missing_percent": missing, "note": note,
    }  # fmt: skip


def _area_rows(draw: str, role: str, stratum: str, sampled: _Sampled) -> list[dict[str, object]]:
    """Area of each class on the whole ground, or on one stratum of the sites file.

    A stratum crosses the sampling strata: the share of its ground that is a class is a combined
    ratio (Stehman 2014, eq. 27), times its known area.
    """
    checks, ground, planned = sampled.checks, sampled.ground, sampled.planned
    inside = pd.Series(True, index=checks.index)
    if stratum:
        inside = checks["stratum"] == stratum
        ground = ground[ground["stratum"] == stratum]
        planned = planned[planned["stratum"] == stratum]
    ground_ha = float(ground["area_ha"].sum())
    here = checks[inside]
    effective = _effective(sampled, inside)
    rows = []
    for name in SEEN_CLASSES:
        if stratum:
            of_stratum = [stratum if each else _ELSEWHERE for each in inside]
            hit = [
                stratum if each and seen == name else _ELSEWHERE
                for each, seen in zip(inside, checks["seen"], strict=True)
            ]
            share = _estimated(sampled, of_stratum, hit, [stratum]).users
            value, error = float(share.estimate[0]), float(share.standard_error[0])
        else:
            part = _estimated(sampled, checks["seen"].tolist(), checks["seen"].tolist(), [name])
            value = float(part.proportion.estimate[0])
            error = float(part.proportion.standard_error[0])
        enough = len(here) >= _LEAST
        low, high = bounds(value, error, effective) if enough else (np.nan, np.nan)
        notes = [sampled.note]
        if not enough:
            notes.append("fewer than two checks here")
        elif error <= NO_ERROR:
            notes.append(_OF_ONE_MIND)
        rows.append(
            {
                "draw": draw,
                "role": role,
                "stratum": stratum,
                "class": name,
                "ground_ha": ground_ha,
                "visits": len(planned),
                "checks": len(here),
                "missing_percent": _missing(planned, here),
                "area_ha": value * ground_ha if enough else np.nan,
                "area_low": low * ground_ha,
                "area_high": high * ground_ha,
                "map_area_ha": float(ground.loc[ground["map_class"] == name, "area_ha"].sum()),
                "note": "; ".join(note for note in notes if note),
            }
        )
    return rows


def _missing(planned: pd.DataFrame, told: pd.DataFrame) -> float:
    return 100 * (1 - len(told) / len(planned)) if len(planned) else np.nan


def _table(rows: list[dict[str, object]], columns: list[str]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=columns)
