"""Files of checks as form apps export them, to rows of text under our own names.

CSV: one row a visit; a column may bear its groups before its name (`visit-place-seen`,
`visit/place/seen`), and a position is `gps` in one cell or `gps-Latitude`, `gps-Longitude`,
`gps-Accuracy`. Seedlings come in a second CSV, one row a species, that names its visit in
`PARENT_KEY` (as `KEY` does in the first) or in `visit_id`; or in the first, as `species_1`,
`live_1`, `dead_1`, … (`seedlings[1]/species`).
GeoJSON: one feature a visit with the same names as properties and its position as a point;
`seedlings` is a list of objects.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from afterrains.errors import Finding, InputError
from afterrains.register.findings import FindingList
from afterrains.register.tables import read_csv_strict, row_label

__all__ = ["SEEDLING_FIELDS", "RawCheck", "read_rows", "seedlings_beside"]

# A form always exports these; without one, whole visits would be taken and tell nothing.
_REQUIRED = ("visit_id", "consent", "surveyed_on", "seen")
_FIELDS = (
    "reached", "not_reached_why", "gps", "lat", "lon", "accuracy",
    "woody_cover_percent", "plot_radius_m", "signs", "observer", "remark", "key",
)  # fmt: skip
SEEDLING_FIELDS = ("species", "species_other", "live", "dead")
_MOST_SPECIES = 12
_WIDE = tuple(f"{name}_{at}" for at in range(1, _MOST_SPECIES + 1) for name in SEEDLING_FIELDS)
_POSITION = {"latitude": "lat", "longitude": "lon", "accuracy": "accuracy"}
_OF_LIST = re.compile(r"seedlings\[(\d+)\].*?(species_other|species|live|dead)$")
# Form apps add columns of their own; naming each would hide what matters.
_NOT_TOLD = ("table-renamed-column", "table-extra-column")
_LONGEST = 10_000
_LARGEST_BYTES = 100_000_000


@dataclass(frozen=True)
class RawCheck:
    """One visit as it was returned."""

    where: str
    """Its row or feature, as a user would look it up."""
    cells: dict[str, str]
    """Trimmed text under our names; "" where missing."""
    seedlings: tuple[dict[str, str], ...]
    """The species of the visit, each with `SEEDLING_FIELDS` and `where`, and with `file` where that
    is another; a field is left out where that file lacks the column or has it twice."""
    lacking: frozenset[str] = frozenset()
    """Columns that the file should have and lacks, or has twice: told once, "" in `cells`."""


def read_rows(path: Path, seedlings: Path | None = None) -> tuple[list[RawCheck], list[Finding]]:
    """Read a file of checks.

    Parameters
    ----------
    path : Path
        CSV, or GeoJSON where the name ends in .geojson or .json.
    seedlings : Path, optional
        CSV of the repeated part of the form.

    Returns
    -------
    list of RawCheck
        In the file's order.
    list of Finding
        What is wrong with the form of either file: where one cannot be read at all, the other is
        looked through all the same.
    """
    rows: list[RawCheck] | None = None
    try:
        read = _geojson if path.suffix.lower() in (".geojson", ".json") else _csv
        rows, told = read(path)
    except InputError as error:
        told = list(error.findings)
    if seedlings is not None:
        rows, more = _with_seedlings(rows, seedlings)
        told = told + more
    return rows or [], told


def seedlings_beside(path: Path) -> Path | None:
    """The export of the repeated part, where it lies beside the checks: `<name>-seedlings.csv`."""
    for mark in ("-", "_"):
        beside = path.with_name(f"{path.stem}{mark}seedlings.csv")
        if path.suffix.lower() == ".csv" and beside.is_file():
            return beside
    return None


def _our_name(written: str) -> str:
    """A column of an export as ours: without its groups, whatever parts them."""
    text = written.strip().casefold().replace(" ", "_")
    if match := _OF_LIST.search(text):
        return f"{match[2]}_{match[1]}"
    last = re.split(r"[/:.\-]", text)[-1].strip("_")
    for word, name in _POSITION.items():
        if re.search(rf"gps[/:.\-_]{word}$", text):
            return name
    return "key" if last in ("key", "instanceid", "uuid") else last


def _csv(path: Path) -> tuple[list[RawCheck], list[Finding]]:
    table, told = read_csv_strict(
        path,
        _REQUIRED,
        (*_FIELDS, *_WIDE),
        folded=_first_of_each(_our_name),
        past_header=True,
    )
    lacking = frozenset({*_REQUIRED, *_FIELDS, *_WIDE} - set(table.columns))
    rows = []
    for number, values in zip(table.index.tolist(), table.to_dict("records"), strict=True):
        cells = dict.fromkeys(lacking, "")
        cells |= {str(name): str(value) for name, value in values.items()}
        where = row_label(number)
        wide = tuple(
            {name: cells[f"{name}_{at}"] for name in SEEDLING_FIELDS} | {"where": where}
            for at in range(1, _MOST_SPECIES + 1)
        )
        species = tuple(each for each in wide if any(each[name] for name in SEEDLING_FIELDS))
        rows.append(RawCheck(where, _positioned(cells), species, lacking))
    return rows, [finding for finding in told if finding.code not in _NOT_TOLD]


def _first_of_each(name_of: Callable[[str], str]) -> Callable[[str], str]:
    """Keep the first column of a name: an export may hold `meta-instanceID` and `KEY`."""
    seen: set[str] = set()

    def first(written: str) -> str:
        name = name_of(written)
        if name in seen:
            return ""
        seen.add(name)
        return name

    return first


def _positioned(cells: dict[str, str]) -> dict[str, str]:
    """`gps` in one cell (`lat lon altitude accuracy`, as XForms write it) to its parts."""
    parts = cells.get("gps", "").split()
    if len(parts) >= 2 and not cells["lat"] and not cells["lon"]:
        cells = {**cells, "lat": parts[0], "lon": parts[1]}
        if len(parts) >= 4 and not cells["accuracy"]:
            cells["accuracy"] = parts[3]
    return cells


def _geojson(path: Path) -> tuple[list[RawCheck], list[Finding]]:
    found = FindingList(path.name)
    features = _features(path, found)
    rows = []
    columns: set[str] = set()
    for at, feature in enumerate(features, start=1):
        where = f"feature {at}"
        properties = feature.get("properties") if isinstance(feature, dict) else None
        if not isinstance(properties, dict):
            found.error(where, "is no feature with properties", "remove it", "check-no-feature")
            continue
        named = {_our_name(str(name)): value for name, value in properties.items()}
        columns |= named.keys()
        cells = {name: _text(named.get(name)) for name in (*_REQUIRED, *_FIELDS)}
        place = feature.get("geometry")
        if isinstance(place, dict) and place.get("type") == "Point" and not cells["lat"]:
            lon, lat = [*(place.get("coordinates") or []), "", ""][:2]
            cells |= {"lon": _text(lon), "lat": _text(lat)}
        rows.append(RawCheck(where, _positioned(cells), _listed(named.get("seedlings"), where)))
    for name in _REQUIRED if rows else ():
        if name not in columns:
            what, mend = f"no feature has a property {name!r}", f"name it {name}, as the form does"
            found.error("", what, mend, "check-no-property")
    return rows, found.all()


def _features(path: Path, found: FindingList) -> list[Any]:
    try:
        if path.stat().st_size > _LARGEST_BYTES:
            raise ValueError("larger than 100 MB")
        content = json.loads(path.read_text(encoding="utf-8-sig"))
        features = content["features"] if isinstance(content, dict) else None
        if not isinstance(features, list):
            raise ValueError("no list of features")
    except (OSError, ValueError, KeyError, RecursionError) as error:
        found.error(
            "", f"cannot be read as GeoJSON ({error})",
            "export the checks as GeoJSON (a FeatureCollection) or CSV", "check-no-geojson",
        )  # fmt: skip
        raise InputError(found.all()) from error
    return features


def _text(value: Any) -> str:
    """A JSON value as a cell's text."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return " ".join(_text(each) for each in value)
    return str(value).strip()[:_LONGEST]


