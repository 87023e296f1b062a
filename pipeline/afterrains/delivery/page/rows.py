"""Rows of the output tables as plain typed values: None for an empty number or day, "" for text."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from shapely.geometry.base import BaseGeometry

from afterrains.delivery.page.next_step import Verdict
from afterrains.delivery.page.seasons import Season

__all__ = ["Control", "Ground", "Judged", "Looks", "Reading", "SiteSeason", "Sowing"]


@dataclass(frozen=True)
class Judged:
    """A row of verdicts.csv or verdict_history.csv; None where a cell is empty."""

    site_id: str
    name: str
    stratum: str
    as_of: str
    first_sown_on: date | None
    seasons_since_sowing: int | None
    area_ha: float | None
    verdict: Verdict
    reason: str
    outcome: str
    gain: float | None
    gain_low: float | None
    gain_high: float | None
    gain_unit: str
    p_value: float | None
    q_value: float | None
    detectable_gain: float | None
    answer_by: str
    grass_gain: float | None
    grass_gain_low: float | None
    grass_gain_high: float | None
    controls: int | None
    match_balance: float | None
    before_trend_p: float | None
    clear_dates: int | None
    rains_anomaly: float | None
    cost: float | None
    cost_per_gained_ha: float | None
    late: str = ""
    """What data that came later would make of it."""
    provisional: bool = False
    """Whether reads failed in the run that judged it."""
    clock_by: str = ""
    """What its seasons are counted from: "rain", "sowing", or "" where it is not told."""


@dataclass(frozen=True)
class Reading:
    """An outcome of a site in a season: the value judged, the spread, its weighted controls."""

    value: float | None
    low: float | None
    high: float | None
    control: float | None


@dataclass(frozen=True)
class SiteSeason:
    """A row of seasons.csv."""

    season: Season
    rain_mm: float | None
    spi: float | None
    clear_dates: int | None
    ndvi: Reading
    woody: Reading

    def reading(self, unit: str) -> Reading:
        """The outcome that a gain in `unit` is made of."""
        return self.woody if unit == "points" else self.ndvi


@dataclass(frozen=True)
class Control:
    """A row of controls.csv."""

    site_id: str
    name: str
    stratum: str
    weight_total: float | None
    used_by: int | None
    balance: float | None
    before_trend_p: float | None
    own_gain: float | None
    own_gain_low: float | None
    own_gain_high: float | None
    note: str


@dataclass(frozen=True)
class Sowing:
    """A row of sowing_rain.csv."""

    sown_on: date
    first_effective_rain_on: date | None
    days_waited: int | None
    rain_30d_mm: float | None
    longest_dry_spell_30d: int | None
    start: str
    """"good", "broken", "none yet", or "" where the rain record cannot say."""
    missing_days: int
    method: str
    species: str
    seed_lot: str


@dataclass(frozen=True)
class Ground:
    """A site's polygon (longitude and latitude, WGS 84)."""

    site_id: str
    role: str
    geometry: BaseGeometry


@dataclass(frozen=True)
class Looks:
    """What series.csv holds: how many site looks, on how many dates, by which sensors."""

    rows: int
    dates: int
    first: date | None
    last: date | None
    by_sensor: Mapping[str, int]


@dataclass(frozen=True)
class Way:
    """A row of what_works.csv."""

    factor: str
    level: str
    sites: int
    gain: float | None
    low: float | None
    high: float | None
    heterogeneity: float | None
    unit: str
    gained: int | None
    grass_only: int | None
    seasons: float | None
    cost_per_gained_ha: float | None


@dataclass(frozen=True)
class Cost:
    """A row of costs.csv."""

    factor: str
    level: str
    sites: int
    sown_ha: float | None
    cost: float | None
    cost_per_sown_ha: float | None
    gained_sites: int
    gained_ha: float | None
    per_gained_ha: float | None
    per_gained_ha_low: float | None
    per_gained_ha_high: float | None
    per_point_ha: float | None
    per_point_ha_low: float | None
    per_point_ha_high: float | None


@dataclass(frozen=True)
class Choice:
    """A row of sow_again.csv."""

    site_id: str
    rank: int | None
    choice: str
    reason: str
    until: str
    expected_gain: float | None
    expected_if_good: float | None
    expected_low: float | None
    expected_high: float | None
    unit: str
    chance_percent: float | None
    expected_cost: float | None
    gain_per_cost: float | None


@dataclass(frozen=True)
class Change:
    """A row of changes.csv."""

    site_id: str
    verdict_changed: bool
    causes: tuple[str, ...]
    explanation: str


@dataclass(frozen=True)
class Answer:
    """A row of answer_calendar.csv."""

    site_id: str
    state: str
    answered_since: str
    answer_by: str


@dataclass(frozen=True)
class SeasonLooks:
    """What became of the looks at a site in a season, in whole looks at the whole site."""

    season: Season
    clear: float
    masked: float
    unreadable: float
    not_covered: float

    @property
    def shares(self) -> tuple[float, float, float, float]:
        """Clear, masked, unreadable, not covered."""
        return self.clear, self.masked, self.unreadable, self.not_covered


@dataclass(frozen=True)
class FieldSeen:
    """A row of field_evidence.csv."""

    checks: int
    more: int
    unchanged: int
    less: int
    last: date | None
    says: str
    agreement: str
