"""Daily rain from wherever the programme keeps it."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from pathlib import Path

import geopandas as gpd

from afterrains.errors import Finding, InputError
from afterrains.programme import Rain
from afterrains.rain.catalogue import check_catalogue
from afterrains.rain.record import RainRecord
from afterrains.rain.stack import check_stack
from afterrains.rain.table import check_table

__all__ = ["check_rain", "inspect_rain", "read_rain"]


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
    return inspect_rain(rain, sites, today=today)[1]


def read_rain(
    rain: Rain, sites: gpd.GeoDataFrame | None = None, *, today: date | None = None
) -> RainRecord:
    """The programme's daily rain; arguments as in `check_rain`.

    Raises
    ------
    InputError
        With every error found.
    """
    record, findings = inspect_rain(rain, sites, today=today)
    if record is not None:
        return record
    errors = [finding for finding in findings if finding.severity == "error"]
    if not errors:
        raise ValueError("a grid or a catalogue of rain is read at sites, and none were given")
    raise InputError(errors)


def inspect_rain(
    rain: Rain, sites: gpd.GeoDataFrame | None = None, *, today: date | None = None
) -> tuple[RainRecord | None, list[Finding]]:
    """The record (None where there are errors) and every finding, in one reading of the source.

    A grid or a catalogue without sites is checked as far as it goes without them.
    """
    if rain.table is not None:
        site_ids: Iterable[str] | None = None if sites is None else sites["site_id"]
        daily, findings = check_table(rain.table, site_ids, today=today)
        record = None if daily is None else RainRecord(daily, f"station table {rain.table.name}")
        return record, findings
    if rain.grid is not None:
        if _is_geotiff(rain.grid):
            return check_stack(rain.grid, sites)
        from afterrains.rain.netcdf import check_netcdf  # loads xarray, 15 MB that others spare

        return check_netcdf(rain.grid, sites)
    assert rain.catalogue is not None, "the programme file's check asks for one source"
    return check_catalogue(rain.catalogue, sites)


def _is_geotiff(path: Path) -> bool:
    """Whether a path is a GeoTIFF, or a folder that is no Zarr store."""
    if not path.is_dir():
        return path.suffix.lower() in (".tif", ".tiff")
    return not any((path / name).exists() for name in (".zgroup", ".zmetadata", "zarr.json"))
