"""Settings of the place: who the programme is, its rain, its grid, its seasons."""

from __future__ import annotations

import re
from datetime import date, timedelta
from typing import Annotated, Literal, Self

from pydantic import (
    BeforeValidator,
    Field,
    field_validator,
    model_validator,
)
from pyproj import CRS, Transformer
from pyproj.exceptions import CRSError, ProjError

from afterrains.programme.base import Settings, exactly_one, one_of
from afterrains.programme.fields import (
    A_COMMON_YEAR,
    SLUG,
    Line,
    LocalPath,
    MonthDay,
    Number,
    WholeNumber,
    in_common_year,
    not_truth,
    shown,
)

__all__ = [
    "CalendarSeasons",
    "EffectiveRain",
    "Grid",
    "Identity",
    "NamedRains",
    "Rain",
    "RainCatalogue",
    "RainSeasons",
    "Thresholds",
]


class Identity(Settings):
    """Who the programme is."""

    id: str = Field(pattern=SLUG, max_length=64)
    """Slug of lower-case letters, digits and single hyphens; names the output folder."""
    name: Line = Field(min_length=1, max_length=200)
    """The name that people read."""
    currency: str = Field(default="XXX", pattern=r"^[A-Z]{3}$")
    """ISO 4217 code of every cost; XXX, the standard's "no currency", when costs are not kept."""
    language: Literal["en", "fr"] = "en"
    """Language of the report page (ISO 639-1); the tables stay as the data dictionary has them."""


class RainCatalogue(Settings):
    """A STAC catalogue of daily rain rasters."""

    url: Line = Field(min_length=1)
    """Address of the catalogue."""
    collection: Line = Field(min_length=1)
    """Id of the collection."""
    asset: Line = Field(min_length=1)
    """Key of the asset that holds daily rain."""


class EffectiveRain(Settings):
    """Rain that wakes the seed, and what breaks the start after it (Sivakumar 1988)."""

    mm: Number = Field(default=20.0, gt=0, le=200)
    """Millimetres that must fall within `days`."""
    days: WholeNumber = Field(default=3, ge=1, le=30)
    """Days within which they must fall."""
    dry_spell_days: WholeNumber = Field(default=7, ge=1, le=29)
    """Longest dry spell in the 30 days after that does not break the start."""
    wet_day_mm: Number = Field(default=1.0, gt=0, le=20)
    """Rain from which a day is not dry."""


class Rain(Settings):
    """Where daily rain comes from: exactly one source."""

    model_config = one_of("table", "grid", "catalogue")

    table: LocalPath | None = None
    """CSV file with date, rain_mm and optional site_id."""
    grid: LocalPath | None = None
    """NetCDF, Zarr or GeoTIFF stack of daily rain."""
    catalogue: RainCatalogue | None = None
    """STAC catalogue of daily rain rasters."""
    effective: EffectiveRain = EffectiveRain()
    """What counts as rain that wakes the seed."""

    @model_validator(mode="after")
    def _one_source(self) -> Self:
        exactly_one(self, "table", "grid", "catalogue")
        return self


class Grid(Settings):
    """The analysis grid."""

    resolution_m: Number = Field(default=10.0, ge=5, le=100)
    """Side of a pixel, in metres."""
    crs: Line = "auto"
    """"auto" (the UTM zone that holds most of the area) or any projected CRS in metres."""
    inner_margin_m: Number | None = Field(default=None, ge=0, le=500)
    """Rim left out of every site so that edge pixels do not mix; one pixel wide if unset."""

    @field_validator("crs")
    @classmethod
    def _projected(cls, text: str) -> str:
        if text == "auto":
            return text
        mend = "write auto, or the code of a projected CRS in metres such as EPSG:32630"
        if "+init" in text:
            raise ValueError(f"{shown(text)} is an outdated way to name a CRS; {mend}")
        try:
            crs = CRS.from_user_input(text)
        except CRSError as error:
            raise ValueError(f"{shown(text)} is not a CRS that PROJ knows; {mend}") from error
        try:
            Transformer.from_crs("OGC:CRS84", crs)
        except ProjError as error:
            raise ValueError(f"{shown(text)} does not lie on Earth; {mend}") from error
        if not crs.is_projected or any(axis.unit_name != "metre" for axis in crs.axis_info[:2]):
            raise ValueError(f"{shown(text)} is not a projected CRS in metres; {mend}")
        return text

    @property
    def margin_m(self) -> float:
        """The inner margin in metres, one pixel where the programme file does not say."""
        return self.resolution_m if self.inner_margin_m is None else self.inner_margin_m


