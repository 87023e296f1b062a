"""Field checks as they came back, read row by row against the visits that were sent out.

Everything wrong is told at once, with its row and mend; a fault of the header hides no fault of a
row. A row with an error stops the whole file: what is accepted must be what was seen. Three things
are no errors and are counted honestly: a visit without consent (of which nothing else is kept), a
place that was not reached, and a plot that lies away from the planned place (kept to train with,
but counted as not reached).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pandas as pd
from pyproj import Geod

from afterrains.delivery.tables.field import FIELD_CHECKS, FIELD_SEEDLINGS
from afterrains.errors import Finding, InputError
from afterrains.field.check_files import RawCheck, read_rows
from afterrains.register.findings import FindingList, has_errors
from afterrains.register.values import Fault, decimal_number, iso_day, near_miss, plain_label

__all__ = ["FAR_M", "Checks", "read_checks"]

FAR_M = 50.0
"""A hand-held receiver is right within some ten metres under open sky; a plot farther than this
from the planned place, over the accuracy told, is another place (common practice, no source)."""
_WRONG_PLACE_M = 5_000.0
_FIRST_DAY = date(1972, 7, 23)  # launch of Landsat 1
_MOST_SEEDLINGS = 100_000
_LARGEST_RADIUS_M = 500.0
_YES = {"yes", "oui", "true", "1"}
_NO = {"no", "non", "false", "0"}
_SEEN = ("more", "unchanged", "less", "unsure")
_WGS84 = Geod(ellps="WGS84")
_OBSERVER_LENGTH = 12


@dataclass(frozen=True)
class Checks:
    """Accepted checks."""

    checks: pd.DataFrame
    """Rows of field_checks.csv."""
    seedlings: pd.DataFrame
    """Rows of field_seedlings.csv."""
    warnings: tuple[Finding, ...]


def read_checks(
    path: Path,
    planned: pd.DataFrame,
    *,
    seedlings: Path | None = None,
    species: Mapping[str, str] | None = None,
    today: date | None = None,
) -> Checks:
    """Read and check a file of checks.

    Parameters
    ----------
    path : Path
        CSV or GeoJSON, see `check_files`.
    planned : DataFrame
        Rows of visit_design.csv: every visit ever sent out.
    seedlings : Path, optional
        CSV of the repeated part of the form.
    species : mapping, optional
        Names of species by the codes of the form.
    today : date, optional
        A visit later than this is an error; the current UTC day if not given.

    Raises
    ------
    InputError
        With every error and warning, where there is at least one error.
    """
    rows, told = read_rows(path, seedlings)
    found = FindingList(path.name)
    found.extend(told)
    if not rows and not has_errors(told):
        found.error("", "holds no checks", "add a row for each visit", "checks-none")
    visits = {str(row["visit_id"]): row for row in planned.to_dict("records")}
    beside = FindingList(seedlings.name if seedlings else path.name)
    reader = _Reader(found, beside, visits, species or {}, today or datetime.now(UTC).date())
    read = [(raw, reader.check(raw)) for raw in rows]
    kept = _one_a_visit([(raw, row) for raw, row in read if row["visit_id"]], found)
    seen = {raw.where: reader.seedlings(raw, row) for raw, row in read}
    counted = [each for raw, _ in kept for each in seen[raw.where]]
    every = [*found.all(), *beside.all()]
    if has_errors(every):
        raise InputError(every)
    return Checks(
        checks=_frame([row for _, row in kept], FIELD_CHECKS.column_names),
        seedlings=_summed(counted),
        warnings=tuple(every),
    )


@dataclass
class _Reader:
    """Reads rows against the visits sent out; what is wrong goes to `found`."""

    found: FindingList
    beside: FindingList
    """What is wrong in the file of seedlings."""
    visits: Mapping[str, Mapping[Any, Any]]
    species: Mapping[str, str]
    today: date

    def check(self, raw: RawCheck) -> dict[str, Any]:
        """The row of field_checks.csv; where the visit is unknown its `visit_id` is ""."""
        cells = raw.cells
        visit_id = cells["visit_id"]
        visit = self.visits.get(visit_id)
        if visit is None and "visit_id" not in raw.lacking:
            hint = near_miss(visit_id, list(self.visits)) if visit_id else ""
            what = f"visit_id {visit_id[:40]!r} was never sent out{hint}"
            mend = "write the visit_id as in visits.csv"
            self.found.error(raw.where, what, mend, "check-unknown-visit")
        consent = self._yes_no(raw, "consent")
        if not cells["consent"] and "consent" not in raw.lacking:
            what, mend = "consent is not told", "write yes or no; without consent there is no check"
            self.found.error(raw.where, what, mend, "check-no-consent-told")
        row: dict[str, Any] = {"visit_id": "", "outcome": "no-consent"}
        if visit is not None:
            row |= {name: visit[name] for name in ("visit_id", "draw", "part", "site_id")}
        # Where consent is not told the file is refused; what else is wrong is told all the same.
        if consent is False:
            return row
        row["surveyed_on"] = self._day(raw)
        reached = self._yes_no(raw, "reached")
        if reached is None:
            reached = bool(cells["woody_cover_percent"] or cells["seen"])
        if not reached:
            why = plain_label(cells["not_reached_why"], longest=80) or "not told"
            return row | {"outcome": "not-reached", "not_reached_why": why}
        placed = self._placed(raw, visit)
        return row | {"outcome": "checked"} | self._measured(raw) | placed

    def seedlings(self, raw: RawCheck, row: Mapping[str, Any]) -> list[dict[str, Any]]:
        """Rows of field_seedlings.csv of a visit that was checked."""
        if row["outcome"] != "checked":
            return []
        rows = []
        for each in raw.seedlings:
            written = plain_label(each.get("species", ""), longest=100)
            other = plain_label(each.get("species_other", ""), longest=100)
            name = (
                other if written in ("", "other") and other else self.species.get(written, written)
            )
            live, dead = (self._count(each, key) for key in ("live", "dead"))
            if not name and "species" in each:
                what, mend = "seedlings without a species", "name the species, or write unknown"
                self._list_of(each).error(each["where"], what, mend, "seedlings-no-species")
                continue
            rows.append({"visit_id": row["visit_id"], "species": name, "live": live, "dead": dead})
        return rows

    def _yes_no(self, raw: RawCheck, column: str) -> bool | None:
        text = raw.cells[column].casefold()
        if text in _YES or text in _NO:
            return text in _YES
        if text:
            what = f"{column} is {raw.cells[column][:40]!r}"
            self.found.error(raw.where, what, "write yes or no", "check-yes-no")
        return None

    def _day(self, raw: RawCheck) -> date | None:
        if "surveyed_on" in raw.lacking:
            return None
        day = iso_day(raw.cells["surveyed_on"])
        if isinstance(day, date) and not _FIRST_DAY <= day <= self.today:
            ahead = "lies ahead" if day > self.today else "lies before any satellite scene"
            day = Fault(f"{day} {ahead}", "correct the day")
        if isinstance(day, Fault):
            self.found.error(raw.where, f"surveyed_on {day.what}", day.mend, "check-date")
            return None
        return day

    def _number(self, raw: RawCheck, column: str, code: str, least: float, most: float) -> float:
        number = decimal_number(raw.cells[column], least=least, most=most)
        if isinstance(number, Fault):
            self.found.error(raw.where, f"{column} {number.what}", number.mend, code)
            return math.nan
        return number

    def _list_of(self, each: Mapping[str, str]) -> FindingList:
        """Where a fault of one species is told: it may stand in a file of its own."""
        return self.beside if "file" in each else self.found

    def _count(self, each: Mapping[str, str], column: str) -> int:
        text = each.get(column, "")
        number = decimal_number(text, least=0, most=_MOST_SEEDLINGS)
        if not isinstance(number, Fault) and not math.isnan(number) and number % 1:
            number = Fault(f"{text} is a fraction", "write a whole number")
        if isinstance(number, Fault):
            what = f"{column} {number.what}"
            self._list_of(each).error(each["where"], what, number.mend, "seedlings-count")
            return 0
        return 0 if math.isnan(number) else int(number)

    def _measured(self, raw: RawCheck) -> dict[str, Any]:
        """What was seen in the plot."""
        cells = raw.cells
        seen = cells["seen"].casefold()
        if seen and seen not in _SEEN:
            hint = near_miss(seen, list(_SEEN))
            what = f"seen is {cells['seen'][:40]!r}{hint}"
            self.found.error(raw.where, what, f"write one of {', '.join(_SEEN)}", "check-seen")
        cover = self._number(raw, "woody_cover_percent", "check-percent", 0, 100)
        asked = {"seen", "woody_cover_percent"}
        if not any(cells[name] for name in asked) and not asked & raw.lacking:
            what = "was reached, but neither woody_cover_percent nor seen is told"
            mend = "fill in what was seen, or write no under reached"
            self.found.error(raw.where, what, mend, "check-nothing-seen")
        signs = [plain_label(sign, longest=40) for sign in cells["signs"].replace(";", " ").split()]
        observer = plain_label(cells["observer"])
        if len(observer) > _OBSERVER_LENGTH or " " in observer:
            what = "observer looks like a name"
            mend = f"write a code of up to {_OBSERVER_LENGTH} letters and digits, not a name"
            self.found.error(raw.where, what, mend, "check-observer")
        radius = self._number(raw, "plot_radius_m", "check-radius", 1, _LARGEST_RADIUS_M)
        return {
            "woody_cover_percent": cover,
            "plot_radius_m": radius,
            "seen": seen,
            "signs": ";".join(signs),
            "observer": observer,
            "remark": plain_label(cells["remark"], longest=1000),
        }

    def _placed(self, raw: RawCheck, visit: Mapping[Any, Any] | None) -> dict[str, Any]:
        """Where the plot lies, and whether that is the planned place."""
        lon = self._number(raw, "lon", "check-position", -180, 180)
        lat = self._number(raw, "lat", "check-position", -90, 90)
        # An app that was not told the accuracy writes 0 or nothing; neither is a mistake.
        accuracy = decimal_number(raw.cells["accuracy"], least=0)
        if visit is None:
            return {}
        if math.isnan(lon) or math.isnan(lat):
            what = f"visit {visit['visit_id']!r} has no position, so it is not counted"
            mend = "give the position where it was noted; only then is it known to be the place"
            self.found.warning(raw.where, what, mend, "check-no-position")
            return {"at_place": False}
        distance = float(_WGS84.inv(visit["lon"], visit["lat"], lon, lat)[2])
        off = 0.0 if isinstance(accuracy, Fault) or math.isnan(accuracy) else accuracy
        if distance > _WRONG_PLACE_M:
            what = f"lies {distance / 1000:.0f} km from the planned place of {visit['visit_id']!r}"
            mend = "correct the position (latitude and longitude may be swapped) or the visit_id"
            self.found.error(raw.where, what, mend, "check-wrong-place")
        elif distance > FAR_M + min(off, FAR_M):
            what = f"lies {distance:.0f} m from the planned place of {visit['visit_id']!r}"
            mend = "it is kept to train with, but is no check of that place; go back if you can"
            self.found.warning(raw.where, what, mend, "check-far")
        at_place = distance <= FAR_M + min(off, FAR_M)
        return {"lon": lon, "lat": lat, "distance_m": distance, "at_place": at_place}


def _one_a_visit(
    rows: Iterable[tuple[RawCheck, dict[str, Any]]], found: FindingList
) -> list[tuple[RawCheck, dict[str, Any]]]:
    """Each visit once: a check stands over tries that did not reach the place."""
    kept: dict[str, tuple[RawCheck, dict[str, Any]]] = {}
    for raw, row in rows:
        earlier = kept.get(row["visit_id"])
        if earlier is None or earlier[1]["outcome"] == "not-reached":
            kept[row["visit_id"]] = (raw, row)
        elif row["outcome"] != "not-reached":
            what = f"visit {row['visit_id']!r} is in {earlier[0].where} already"
            found.error(raw.where, what, "keep one of the rows", "check-twice")
    return list(kept.values())


def _frame(rows: list[dict[str, Any]], columns: list[str]) -> pd.DataFrame:
    """Rows of field_checks.csv with the types of the table."""
    frame = pd.DataFrame(rows, columns=columns)
    texts = ("not_reached_why", "seen", "signs", "observer", "remark")
    frame[list(texts)] = frame[list(texts)].astype(object).fillna("")
    frame["surveyed_on"] = pd.to_datetime(frame["surveyed_on"]).astype("datetime64[ns]")
    numbers = ["lon", "lat", "distance_m", "woody_cover_percent", "plot_radius_m"]
    return frame.astype({name: float for name in numbers} | {"at_place": "boolean"})


def _summed(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """One row for each visit and species, however often the form named it."""
    frame = pd.DataFrame(rows, columns=FIELD_SEEDLINGS.column_names)
    frame = frame.astype({"visit_id": object, "species": object, "live": int, "dead": int})
    return frame.groupby(["visit_id", "species"], as_index=False)[["live", "dead"]].sum()
