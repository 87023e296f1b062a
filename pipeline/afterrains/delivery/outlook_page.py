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
from afterrains.delivery.outlook_seen import first_seen, gain_curves, seen_by_plan
from afterrains.delivery.page.axes import Scale, coordinate, nice_ticks
from afterrains.delivery.page.palette import css_variables
from afterrains.delivery.page.seasons import Season, SeasonNames
from afterrains.delivery.page.sentences import Sentences
from afterrains.delivery.page.texts import Texts, load_texts, one_line, plain, shortened
from afterrains.rain import LONG_WAIT_DAYS

__all__ = ["OutlookPage", "season_rows", "write_outlook_page"]

_MOST_RAINS = 12
_LONGEST_TITLE = 120
_KINDS = ("good", "broken", "none")


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
        curves=gain_curves(page.gains, unit, texts),
        plan=seen_by_plan(page.gains, texts),
        sites=first_seen(page.gains, unit, names, texts),
        rains=_rains(page.starts, texts),
        kinds=_KINDS,
        long_wait=LONG_WAIT_DAYS,
        most_rains=_MOST_RAINS,
        lots=_lots(page.lots),
        unit_key=unit,
        unit=texts(f"outlook.seen.unit.{unit}"),
        report=(output / "report" / "index.html").is_file(),
    )
    return write_bytes(output / "outlook.html", text.encode())


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
        drawings.append(
            {
                "names": names, "bars": bars, "ticks": ticks, "rows": rows,
                "said": _said(told, texts), "late": any(row["late"] for row in rows),
            }
        )  # fmt: skip
    return drawings


def _late(row: Mapping[Any, Any]) -> bool:
    """Whether seed sown in the month usually lies through a dry season."""
    return float(row["median_days_waited"]) > LONG_WAIT_DAYS


def _said(rows: list[dict[Any, Any]], texts: Texts) -> str:
    """Which months have their rain soon, the best of them, and what to think of the others.

    The share of good starts alone misleads where there is one rainy season: sown long before it,
    seed wakes in the very rain that a later sowing would have found.
    """

    def months(of: list[dict[Any, Any]]) -> str:
        return ", ".join(texts(f"writing.months.{int(row['month']) - 1}") for row in of)

    told = [row for row in rows if row["years"] and not isnan(row["median_days_waited"])]
    soon = [row for row in told if not _late(row)]
    late = [row for row in told if _late(row)]
    parts = []
    if soon:
        most = max(row["share_good"] for row in soon)
        best = [row for row in soon if row["share_good"] == most]
        percent = texts("choices.percent", value=texts.number(100 * most))
        parts.append(texts("outlook.rain.soon", months=months(soon), days=LONG_WAIT_DAYS))
        if most > 0:
            parts.append(texts("outlook.rain.best", months=months(best), share=percent))
    if late:
        parts.append(texts("outlook.rain.late", months=months(late)))
    return " ".join(parts)


def _bars(row: Mapping[Any, Any], y: Scale) -> Iterator[dict[str, object]]:
    """One month's bar: years with a good, a broken and no start, one on the other."""
    base = 0
    for kind in _KINDS:
        count = int(row[kind])
        if count:
            top, bottom = y(base + count), y(base)
            yield {
                "kind": "late" if kind == "good" and _late(row) else kind,
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
        "late": _late(row),
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
