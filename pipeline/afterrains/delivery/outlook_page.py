"""outlook.html: two drawings and their tables in one file that needs no script and no network.

What would be seen, season after season, at one site and in all together; and in how many past years
a sowing in each month would have had a good start. Every figure comes from the outlook's tables,
every word from the catalogue of the report page.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from math import isnan
from pathlib import Path
from typing import Any

import jinja2
import pandas as pd
from markupsafe import Markup

from afterrains.delivery.atomic import write_bytes
from afterrains.delivery.page.axes import Scale, coordinate, decimals_of, line_path, nice_ticks
from afterrains.delivery.page.palette import css_variables
from afterrains.delivery.page.seasons import Season, SeasonNames
from afterrains.delivery.page.sentences import Sentences
from afterrains.delivery.page.texts import Texts, load_texts, one_line, plain, shortened

__all__ = ["OutlookPage", "season_rows", "write_outlook_page"]

_WIDTH, _HEIGHT = 640, 254
_LEFT, _RIGHT, _TOP, _BOTTOM = 54, 150, 28, 34
_LINE = 14  # between the baselines of two labels
_MOST_RAINS = 12
_LONGEST_TITLE = 120
_KINDS = ("good", "broken", "none")
_DECIMALS = {"points": 1, "ndvi": 3}


@dataclass(frozen=True)
class OutlookPage:
    """What the page is made of; tables as the files hold them, None where they cannot be had."""

    name: str
    gains: pd.DataFrame | None
    starts: pd.DataFrame | None
    lots: pd.DataFrame | None
    rain_years: tuple[int, ...]
    seed: int
    notes: tuple[str, ...]
    seasons: tuple[Season, ...] = field(default=())
    """Those on record; they tell which seasons run over New Year."""
    language: str = "en"
    """One of `texts.LANGUAGES`."""


def season_rows(calendar: pd.DataFrame) -> tuple[Season, ...]:
    """The seasons of a calendar (`season, kind, start, end`) as the page reads them."""
    return tuple(
        Season(str(row["season"]), str(row["kind"]), row["start"].date(), row["end"].date())
        for row in calendar.to_dict("records")
    )


def write_outlook_page(output: Path, page: OutlookPage) -> Path:
    """Write `outlook.html` into the output folder.

    Raises
    ------
    OutputError
        When the disk does not take it.
    """
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("afterrains.delivery", "outlook"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    texts = load_texts(page.language)
    names = SeasonNames({season.season: season for season in page.seasons}, texts)
    sentences = Sentences(texts, names)
    unit = "ndvi" if page.gains is None else str(page.gains["gain_unit"].iloc[0])
    environment.globals.update(t=texts)
    text = environment.get_template("outlook.html.j2").render(
        page=page,
        name=shortened(plain(page.name), _LONGEST_TITLE),
        title=one_line(plain(page.name)),
        notes=[sentences.say(plain(note)) for note in page.notes],
        colours=Markup(css_variables()),  # noqa: S704 - our own constants, nothing from outside
        months=texts.each("writing.months"),
        months_short=texts.each("writing.months_short"),
        curves=_curves(page.gains, unit, texts),
        plan=_plan(page.gains, texts),
        sites=_sites(page.gains, unit, names, texts),
        rains=_rains(page.starts, texts),
        kinds=_KINDS,
        most_rains=_MOST_RAINS,
        lots=_lots(page.lots),
        unit_key=unit,
        unit=texts(f"outlook.seen.unit.{unit}"),
        report=(output / "report" / "index.html").is_file(),
    )
    return write_bytes(output / "outlook.html", text.encode())


@dataclass(frozen=True)
class _Curve:
    """A line of the drawing with the place of its name at the right end."""

    kind: str
    label: str
    path: str
    label_y: str


@dataclass(frozen=True)
class _Curves:
    """The drawing of what would be seen."""

    lines: tuple[_Curve, ...]
    ticks: tuple[tuple[str, str], ...]
    seasons: tuple[tuple[str, int], ...]
    words: str
    width: int = _WIDTH
    height: int = _HEIGHT
    left: int = _LEFT
    right: int = _WIDTH - _RIGHT
    top: int = _TOP
    bottom: int = _HEIGHT - _BOTTOM


def _curves(gains: pd.DataFrame | None, unit: str, texts: Texts) -> _Curves | None:
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
    lines: list[_Curve] = []
    taken: list[float] = []
    # From the lowest line up, so that names which make room for each other keep the lines' order.
    for end, kind, label, path in sorted(drawn, reverse=True):
        place = end + 4
        while any(abs(place - other) < _LINE for other in taken):
            place -= 1
        taken.append(place)
        lines.append(_Curve(kind, label, path, coordinate(place)))
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
    return _Curves(
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


def _sites(
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


def _plan(gains: pd.DataFrame | None, texts: Texts) -> dict[str, object] | None:
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


def _rains(starts: pd.DataFrame | None, texts: Texts) -> list[dict[str, object]]:
    """One drawing for each different rain: bars of past years by month of sowing."""
    if starts is None:
        return []
    groups: dict[tuple[object, ...], list[str]] = {}
    tables: dict[tuple[object, ...], pd.DataFrame] = {}
    for site_id, table in starts.groupby("site_id"):
        key = tuple(table[["month", *_KINDS]].to_numpy().ravel())
        groups.setdefault(key, []).append(shortened(plain(str(site_id))))
        tables.setdefault(key, table)
    drawings: list[dict[str, object]] = []
    for key, names in list(groups.items())[:_MOST_RAINS]:
        table = tables[key]
        most = max(int(table["years"].max()), 1)
        y = Scale(0.0, float(most), 164.0, 24.0)
        told = table.to_dict("records")
        bars = [bar for row in told for bar in _bars(row, y)]
        ticks = [(coordinate(y(mark)), texts.number(mark)) for mark in nice_ticks(0, most, 4)]
        rows = [_told(row, texts) for row in told]
        drawings.append({"names": names, "bars": bars, "ticks": ticks, "rows": rows})
    return drawings


def _bars(row: Mapping[Any, Any], y: Scale) -> Iterator[dict[str, object]]:
    """One month's bar: years with a good, a broken and no start, one on the other."""
    base = 0
    for kind in _KINDS:
        count = int(row[kind])
        if count:
            top, bottom = y(base + count), y(base)
            yield {
                "kind": kind,
                "x": coordinate(40 + (int(row["month"]) - 1) * 48 + 6),
                "y": coordinate(top),
                "height": coordinate(bottom - top),
                "count": count,
                "text_y": coordinate((top + bottom) / 2 + 4),
            }
        base += count


def _told(row: Mapping[Any, Any], texts: Texts) -> dict[str, object]:
    """One month's row of the table."""
    share, waited = float(row["share_good"]), float(row["median_days_waited"])
    return {
        **{name: int(row[name]) for name in ("month", "years", *_KINDS)},
        "share": (
            texts("no_value")
            if isnan(share)
            else texts("choices.percent", value=texts.number(100 * share))
        ),
        "waited": texts("no_value") if isnan(waited) else texts.number(waited),
    }


def _lots(lots: pd.DataFrame | None) -> list[dict[str, object]] | None:
    """Each site's lot as shown; None where none was drawn."""
    if lots is None:
        return None
    return [
        {
            "site": shortened(plain(str(row["site_id"]))),
            "stratum": "" if pd.isna(row["stratum"]) else shortened(plain(str(row["stratum"]))),
            "lot": int(row["lot"]),
            "first": bool(row["sow_first"]),
        }
        for row in lots.to_dict("records")
    ]
