"""What the page reads: the output folder as plain typed rows.

An empty cell is None (numbers, dates) or "" (text). What is missing or foreign is told with the
file, the row and the mend.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, TypeVar

import pandas as pd
import shapely
from shapely.geometry import shape

from afterrains.delivery.columns import Table
from afterrains.delivery.page.next_step import VERDICTS, Verdict
from afterrains.delivery.page.rows import (
    Control,
    Ground,
    Judged,
    Looks,
    Reading,
    SiteSeason,
    Sowing,
)
from afterrains.delivery.page.seasons import Season
from afterrains.delivery.page.texts import plain
from afterrains.delivery.table_files import read_csv, table_of_file
from afterrains.delivery.tables import CONTROLS, SOWING_RAIN, VERDICT_HISTORY
from afterrains.delivery.tables import VERDICTS as VERDICTS_TABLE
from afterrains.errors import OutputError

__all__ = ["Folder", "read_folder"]

_MEND = "run the programme again, which rewrites it"
_T = TypeVar("_T")


@dataclass(frozen=True)
class Folder:
    """An output folder, read."""

    path: Path
    manifest: Mapping[str, Any]
    verdicts: tuple[Judged, ...]
    history: Mapping[str, tuple[Judged, ...]]
    """Each site's judgements, oldest first."""
    calendar: Mapping[str, Season]
    seasons: Mapping[str, tuple[SiteSeason, ...]]
    """Each site's seasons, oldest first."""
    controls: tuple[Control, ...] | None
    sowings: Mapping[str, tuple[Sowing, ...]] | None
    """Each site's sowings, oldest first; None where the table is not there."""
    looks: Looks | None
    grounds: Mapping[str, Ground]

    @property
    def stands_beside(self) -> frozenset[str]:
        """Names of the files that stand beside the report folder."""
        return frozenset(path.name for path in self.path.iterdir() if path.is_file())


def read_folder(path: Path) -> Folder:
    """Read what the page needs.

    Parameters
    ----------
    path : Path
        The output folder (`<output>/<programme id>`).

    Raises
    ------
    OutputError
        When a file is missing, unreadable, or holds what its column cannot be.
    """
    seasons, calendar = _seasons(path)
    sowing_rows = _rows_if_there(SOWING_RAIN, path)
    control_rows = _rows_if_there(CONTROLS, path)
    return Folder(
        path=path,
        manifest=_json(path / "manifest.json"),
        verdicts=tuple(
            sorted((_judged(row) for row in _rows(VERDICTS_TABLE, path)), key=lambda v: v.site_id)
        ),
        history=_by_site(
            (_judged(row) for row in _rows(VERDICT_HISTORY, path)),
            lambda judged: judged.site_id,
            lambda judged: (
                calendar[judged.as_of].start.isoformat()
                if judged.as_of in calendar
                else judged.as_of
            ),
        ),
        calendar=calendar,
        seasons=seasons,
        controls=None if control_rows is None else tuple(_control(row) for row in control_rows),
        sowings=None if sowing_rows is None else _sowings(sowing_rows),
        looks=_looks(path),
        grounds=_grounds(path / "sites.geojson"),
    )


class _Row:
    """One row of a table, which knows where it stands."""

    def __init__(self, file: str, line: int, cells: Mapping[str, Any]) -> None:
        self._place = f"{file}: row {line}"
        self._cells = cells

    def text(self, column: str) -> str:
        return plain(str(self._cells[column]))

    def real(self, column: str) -> float | None:
        value = self._cells.get(column)
        return None if value is None or pd.isna(value) else float(value)

    def whole(self, column: str) -> int | None:
        value = self._cells[column]
        return None if pd.isna(value) else int(value)

    def day(self, column: str) -> date | None:
        value = self._cells[column]
        return None if pd.isna(value) else value.date()

    def sure_day(self, column: str) -> date:
        day = self.day(column)
        if day is None:
            raise OutputError(f"{self._place}: {column} is empty; {_MEND}")
        return day

    def verdict(self) -> Verdict:
        text = self.text("verdict")
        for verdict in VERDICTS:
            if text == verdict:
                return verdict
        raise OutputError(f"{self._place}: {text[:40]!r} is not a verdict; {_MEND}")


def _rows(table: Table, path: Path) -> list[_Row]:
    records = read_csv(table, path).to_dict(orient="records")
    return [
        _Row(table.file, at + 2, {str(key): value for key, value in record.items()})
        for at, record in enumerate(records)
    ]


def _rows_if_there(table: Table, path: Path) -> list[_Row] | None:
    """Every row of a table that need not be there; None where it is not."""
    return _rows(table, path) if (path / table.file).is_file() else None


def _by_site(
    rows: Iterable[_T], site_of: Callable[[_T], str], order: Callable[[_T], Any]
) -> dict[str, tuple[_T, ...]]:
    groups: dict[str, list[_T]] = {}
    for row in rows:
        groups.setdefault(site_of(row), []).append(row)
    return {site: tuple(sorted(group, key=order)) for site, group in sorted(groups.items())}