class Thresholds(Settings):
    """The rains by thresholds, one rainy season a year (Sivakumar 1988); days are MM-DD."""

    onset_from: MonthDay = "05-01"
    """First day on which the rains may begin."""
    onset_until: MonthDay = "08-31"
    """Last day on which they may."""
    end_from: MonthDay = "09-01"
    """First day on which they may end."""
    end_until: MonthDay = "12-31"
    """Last day on which they may; a day before onset_from lies in the next year."""
    wet_mm: Number = Field(default=20.0, gt=0, le=200)
    """Rain that must fall within `wet_days` for an onset, mm."""
    wet_days: WholeNumber = Field(default=3, ge=1, le=30)
    """Days within which it must fall."""
    follow_days: WholeNumber = Field(default=30, ge=1, le=90)
    """Days after the onset in which no long dry spell may fall."""
    dry_spell_days: WholeNumber = Field(default=7, ge=1, le=60)
    """Longest dry spell in them that forbids no onset."""
    wet_day_mm: Number = Field(default=1.0, gt=0, le=20)
    """Rain from which a day is not dry."""
    rainless_days: WholeNumber = Field(default=20, ge=3, le=90)
    """Rainless days that end the rains."""
    rainless_mm: Number = Field(default=1.0, gt=0, le=20)
    """Rain below which a day counts as rainless: satellite rain seldom says 0."""


class RainSeasons(Settings):
    """Seasons found from the rain itself."""

    from_: Literal["rain"] = Field(alias="from", default="rain")
    """Seasons come from the rain source."""
    rainy_seasons: Annotated[Literal["auto", 1, 2], BeforeValidator(not_truth)] = "auto"
    """Rainy seasons a year, 1 or 2; "auto" decides by the ratio of the annual harmonics."""
    rule: Literal["anomalous-accumulation", "threshold"] = "anomalous-accumulation"
    """How onset and end are found: by accumulated anomalies, or by thresholds."""
    thresholds: Thresholds | None = None
    """Numbers of the threshold rule; its published ones if left out."""
    reference_years: tuple[WholeNumber, WholeNumber] | None = None
    """First and last year of the mean year and of the SPI. If left out: the last 30 full years
    before scenes.start, or, with fewer than 10 of those, the record's first 10 full years."""
    dieback_days: WholeNumber = Field(default=60, ge=0, le=180)
    """Days after the rains end that are left out of the dry season until grass has died back."""

    @model_validator(mode="after")
    def _rule_fits(self) -> Self:
        if self.rule == "threshold" and self.rainy_seasons == 2:
            raise ValueError(
                "rule threshold knows one rainy season a year, and rainy_seasons is 2; use "
                "anomalous-accumulation"
            )
        if self.rule != "threshold" and self.thresholds is not None:
            raise ValueError("thresholds are given, and rule is not threshold; set rule: threshold")
        years = self.reference_years
        if years is not None and years[1] - years[0] < 2:
            raise ValueError(
                f"reference_years {years[0]} to {years[1]} are fewer than three; give 30 if you can"
            )
        return self


class NamedRains(Settings):
    """One rainy season of the calendar; may run across New Year."""

    name: str = Field(pattern=SLUG, max_length=32)
    """Slug that names the season in every table, such as long-rains."""
    start: MonthDay
    """First day, MM-DD."""
    end: MonthDay
    """Last day, MM-DD, inclusive."""

    @field_validator("name")
    @classmethod
    def _not_dry(cls, name: str) -> str:
        if re.fullmatch(r"dry(-\d+)?", name):
            raise ValueError(f"{name!r} is kept for dry seasons; choose another name")
        return name

    def days_of_year(self) -> frozenset[int]:
        """Its days in a year without 29 February, counted from 1."""
        first = in_common_year(self.start).timetuple().tm_yday
        last = in_common_year(self.end).timetuple().tm_yday
        if first <= last:
            return frozenset(range(first, last + 1))
        return frozenset(range(first, 366)) | frozenset(range(1, last + 1))


class CalendarSeasons(Settings):
    """Seasons fixed by the calendar."""

    from_: Literal["calendar"] = Field(alias="from")
    """Seasons come from the days given here."""
    rains: tuple[NamedRains, ...] = Field(min_length=1, max_length=4)
    """The rainy seasons of a year."""
    dieback_days: WholeNumber = Field(default=60, ge=0, le=180)
    """Days after the rains end that are left out of the dry season until grass has died back."""

    @model_validator(mode="after")
    def _apart(self) -> Self:
        taken: dict[int, str] = {}
        for number, rains in enumerate(self.rains):
            if rains.name in {other.name for other in self.rains[:number]}:
                raise ValueError(f"two rains bear the name {rains.name!r}; give each its own")
            for day in sorted(rains.days_of_year()):
                if day in taken:
                    when = date(A_COMMON_YEAR, 1, 1) + timedelta(days=day - 1)
                    raise ValueError(
                        f"the rains {taken[day]!r} and {rains.name!r} both hold {when:%m-%d}; "
                        "part them"
                    )
                taken[day] = rains.name
        if len(taken) == 365:
            raise ValueError("the rains leave no day for a dry season; shorten them")
        return self
