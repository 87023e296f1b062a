"""Field plots: woody cover as seen on the ground or in pictures, to train and to check with."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

import pandas as pd
from pyproj import Geod

from afterrains.errors import Finding, InputError
from afterrains.register.findings import FindingList, first_few, has_errors
from afterrains.register.tables import read_csv_strict, row_label
from afterrains.register.values import Fault, decimal_number, identifier, iso_day, plain_label

__all__ = ["PLOT_COLUMNS", "check_plots", "read_plots"]

_REQUIRED = ("plot_id", "lon", "lat", "surveyed_on", "woody_cover_percent", "source")
_OPTIONAL = ("plot_radius_m", "site_id", "observer")
PLOT_COLUMNS = _REQUIRED + _OPTIONAL

_FIRST_DAY = date(1972, 7, 23)  # launch of Landsat 1
_LARGEST_RADIUS_M = 500.0
# A hand-held receiver is right within some ten metres under open sky (common practice, no source).
_SAME_PLACE_M = 50.0
_ENOUGH_TO_TELL = 5  # plots, before their cover as a whole is doubted
_WGS84 = Geod(ellps="WGS84")


def read_plots(path: Path, *, today: date | None = None) -> pd.DataFrame:
    """Read and check a table of plots.

    Parameters
    ----------
    path : Path
        CSV file, contract columns.
    today : date, optional
        A survey later than this is an error; the current UTC day if not given.

    Returns
    -------
    DataFrame
        In the file's order: plot_id, lon and lat (degrees, WGS 84), surveyed_on (datetime64),
        woody_cover_percent (0-100), source, plot_radius_m (NaN when missing), site_id and observer
        ("" when missing).

    Raises
    ------
    InputError
        With every error and warning, where there is at least one error.
    """
    plots, findings = _read(path, today or datetime.now(UTC).date())
    if plots is None or has_errors(findings):
        raise InputError(findings)
    return plots


def check_plots(path: Path, *, today: date | None = None) -> list[Finding]:
    """Every problem of a table of plots."""
    return _read(path, today or datetime.now(UTC).date())[1]


def _read(path: Path, today: date) -> tuple[pd.DataFrame | None, list[Finding]]:
    try:
        table, told = read_csv_strict(path, _REQUIRED, _OPTIONAL)
    except InputError as error:
        return None, list(error.findings)
    found = FindingList(path.name)
    found.extend(told)
    rows: dict[int, dict[str, object]] = {}
    columns = {name: table[name].tolist() for name in table.columns}
    for at, row in enumerate(table.index.tolist()):
        plot = _plot({name: column[at] for name, column in columns.items()}, row, today, found)
        if plot is not None:
            rows[row] = plot
    if not rows and not has_errors(found.all()):
        found.error("", "holds no plots", "add a row for each plot", "plots-none")
    texts = dict.fromkeys(("plot_id", "source", "site_id", "observer"), str)
    numbers = dict.fromkeys(("lon", "lat", "woody_cover_percent", "plot_radius_m"), float)
    plots = pd.DataFrame(list(rows.values()), index=list(rows), columns=list(PLOT_COLUMNS))
    plots = plots.astype({**texts, **numbers})
    plots["surveyed_on"] = pd.to_datetime(plots["surveyed_on"]).astype("datetime64[ns]")
    _tell_same_survey(plots, found)
    _tell_moved_plots(plots, found)
    _tell_fractions(plots, found)
    return plots.reset_index(drop=True), found.all()


def _plot(
    cells: dict[str, str], row: int, today: date, found: FindingList
) -> dict[str, object] | None:
    """One row's values; None where any of them is wrong."""
    values: dict[str, object | Fault] = {
        "plot_id": identifier(cells["plot_id"]),
        "lon": _needed(cells["lon"], -180.0, 180.0),
        "lat": _needed(cells["lat"], -90.0, 90.0),
        "surveyed_on": _survey_day(cells["surveyed_on"], today),
        "woody_cover_percent": _needed(cells["woody_cover_percent"], 0.0, 100.0),
        "source": plain_label(cells["source"])
        or Fault("is empty", "say how cover was seen, such as field or picture"),
        "plot_radius_m": decimal_number(cells["plot_radius_m"], least=1.0, most=_LARGEST_RADIUS_M),
        "site_id": plain_label(cells["site_id"]),
        "observer": plain_label(cells["observer"]),
    }
    faults = {name: value for name, value in values.items() if isinstance(value, Fault)}
    swapped = decimal_number(cells["lat"], least=-180, most=180), _needed(cells["lon"], -90, 90)
    if "lat" in faults and not any(isinstance(value, Fault) for value in swapped):
        mend = "longitude and latitude look swapped, or the longitude is wrong"
        faults["lat"] = Fault(faults["lat"].what, mend)
    for name, fault in faults.items():
        code = _CODES.get(name, "plot-bad-number")
        found.error(row_label(row), f"{name} {fault.what}", fault.mend, code)
    return None if faults else values


_CODES = {
    "plot_id": "plot-bad-id",
    "surveyed_on": "plot-bad-date",
    "source": "plot-no-source",
}


def _needed(text: str, least: float, most: float) -> float | Fault:
    """A number that may not be missing."""
    if not text:
        return Fault("is empty", "write the number")
    return decimal_number(text, least=least, most=most)


def _survey_day(text: str, today: date) -> date | Fault:
    day = iso_day(text)
    if isinstance(day, Fault) or _FIRST_DAY <= day <= today:
        return day
    what = "lies ahead" if day > today else "lies before any satellite scene"
    return Fault(f"{day} {what}", "correct the year")


def _tell_same_survey(plots: pd.DataFrame, found: FindingList) -> None:
    """One plot on one day is one survey; two would count it twice or leave its cover open."""
    for (plot_id, day), same in plots.groupby(["plot_id", "surveyed_on"], sort=False):
        for row in same.index[1:]:
            what = f"plot {plot_id!r} was surveyed on {day:%Y-%m-%d} in row {same.index[0]} already"
            mend = "keep one of the rows, or give the plots ids of their own"
            found.error(row_label(row), what, mend, "plot-same-survey")


def _tell_moved_plots(plots: pd.DataFrame, found: FindingList) -> None:
    """A plot surveyed again has to lie where it lay."""
    first = plots.groupby("plot_id")[["lon", "lat"]].transform("first")
    moved_m = _WGS84.inv(
        first["lon"].to_numpy(),
        first["lat"].to_numpy(),
        plots["lon"].to_numpy(),
        plots["lat"].to_numpy(),
    )[2]
    moved = plots["plot_id"][moved_m > _SAME_PLACE_M].unique()
    if len(moved):
        what = f"the surveys of {first_few(moved)} lie more than {_SAME_PLACE_M:g} m apart"
        mend = "correct the places, or give the plots ids of their own"
        found.warning("", what, mend, "plot-moved")


def _tell_fractions(plots: pd.DataFrame, found: FindingList) -> None:
    cover = plots["woody_cover_percent"]
    if len(cover) >= _ENOUGH_TO_TELL and 0 < cover.max() <= 1:
        what = "no woody_cover_percent is above 1, as if cover were written as fractions"
        found.warning("", what, "write percent, from 0 to 100", "plot-fractions")
