"""Rows of the output tables as plain typed values: None for an empty number or day, "" for text.

A field is the column of its name, or the one that `_of` names; see `records.Row.into`. They have
slots, as a large programme has tens of thousands of them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

from shapely.geometry.base import BaseGeometry

from afterrains.delivery.page.next_step import Verdict
from afterrains.delivery.page.seasons import Season
from afterrains.drawn import NOT_VISITED

__all__ = [
    "Answer",
    "BreakEven",
    "Change",
    "Choice",
    "Control",
    "Cost",
    "FieldSeen",
    "Ground",
    "Judged",
    "Looks",
    "Matched",
    "Reading",
    "SeasonLooks",
    "SiteSeason",
    "Sowing",
    "Way",
]


def _of(column: str) -> dict[str, str]:
    """What marks a field that holds the column of another name."""
    return {"column": column}


@dataclass(frozen=True, slots=True)
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
    late: str = field(default="", metadata=_of("late_data"))
    """What data that came later would make of it."""
    provisional: bool = False
    """Whether reads failed in the run that judged it."""
    clock_by: str = ""
    """What its seasons are counted from: "rain", "sowing", or "" where it is not told."""


@dataclass(frozen=True, slots=True)
class Reading:
    """An outcome of a site in a season: the value judged, the spread, its weighted controls."""

    value: float | None
    low: float | None
    high: float | None
    control: float | None


@dataclass(frozen=True, slots=True)
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


@dataclass(frozen=True, slots=True)
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
    origin: str = "listed"
    """"listed" in the sites file, or "drawn"."""

    @property
    def odd(self) -> bool:
        """Whether its note says more than that nobody has seen it."""
        return self.note not in ("", NOT_VISITED)


@dataclass(frozen=True, slots=True)
class Sowing:
    """A row of sowing_rain.csv."""

    site_id: str
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


@dataclass(frozen=True, slots=True)
class Ground:
    """A site's polygon (longitude and latitude, WGS 84)."""

    site_id: str
    role: str
    geometry: BaseGeometry


@dataclass(frozen=True, slots=True)
class Looks:
    """What series.csv holds: how many site looks, on how many dates, by which sensors."""

    rows: int
    dates: int
    first: date | None
    last: date | None
    by_sensor: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class Way:
    """A row of what_works.csv."""

    factor: str
    level: str
    sites: int
    gain: float | None = field(metadata=_of("pooled_gain"))
    low: float | None
    high: float | None
    heterogeneity: float | None = field(metadata=_of("heterogeneity_percent"))
    unit: str = field(metadata=_of("gain_unit"))
    gained: int | None
    cost_per_gained_ha: float | None


@dataclass(frozen=True, slots=True)
class Cost:
    """A row of costs.csv."""

    factor: str
    level: str
    sites: int
    cost_per_sown_ha: float | None
    gained_sites: int
    per_gained_ha: float | None = field(metadata=_of("cost_per_gained_ha"))
    per_gained_ha_low: float | None = field(metadata=_of("cost_per_gained_ha_low"))
    per_gained_ha_high: float | None = field(metadata=_of("cost_per_gained_ha_high"))
    per_point_ha: float | None = field(metadata=_of("cost_per_point_ha"))
    per_point_ha_low: float | None = field(metadata=_of("cost_per_point_ha_low"))
    per_point_ha_high: float | None = field(metadata=_of("cost_per_point_ha_high"))


@dataclass(frozen=True, slots=True)
class BreakEven:
    """A row of break_even.csv."""

    factor: str
    level: str
    years: float
    seedling_cost: float
    seedling_survival: float = field(metadata=_of("seedling_survival_percent"))
    per_planted_tree: float = field(metadata=_of("cost_per_planted_tree"))
    seed_cost: float | None
    share_percent: float | None = field(metadata=_of("break_even_share_percent"))
    survival_percent: float | None = field(metadata=_of("break_even_survival_percent"))
    cost_per_sown_ha: float | None
    trees_per_ha: float | None = field(metadata=_of("break_even_trees_per_ha"))


@dataclass(frozen=True, slots=True)
class Choice:
    """A row of sow_again.csv."""

    site_id: str
    rank: int | None
    choice: str
    reason: str
    until: str
    expected_gain: float | None
    expected_if_good: float | None = field(metadata=_of("expected_gain_if_good"))
    expected_low: float | None = field(metadata=_of("expected_gain_low"))
    expected_high: float | None = field(metadata=_of("expected_gain_high"))
    unit: str = field(metadata=_of("gain_unit"))
    chance_percent: float | None = field(metadata=_of("chance_good_start_percent"))
    expected_cost: float | None


@dataclass(frozen=True, slots=True)
class Change:
    """A row of changes.csv."""

    site_id: str
    verdict_changed: bool
    causes: tuple[str, ...]
    explanation: str


@dataclass(frozen=True, slots=True)
class Answer:
    """A row of answer_calendar.csv."""

    site_id: str
    state: str
    answered_since: str
    answer_by: str


@dataclass(frozen=True, slots=True)
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


@dataclass(frozen=True, slots=True)
class FieldSeen:
    """A row of field_evidence.csv."""

    site_id: str
    checks: int
    more: int = field(metadata=_of("seen_more"))
    unchanged: int = field(metadata=_of("seen_unchanged"))
    less: int = field(metadata=_of("seen_less"))
    last: date | None = field(metadata=_of("last_surveyed_on"))
    agreement: str


@dataclass(frozen=True, slots=True)
class Matched:
    """A row of balance.csv: a site and its weighted controls before sowing, in one quantity."""

    site_id: str
    as_of: str
    quantity: str
    site: float | None
    controls: float | None
    difference: float | None = field(metadata=_of("standardised_difference"))
    variance_ratio: float | None
