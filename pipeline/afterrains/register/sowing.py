"""The sowing table: what was sown where, when, how, with which seed and at what cost."""

from __future__ import annotations

import math
from collections import defaultdict
from datetime import date, timedelta
from pathlib import Path

import pandas as pd

from afterrains.errors import InputError
from afterrains.register.findings import FindingList, counted, first_few, has_errors
from afterrains.register.sites import SiteTable
from afterrains.register.tables import read_csv_strict, row_label
from afterrains.register.values import Fault, decimal_number, iso_day, near_miss, plain_label

__all__ = ["SOWING_COLUMNS", "read_sowing"]

SOWING_COLUMNS = ("site_id", "sown_on", "method", "species", "seed_lot", "seed_kg_per_ha", "cost")
_REQUIRED = ("site_id", "sown_on")
_OPTIONAL = ("method", "species", "seed_kg_per_ha", "seed_lot", "cost")
# Landsat 1 was launched on 23 July 1972: no scene tells of an earlier sowing.
_FIRST_DAY = date(1972, 7, 23)
# Broadcast dryland mixes are sown at units to tens of kg/ha (common practice, no source).
_MUCH_SEED_KG_PER_HA = 500.0
_MOST_COST = 1e15
_TEXTS = ("method", "species", "seed_lot")
_LONGEST_TEXT = 10_000  # as long as a cell may be: a mix of many species is told whole


def read_sowing(
    path: Path,
    sites: SiteTable | None,
    found: FindingList,
    *,
    scenes_end: date,
    today: date,
) -> pd.DataFrame | None:
    """Read the sowing table and check it against the sites.

    Parameters
    ----------
    path : Path
        The CSV file.
    sites : SiteTable or None
        None where the sites could not be read; sites are then not compared.
    found : FindingList
        Takes the findings.
    scenes_end : date
        Last day of the scenes; a later sowing is not judged yet.
    today : date
        A sowing more than a year later than this (and than `scenes_end`) is taken for a slip.

    Returns
    -------
    DataFrame or None
        The columns `SOWING_COLUMNS`, sorted by site_id and sown_on, of the rows without an error;
        None where the file cannot be read as a table.
    """
    try:
        table, told = read_csv_strict(path, _REQUIRED, _OPTIONAL)
    except InputError as error:
        found.extend(error.findings)
        return None
    found.extend(told)
    latest = max(today, scenes_end) + timedelta(days=366)
    rows = []
    columns = {name: table[name].tolist() for name in table.columns}
    for at, row in enumerate(table.index.tolist()):
        cells = {name: column[at] for name, column in columns.items()}
        where = row_label(row)
        site_id = _known_site(cells["site_id"], where, sites, found)
        sown_on = _sown_on(cells["sown_on"], where, scenes_end, latest, found)
        seed = _number("seed_kg_per_ha", cells, where, None, found)
        cost = _number("cost", cells, where, _MOST_COST, found)
        if seed > _MUCH_SEED_KG_PER_HA:
            what, mend = f"seed_kg_per_ha is {seed:g}", "check that it is per hectare, in kilograms"
            found.warning(where, what, mend, "sowing-much-seed")
        if site_id and sown_on:
            texts = {name: plain_label(cells[name], longest=_LONGEST_TEXT) for name in _TEXTS}
            rows.append(
                {
                    "site_id": site_id,
                    "sown_on": sown_on,
                    **texts,
                    "seed_kg_per_ha": seed,
                    "cost": cost,
                }
            )
    _same_rows(table, found)
    if sites is not None and not has_errors(told):
        _sites_without_rows(sites, set(table["site_id"]), found)
    sowing = pd.DataFrame(rows, columns=list(SOWING_COLUMNS))
    texts_dtype = dict.fromkeys(("site_id", *_TEXTS), str)
    sowing = sowing.astype({**texts_dtype, "seed_kg_per_ha": float, "cost": float})
    sowing["sown_on"] = pd.to_datetime(sowing["sown_on"]).astype("datetime64[ns]")
    return sowing.sort_values(["site_id", "sown_on", *_TEXTS], kind="stable").reset_index(drop=True)


def _known_site(site_id: str, where: str, sites: SiteTable | None, found: FindingList) -> str:
    """The id if it is a sown site's; "" where it is not."""
    if not site_id:
        mend = "write the id of the site that was sown"
        found.error(where, "has no site_id", mend, "sowing-no-site")
        return ""
    if sites is None:
        return site_id
    if site_id not in sites.named:
        what = f"there is no site {site_id[:100]!r}{near_miss(site_id, sorted(sites.named))}"
        mend = "correct the id, or add the site to the sites file"
        found.error(where, what, mend, "sowing-unknown-site")
        return ""
    if sites.named[site_id] == "control":
        what = f"site {site_id!r} is a control, and a control is ground that was not sown"
        mend = "delete the row, or make the site's role sown"
        found.error(where, what, mend, "sowing-on-control")
        return ""
    return site_id


def _sown_on(
    text: str, where: str, scenes_end: date, latest: date, found: FindingList
) -> date | None:
    day = iso_day(text) if text else Fault("is empty", "write the day of sowing as YYYY-MM-DD")
    if isinstance(day, Fault):
        found.error(where, f"sown_on {day.what}", day.mend, "sowing-bad-date")
        return None
    if day < _FIRST_DAY:
        what = f"sown_on {day} lies before the first scenes of any satellite ({_FIRST_DAY})"
        found.error(where, what, "correct the year", "sowing-date-impossible")
        return None
    if day > latest:
        what = f"sown_on {day} lies more than a year ahead"
        found.error(where, what, "correct the year", "sowing-date-impossible")
        return None
    if day > scenes_end:
        what = f"sown_on {day} lies after scenes.end ({scenes_end}), so it is not judged yet"
        mend = "nothing to do, unless the date is wrong or newer scenes exist"
        found.warning(where, what, mend, "sowing-after-scenes")
    return day


def _number(
    name: str, cells: dict[str, str], where: str, most: float | None, found: FindingList
) -> float:
    number = decimal_number(cells[name], least=0.0, most=most)
    if isinstance(number, Fault):
        found.error(where, f"{name} {number.what}", number.mend, "sowing-bad-number")
        return math.nan
    return number


def _same_rows(table: pd.DataFrame, found: FindingList) -> None:
    rows: dict[tuple[str, ...], list[int]] = defaultdict(list)
    for row, cells in zip(table.index.tolist(), table.itertuples(index=False), strict=True):
        rows[tuple(cells)].append(row)
    for same in rows.values():
        if len(same) > 1:
            what = f"is the same as row {same[0]}, so its cost and seed would count twice"
            for row in same[1:]:
                found.error(row_label(row), what, "delete one of them", "sowing-duplicate-row")


def _sites_without_rows(sites: SiteTable, listed: set[str], found: FindingList) -> None:
    bare = [name for name, role in sites.named.items() if role == "sown" and name not in listed]
    if bare:
        what = f"has no row for {counted(len(bare), 'sown site')}: {first_few(bare, 10)}"
        mend = "add a row with the day of sowing, or correct the sites' role"
        found.error("", what, mend, "sowing-missing-site")