def _listed(value: Any, where: str) -> tuple[dict[str, str], ...]:
    """The seedlings of a feature, as a list or as the text of one."""
    if isinstance(value, str):
        try:
            value = json.loads(value)
        except (ValueError, RecursionError):
            return ()
    if not isinstance(value, list):
        return ()
    rows = [
        {_our_name(str(name)): _text(each) for name, each in row.items()}
        for row in value
        if isinstance(row, dict)
    ]
    return tuple(
        {name: row.get(name, "") for name in SEEDLING_FIELDS} | {"where": where} for row in rows
    )


def _with_seedlings(
    rows: list[RawCheck] | None, path: Path
) -> tuple[list[RawCheck] | None, list[Finding]]:
    """Rows with the species of the second file; None, and only its form, where there are none."""
    found = FindingList(path.name)
    try:
        table, told = read_csv_strict(
            path,
            ("species",),
            ("visit_id", "parent_key", *SEEDLING_FIELDS[1:]),
            folded=_first_of_each(_our_name),
            past_header=True,
        )
    except InputError as error:
        return rows, list(error.findings)
    found.extend(finding for finding in told if finding.code not in _NOT_TOLD)
    keys = [name for name in ("visit_id", "parent_key") if name in table]
    if len(keys) == 2 and len(table) and (table[keys] == "").all(axis=None):
        found.error(
            "", "names no visit in any row",
            "give each row the PARENT_KEY or the visit_id of its visit", "seedlings-no-visit",
        )  # fmt: skip
        return rows, found.all()
    if rows is None:
        return None, found.all()
    by_key: dict[str, int | None] = {
        row.cells["key"]: at for at, row in enumerate(rows) if row.cells["key"]
    }
    by_visit = {row.cells["visit_id"]: at for at, row in enumerate(rows)}
    added: dict[int, list[dict[str, str]]] = {}
    for number, values in zip(table.index.tolist(), table.to_dict("records"), strict=True):
        at = by_key.get(values.get("parent_key", ""), by_visit.get(values.get("visit_id", "")))
        # Of a file of checks without ids nobody knows whose seedlings these are.
        if at is None and (len(keys) < 2 or any("visit_id" in row.lacking for row in rows)):
            continue
        if at is None:
            found.error(
                row_label(number), "belongs to no visit in the file of checks",
                "give it the PARENT_KEY or the visit_id of its visit", "seedlings-no-visit",
            )  # fmt: skip
            continue
        cells = {name: str(values[name]) for name in SEEDLING_FIELDS if name in values}
        added.setdefault(at, []).append(cells | {"file": path.name, "where": row_label(number)})
    return [
        replace(row, seedlings=(*row.seedlings, *added.get(at, ()))) for at, row in enumerate(rows)
    ], found.all()
