"""Daily rain from wherever the programme keeps it."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

import geopandas as gpd

from afterrains.errors import Finding, InputError
from afterrains.programme import Rain
from afterrains.rain.record import RainRecord
from afterrains.rain.table import check_table

__all__ = ["check_rain", "read_rain"]


def check_rain(
    rain: Rain, sites: gpd.GeoDataFrame | None = None, *, today: date | None = None
) -> list[Finding]:
    """Everything that is wrong with the programme's rain, each with file, row and mend.

    Parameters
    ----------
    rain : Rain
        The programme file's rain source.
    sites : GeoDataFrame, optional
        The programme's sites, with `site_id`.
    today : date, optional
        Readings after this day are faults; the clock's day if unset.
    """
    return _read(rain, sites, today)[1]


def read_rain(
    rain: Rain, sites: gpd.GeoDataFrame | None = None, *, today: date | None = None
) -> RainRecord:
    """The programme's daily rain; arguments as in `check_rain`.

    Raises
    ------
    InputError
        With every error found.
    """
    record, findings = _read(rain, sites, today)
    if record is None or any(finding.severity == "error" for finding in findings):
        raise InputError(finding for finding in findings if finding.severity == "error")
    return record


def _read(
    rain: Rain, sites: gpd.GeoDataFrame | None, today: date | None
) -> tuple[RainRecord | None, list[Finding]]:
    if rain.table is not None:
        site_ids: Iterable[str] | None = None if sites is None else sites["site_id"]
        daily, findings = check_table(rain.table, site_ids, today=today)
        record = None if daily is None else RainRecord(daily, f"station table {rain.table.name}")
        return record, findings
    raise NotImplementedError
