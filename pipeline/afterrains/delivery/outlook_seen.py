"""What the outlook page shows of gains: which would be seen when, drawn and in tables.

Every figure is one of outlook.csv.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan

import pandas as pd

from afterrains.delivery.page.axes import Scale, coordinate, decimals_of, line_path, nice_ticks
from afterrains.delivery.page.seasons import SeasonNames
from afterrains.delivery.page.texts import Texts, plain, shortened

__all__ = ["Curves", "first_seen", "gain_curves", "seen_by_plan"]

_WIDTH, _HEIGHT = 640, 254
_LEFT, _RIGHT, _TOP, _BOTTOM = 54, 150, 28, 34
_LINE = 14  # between the baselines of two labels
_DECIMALS = {"points": 1, "ndvi": 3}


@dataclass(frozen=True)
class Curve:
    """A line of the drawing with the place of its name at the right end."""

    kind: str
    label: str
    path: str
    label_y: str


@dataclass(frozen=True)
class Curves:
    """The drawing of what would be seen."""

    lines: tuple[Curve, ...]
    ticks: tuple[tuple[str, str], ...]
    seasons: tuple[tuple[str, int], ...]
    words: str
    width: int = _WIDTH
    height: int = _HEIGHT
    left: int = _LEFT
    right: int = _WIDTH - _RIGHT
    top: int = _TOP
    bottom: int = _HEIGHT - _BOTTOM


def gain_curves(gains: pd.DataFrame | None, unit: str, texts: Texts) -> Curves | None:
    """Smallest gain seen by one site and by all together, and what is to be expected."""
    if gains is None:
        return None
    pool = gains[(gains["scope"] == "pool") & (gains["pool"] == "all sites")]
    if pool.empty:
        return None
    sites = gains[gains["scope"] == "site"].groupby("seasons_since_sowing")
    series = {
        "site": (texts("outlook.seen.line.site"), sites["detectable_gain"].median()),
        "pool": (
            texts("outlook.seen.line.pool"),
            pool.set_index("seasons_since_sowing")["detectable_gain"],
        ),
        "due": (
            texts("outlook.seen.line.due"),
            pool.set_index("seasons_since_sowing")["meaningful_gain"],
        ),
    }
    # The early seasons are closed or need huge gains; they would press the rest flat.
    most = 4 * float(pool["meaningful_gain"].max())
    seasons = sorted(pool["seasons_since_sowing"])
    x = Scale(seasons[0] - 0.5, seasons[-1] + 0.5, _LEFT, _WIDTH - _RIGHT)
    y = Scale(0.0, most, _HEIGHT - _BOTTOM, _TOP)
    drawn = []
    for kind, (label, values) in series.items():
        points = [
            (x(float(season)), y(float(values[season])))
            if season in values.index and values[season] <= most
            else None
            for season in seasons
        ]
        last = next((point for point in reversed(points) if point), None)
        if last:
            drawn.append((last[1], kind, label, line_path(points)))
    lines: list[Curve] = []
    taken: list[float] = []
    # From the lowest line up, so that names which make room for each other keep the lines' order.
    for end, kind, label, path in sorted(drawn, reverse=True):
        place = end + 4
        while any(abs(place - other) < _LINE for other in taken):
            place -= 1
        taken.append(place)
        lines.append(Curve(kind, label, path, coordinate(place)))
    marks = nice_ticks(0.0, most, 5)
    digits = decimals_of(marks)
    words = "; ".join(
        texts(
            "outlook.seen.describe",
            line=label,
            value=_figure(values.get(seasons[-1]), unit, texts),
            seasons=seasons[-1],
        )
        for label, values in series.values()
    )
    return Curves(
        tuple(lines),
        tuple((coordinate(y(mark)), texts.number(mark, digits)) for mark in marks),
        tuple((coordinate(x(float(season))), int(season)) for season in seasons),
        words,
    )


def _figure(value: object, unit: str, texts: Texts) -> str:
    """A gain as the language writes it; the sign of a missing value where there is none."""
    if not isinstance(value, float) or isnan(value):
        return texts("no_value")
    return texts.number(value, _DECIMALS[unit])


def first_seen(
    gains: pd.DataFrame | None, unit: str, names: SeasonNames, texts: Texts
) -> list[dict[str, object]]:
    """Each site's and pool's first season in which a gain that matters would be seen."""
    if gains is None:
        return []
    rows: list[dict[str, object]] = []
    told = gains[gains["scope"] != "plan"]
    by = ["scope", "site_id", "pool", "sites", "controls", "seasons_before"]
    for key, group in told.groupby(by, sort=False):
        scope, site_id, pool, sites, controls, before = key
        seen = group[group["seen"]]
        shown = texts("outlook.seen.pool") if pool == "all sites" else str(pool)
        rows.append(
            {
                "name": shortened(plain(str(site_id or shown))),
                "sites": sites,
                "controls": controls,
                "before": before,
                "season": names.years(seen["season"].iloc[0]) if len(seen) else texts("no_value"),
                "after": int(seen["seasons_since_sowing"].iloc[0]) if len(seen) else "",
                "last": _figure(float(group["detectable_gain"].iloc[-1]), unit, texts),
                "pool": scope == "pool",
            }
        )
    return sorted(rows, key=lambda row: (not row["pool"], row["name"]))


def seen_by_plan(gains: pd.DataFrame | None, texts: Texts) -> dict[str, object] | None:
    """First season seen by numbers of controls and sites, for each length of record."""
    if gains is None:
        return None
    plan = gains[gains["scope"] == "plan"]
    first = (
        plan["seasons_since_sowing"]
        .where(plan["seen"])
        .groupby([plan["seasons_before"], plan["sites"], plan["controls"]])
        .min()
    )
    controls = sorted(set(plan["controls"]))
    table = [
        {
            "before": before,
            "sites": sites,
            "cells": [
                texts("no_value")
                if pd.isna(first[before, sites, many])
                else int(first[before, sites, many])
                for many in controls
            ],
        }
        for sites in sorted(set(plan["sites"]))
        for before in sorted(set(plan["seasons_before"]))
    ]
    return {"controls": controls, "rows": table}
