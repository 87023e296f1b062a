"""The panel of site values by season, checked whole and turned into arrays.

Every array has one row a site and one column a season of one kind, in order of time. A missing
value is NaN. `variance` is the relative variance of a value (1 is the middle of the panel), taken
from the optional precision columns; it says how values compare, never how noisy they are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from afterrains.errors import Finding, InputError
from afterrains.evidence.grass import grassiness

__all__ = ["Panel", "SeasonTable", "read_panel"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.intp]
_NEEDED = ("site_id", "role", "season", "kind", "time", "value")
# A cell seen once is not a hundred times noisier than one seen often: much of the noise is the
# ground's own. The bounds keep one odd count from ruling a site's baseline.
_VARIANCE_BOUNDS = (0.1, 10.0)


@dataclass(frozen=True)
class SeasonTable:
    """Values of all sites in the seasons of one kind.

    `values` and `variance` have shape (sites, seasons); `times` (seasons,) increases strictly.
    """

    seasons: tuple[str, ...]
    times: NDArray[np.datetime64]
    values: Floats
    variance: Floats
    rain: Floats | None = None
    """mm, shape (sites, seasons); None where unknown or the same everywhere."""

    def until(self, time: np.datetime64) -> SeasonTable:
        """The seasons up to and including `time`: what was known then."""
        n = int(np.searchsorted(self.times, time, side="right"))
        return SeasonTable(
            self.seasons[:n],
            self.times[:n],
            self.values[:, :n],
            self.variance[:, :n],
            None if self.rain is None else self.rain[:, :n],
        )


@dataclass(frozen=True)
class Panel:
    """A checked panel; sites are sorted by id, `sown_on` is the day from which seasons
    are counted: the sowing, or the rain that woke the seed; NaT where there was neither yet.
    """

    site_ids: NDArray[np.str_]
    is_sown: Bools
    sown_on: NDArray[np.datetime64]
    stratum: NDArray[np.str_]
    x: Floats
    y: Floats
    area_ha: Floats
    dry: SeasonTable
    rains: SeasonTable
    grassiness: SeasonTable | None = None
    """Of the dry seasons: what crowns lower and grass does not; see `grass`."""


def read_panel(panel: pd.DataFrame, sowing: pd.DataFrame) -> Panel:
    """Check the two tables and turn them into arrays.

    Parameters
    ----------
    panel : DataFrame
        One row per site and season; see `afterrains.contrast.judge`.
    sowing : DataFrame
        `site_id`, `sown_on`; further rows of a site are re-sowings and the first counts. Optional
        `clock_from`: the day of the first effective rain, empty while there was none; seasons are
        counted from it, and those between sowing and it are left out.

    Returns
    -------
    Panel
        Arrays of all sites, those of `sowing` that the panel does not hold with no value at all.

    Raises
    ------
    InputError
        With a finding for each fault of either table.
    """
    _check(panel, sowing)
    sowing = sowing.assign(site_id=sowing["site_id"].astype(str))
    first = sowing.assign(sown_on=_dates(sowing["sown_on"])).groupby("site_id")["sown_on"].min()
    frame = panel.assign(
        site_id=panel["site_id"].astype(str),
        time=_dates(panel["time"]),
        value=pd.to_numeric(panel["value"]).astype(float),
    )
    clock = _clock(sowing, first)
    if "clock_from" in sowing:
        # Seed that lies and waits for rain is neither ground before sowing nor a season it had.
        sown, woken = (frame["site_id"].map(days) for days in (first, clock))
        waiting = (frame["time"] > sown) & ~(frame["time"] > woken)
        told = [name for name in ("value", "dead_grass", "greenness") if name in frame]
        frame[told] = frame[told].astype(float).mask(waiting)
    roles = frame.groupby("site_id")["role"].first()
    unseen = first.index.astype(str).difference(roles.index)
    roles = pd.concat([roles, pd.Series("sown", index=unseen, dtype=object)]).sort_index()
    ids = roles.index
    frame["precision"] = _precision(frame)

    # With nothing sown yet the whole record is one from before sowing.
    earliest = pd.Timestamp(first.min()) if len(first) else pd.Timestamp.max

    def trait(name: str, default: object) -> pd.Series:
        if name not in frame:
            return pd.Series(default, index=ids)
        return frame.groupby("site_id")[name].first().reindex(ids)

    dry = frame[frame["kind"] == "dry"]
    grassy = grassiness(dry)
    return Panel(
        site_ids=ids.to_numpy(dtype=str),
        is_sown=(roles == "sown").to_numpy(),
        sown_on=clock.reindex(ids).to_numpy(dtype="datetime64[D]"),
        stratum=trait("stratum", "").fillna("").to_numpy(dtype=str),
        x=trait("x", np.nan).to_numpy(dtype=float),
        y=trait("y", np.nan).to_numpy(dtype=float),
        area_ha=trait("area_ha", np.nan).to_numpy(dtype=float),
        dry=_season_table(dry, ids, earliest),
        rains=_season_table(frame[frame["kind"] == "rains"], ids, earliest),
        grassiness=None if grassy is None else _season_table(grassy, ids, earliest),
    )


def _clock(sowing: pd.DataFrame, first: pd.Series) -> pd.Series:
    """Day from which each site's seasons are counted; NaT where its seed still waits for rain."""
    if "clock_from" not in sowing:
        return first
    clock = _dates(sowing["clock_from"]).groupby(sowing["site_id"]).min().reindex(first.index)
    return clock.where(~(clock < first), first)


