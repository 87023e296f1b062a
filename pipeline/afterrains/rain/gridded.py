"""What every gridded rain has in common: cells become site series, checked on the way.

Impossible values are refused with the day they stand on; sites off the grid are named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from afterrains.errors import Finding
from afterrains.rain.lattice import Lattice, Sums, cover
from afterrains.rain.record import RainRecord
from afterrains.rain.steps import Steps, days_of_steps
from afterrains.rain.table import LARGEST_DAILY_RAIN_MM
from afterrains.rain.units import RainUnit

__all__ = ["SiteGatherer"]

_ROUNDING_MM = 0.05  # packed files store zero as a hair below it
_LEAST_PLAUSIBLE_MM = 1.0
_MOST_PLAUSIBLE_MM = 15_000.0
"""Mean yearly rain outside of which a unit is wrong: the driest station on Earth has under 1 mm
(Arica), the wettest nearly 12,000 (WMO World Weather and Climate Extremes Archive)."""
_SITES_TOLD = 20


@dataclass
class _Impossible:
    """How many values of one kind, and the first of them."""

    count: int = 0
    step: int = -1
    value: float = np.nan

    def note(self, where: NDArray[np.bool_], values: NDArray[np.floating], first_step: int) -> None:
        if not where.any():
            return
        self.count += int(where.sum())
        step, cell = np.argwhere(where)[0]
        if self.step < 0 or first_step + step < self.step:
            self.step, self.value = first_step + int(step), float(values[step, cell])


class SiteGatherer:
    """Gathers the cells of a grid into one series a site.

    `rows` and `columns` are the places in the file of the cells that are needed; `add` takes
    their stored values block by block; `record` ends with the daily series.
    """

    def __init__(
        self, file: str, sites: gpd.GeoDataFrame, lattice: Lattice, steps: Steps, unit: RainUnit
    ) -> None:
        self._file = file
        self._site_ids = [str(site_id) for site_id in sites["site_id"]]
        self._steps = steps
        self._unit = unit
        self._coverage = cover(sites, lattice)
        self._sums = Sums(len(steps.first), self._coverage)
        self._below, self._above = _Impossible(), _Impossible()

    @property
    def rows(self) -> NDArray[np.int64]:
        """Row in the file of each cell that some site covers."""
        return self._coverage.rows

    @property
    def columns(self) -> NDArray[np.int64]:
        """Column in the file of each of these cells."""
        return self._coverage.columns

    def add(
        self,
        first_step: int,
        cells: Sequence[int] | NDArray[np.integer],
        stored: NDArray[np.floating],
    ) -> None:
        """Take stored values (steps, cells) from `first_step` on, of the cells at these places."""
        days = self._steps.days[first_step : first_step + len(stored), None]
        amount = np.asarray(stored, dtype=np.float64) * self._unit.to_mm
        a_day = amount if self._unit.rate else amount / days
        below, above = a_day < -_ROUNDING_MM, a_day > LARGEST_DAILY_RAIN_MM
        self._below.note(below, a_day, first_step)
        self._above.note(above, a_day, first_step)
        sound = np.where(below | above, np.nan, np.maximum(amount, 0.0))
        self._sums.add(slice(first_step, first_step + len(stored)), cells, sound)

    def record(self, source: str) -> tuple[RainRecord | None, list[Finding]]:
        """The daily series of each site; None where a finding is an error."""
        findings = [*self._impossible_values(), *self._sites_off_grid()]
        daily, index = days_of_steps(self._sums.mean(), self._steps, rate=self._unit.rate)
        table = pd.DataFrame(daily, index=index, columns=pd.Index(self._site_ids))
        if not findings:
            findings += self._implausible_total(table)
        if any(finding.severity == "error" for finding in findings):
            return None, findings
        return RainRecord(table, source, self._steps.kind), findings

    def _impossible_values(self) -> list[Finding]:
        mend = "declare the value that stands for missing, or correct them"
        told = (
            (self._below, "below zero", "rain-negative"),
            (self._above, f"above {LARGEST_DAILY_RAIN_MM:.0f} mm a day", "rain-impossible"),
        )
        return [
            Finding(
                "error",
                self._file,
                f"{self._steps.first[seen.step]:%Y-%m-%d}",
                f"holds {seen.count:,} values {words} at the sites, here {seen.value:.6g} mm",
                mend,
                code,
            )
            for seen, words, code in told
            if seen.count
        ]

    def _sites_off_grid(self) -> list[Finding]:
        findings = []
        share = self._coverage.covered_share
        off = np.flatnonzero(share < 0.99)
        for place in off[:_SITES_TOLD]:
            site = f"site_id {self._site_ids[place]!r}"
            if share[place] > 0:
                what = f"covers only {share[place]:.0%} of the site"
                mend = "nothing need be done where the rest of the site has the same rain"
                code = "rain-grid-part-of-site"
                findings.append(Finding("warning", self._file, site, what, mend, code))
            else:
                what, mend = "does not reach the site", "take a grid that covers all sites"
                code = "rain-grid-off-site"
                findings.append(Finding("error", self._file, site, what, mend, code))
        if len(off) > _SITES_TOLD:
            what = f"does not cover {len(off) - _SITES_TOLD:,} further sites"
            severity = findings[-1].severity
            mend, code = "take a grid that covers all sites", "rain-grid-off-site"
            findings.append(Finding(severity, self._file, "", what, mend, code))
        return findings

    def _implausible_total(self, daily: pd.DataFrame) -> list[Finding]:
        """A mean yearly rain that no place has tells of a wrong unit."""
        values = daily.to_numpy()
        known = np.isfinite(values)
        if not known.any():
            what, mend = "holds no rain at any site", "check the file, or give another"
            return [Finding("error", self._file, "", what, mend, "rain-no-rows")]
        yearly = float(values[known].mean()) * 365.25
        # A short record may be dry from end to end; a year cannot be, where anything grows.
        if yearly > _MOST_PLAUSIBLE_MM or (yearly < _LEAST_PLAUSIBLE_MM and len(daily) >= 365):
            what = f"means {yearly:.3g} mm of rain a year at the sites, which no place has"
            mend = "correct the unit that the file declares"
            return [Finding("error", self._file, "", what, mend, "rain-implausible")]
        return []