def _judged(row: _Row) -> Judged:
    return Judged(
        site_id=row.text("site_id"),
        name=row.text("name"),
        stratum=row.text("stratum"),
        as_of=row.text("as_of"),
        first_sown_on=row.day("first_sown_on"),
        seasons_since_sowing=row.whole("seasons_since_sowing"),
        area_ha=row.real("area_ha"),
        verdict=row.verdict(),
        reason=row.text("reason"),
        outcome=row.text("outcome"),
        gain=row.real("gain"),
        gain_low=row.real("gain_low"),
        gain_high=row.real("gain_high"),
        gain_unit=row.text("gain_unit"),
        p_value=row.real("p_value"),
        q_value=row.real("q_value"),
        detectable_gain=row.real("detectable_gain"),
        answer_by=row.text("answer_by"),
        grass_gain=row.real("grass_gain"),
        grass_gain_low=row.real("grass_gain_low"),
        grass_gain_high=row.real("grass_gain_high"),
        controls=row.whole("controls"),
        match_balance=row.real("match_balance"),
        before_trend_p=row.real("before_trend_p"),
        clear_dates=row.whole("clear_dates"),
        rains_anomaly=row.real("rains_anomaly"),
        cost=row.real("cost"),
        cost_per_gained_ha=row.real("cost_per_gained_ha"),
    )


def _seasons(path: Path) -> tuple[dict[str, tuple[SiteSeason, ...]], dict[str, Season]]:
    calendar: dict[str, Season] = {}
    pairs: list[tuple[str, SiteSeason]] = []
    for row in _rows(table_of_file("seasons", path / "seasons.csv"), path):
        season = Season(
            row.text("season"), row.text("kind"), row.sure_day("start"), row.sure_day("end")
        )
        calendar.setdefault(season.season, season)
        site_season = SiteSeason(
            season=season,
            rain_mm=row.real("rain_mm"),
            spi=row.real("spi"),
            clear_dates=row.whole("clear_dates"),
            ndvi=Reading(
                row.real("judged_value"),
                row.real("ndvi_low"),
                row.real("ndvi_high"),
                row.real("control_judged_value"),
            ),
            woody=Reading(
                row.real("judged_value"),
                row.real("woody_low"),
                row.real("woody_high"),
                row.real("control_judged_value"),
            ),
        )
        pairs.append((row.text("site_id"), site_season))
    grouped = _by_site(pairs, lambda pair: pair[0], lambda pair: pair[1].season.start)
    by_start = dict(sorted(calendar.items(), key=lambda item: (item[1].start, item[0])))
    return {site: tuple(row for _, row in rows) for site, rows in grouped.items()}, by_start


def _control(row: _Row) -> Control:
    return Control(
        site_id=row.text("site_id"),
        name=row.text("name"),
        stratum=row.text("stratum"),
        weight_total=row.real("weight_total"),
        used_by=row.whole("used_by"),
        balance=row.real("balance"),
        before_trend_p=row.real("before_trend_p"),
        own_gain=row.real("own_gain"),
        own_gain_low=row.real("own_gain_low"),
        own_gain_high=row.real("own_gain_high"),
        note=row.text("note"),
    )


def _sowings(rows: Iterable[_Row]) -> dict[str, tuple[Sowing, ...]]:
    pairs = (
        (
            row.text("site_id"),
            Sowing(
                sown_on=row.sure_day("sown_on"),
                first_effective_rain_on=row.day("first_effective_rain_on"),
                days_waited=row.whole("days_waited"),
                rain_30d_mm=row.real("rain_30d_mm"),
                longest_dry_spell_30d=row.whole("longest_dry_spell_30d"),
                start=row.text("start"),
                missing_days=row.whole("missing_days") or 0,
            ),
        )
        for row in rows
    )
    grouped = _by_site(pairs, lambda pair: pair[0], lambda pair: pair[1].sown_on)
    return {site: tuple(sowing for _, sowing in pairs) for site, pairs in grouped.items()}


def _looks(path: Path) -> Looks | None:
    file = path / "series.csv"
    if not file.is_file():
        return None
    frame = read_csv(table_of_file("series", file), file)
    dates = sorted(stamp.date() for stamp in frame["date"].dropna().unique())
    sensors = frame["sensor"].map(plain).value_counts().sort_index()
    return Looks(
        rows=len(frame),
        dates=len(dates),
        first=dates[0] if dates else None,
        last=dates[-1] if dates else None,
        by_sensor={str(sensor): int(count) for sensor, count in sensors.items()},
    )


def _json(file: Path) -> dict[str, Any]:
    try:
        content = json.loads(file.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        raise OutputError(f"{file}: there is no such file; {_MEND}") from error
    except (OSError, ValueError) as error:
        raise OutputError(f"{file}: cannot be read ({error}); {_MEND}") from error
    if not isinstance(content, dict):
        raise OutputError(f"{file}: holds no object; {_MEND}")
    return content


def _grounds(file: Path) -> dict[str, Ground]:
    grounds = {}
    for at, feature in enumerate(_json(file).get("features", []), start=1):
        try:
            properties = feature["properties"]
            site_id, role = plain(str(properties["site_id"])), str(properties["role"])
            geometry = feature["geometry"] and shapely.make_valid(shape(feature["geometry"]))
        except (shapely.errors.ShapelyError, ValueError, LookupError, TypeError) as error:
            raise OutputError(
                f"{file}: feature {at} is not a site with a polygon ({error}); {_MEND}"
            ) from error
        if geometry is not None and not geometry.is_empty:
            grounds[site_id] = Ground(site_id, role, geometry)
    return dict(sorted(grounds.items()))