def _dates(column: pd.Series) -> pd.Series:
    return pd.to_datetime(column).astype("datetime64[s]")


def _precision(frame: pd.DataFrame) -> pd.Series:
    """Relative precision of each row: its weight, else its clear dates times root area."""
    if "weight" in frame:
        return pd.to_numeric(frame["weight"]).astype(float)
    precision = pd.Series(1.0, index=frame.index)
    if "clear_dates" in frame:
        precision = precision * pd.to_numeric(frame["clear_dates"]).clip(lower=0.5).fillna(1.0)
    if "area_ha" in frame:
        # Neighbouring pixels err alike, so noise falls slower than with the whole area.
        precision = precision * np.sqrt(pd.to_numeric(frame["area_ha"]).clip(lower=0.01)).fillna(
            1.0
        )
    return precision


def _season_table(frame: pd.DataFrame, ids: pd.Index, first_sowing: pd.Timestamp) -> SeasonTable:
    times = frame.groupby("season")["time"].min().sort_values(kind="stable")
    shape = (len(ids), len(times))
    rows = ids.get_indexer(pd.Index(frame["site_id"]))
    columns = times.index.get_indexer(pd.Index(frame["season"]))
    values, precision = np.full(shape, np.nan), np.full(shape, np.nan)
    values[rows, columns] = frame["value"].to_numpy()
    precision[rows, columns] = frame["precision"].to_numpy()
    usable = np.isfinite(values) & np.isfinite(precision) & (precision > 0)
    values = np.where(usable, values, np.nan)
    variance = np.ones(shape)
    if usable.any():
        # The usual precision is that before any sowing: a season added later must not move it, nor
        # with it what was judged before.
        early = usable & ~(times.to_numpy() > first_sowing.to_datetime64())
        first_seen = usable & (np.cumsum(usable.any(axis=0)) == 1)
        usual = np.median(precision[early if early.any() else first_seen])
        variance[usable] = usual / precision[usable]
        variance = np.clip(variance, *_VARIANCE_BOUNDS)
    return SeasonTable(
        tuple(str(season) for season in times.index),
        times.to_numpy(dtype="datetime64[D]"),
        values,
        variance,
        _site_rain(frame, rows, columns, shape),
    )


def _site_rain(
    frame: pd.DataFrame, rows: Ints, columns: Ints, shape: tuple[int, int]
) -> Floats | None:
    """Rain of each site and season, mm, NaN where unknown; None where all sites had the same."""
    if "rain_mm" not in frame or not frame["rain_mm"].notna().any():
        return None
    rain = np.full(shape, np.nan)
    rain[rows, columns] = pd.to_numeric(frame["rain_mm"]).to_numpy(dtype=float)
    known = np.isfinite(rain).any(axis=0)
    apart = np.nanmax(rain[:, known], axis=0) - np.nanmin(rain[:, known], axis=0)
    return rain if float(apart.max()) > 1e-6 else None


def _check(panel: pd.DataFrame, sowing: pd.DataFrame) -> None:
    """Raise one InputError with every fault found in the two tables."""
    findings: list[Finding] = []

    def fault(table: str, where: str, what: str, mend: str, code: str) -> None:
        findings.append(Finding("error", table, where, what, mend, code))

    for table, frame, needed in (
        ("panel", panel, _NEEDED),
        ("sowing", sowing, ("site_id", "sown_on")),
    ):
        for name in needed:
            if name not in frame:
                fault(table, f"column {name}", "is missing", "add it", "missing-column")
    if findings:
        raise InputError(findings)
    for name, allowed in (("role", {"sown", "control"}), ("kind", {"dry", "rains"})):
        odd = sorted({str(word) for word in panel[name].unique()} - allowed)
        if odd:
            mend = f"use {' or '.join(sorted(allowed))}"
            fault("panel", f"column {name}", f"holds {', '.join(odd[:5])}", mend, f"unknown-{name}")
    twice = panel.duplicated(["site_id", "season", "kind"])
    if twice.any():
        row = panel[twice].iloc[0]
        where = f"site {row['site_id']}, season {row['season']}"
        fault("panel", where, "stands twice", "keep one row a site and season", "repeated-cell")
    mixed = panel.groupby("site_id")["role"].nunique()
    for site in mixed.index[mixed > 1][:20]:
        fault("panel", f"site {site}", "has two roles", "give each site one role", "two-roles")
    values = pd.to_numeric(panel["value"], errors="coerce")
    if np.isinf(values).any() or (values.isna() & panel["value"].notna()).any():
        mend = "leave a missing value empty"
        fault("panel", "column value", "holds what is no number", mend, "not-a-number")
    for table, frame, name in (("panel", panel, "time"), ("sowing", sowing, "sown_on")):
        if pd.to_datetime(frame[name], errors="coerce").isna().any():
            fault(table, f"column {name}", "holds what is no date", "write ISO dates", "not-a-date")
    controls = set(panel.loc[panel["role"] == "control", "site_id"].astype(str))
    for site in sorted(controls & set(sowing["site_id"].astype(str)))[:20]:
        mend = "make it a sown site, or take its sowing out"
        fault("sowing", f"site {site}", "is a control and was sown", mend, "sown-control")
    if findings:
        raise InputError(findings)
