"""The settings of a programme as checked, frozen models; the JSON Schema is made from them.

A message raised here reads after the setting's name and may go on with `; ` and the mend:
"end 2015-01-01 lies before start 2017-01-01; swap them". Paths stay as written; `loading` makes
them absolute.
"""

from __future__ import annotations

import re
from datetime import date, timedelta
from pathlib import Path
from typing import Annotated, Literal, Self
from urllib.parse import urlsplit

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PrivateAttr,
    field_validator,
    model_validator,
)
from pyproj import CRS, Transformer
from pyproj.exceptions import CRSError, ProjError

from afterrains.programme.fields import (
    A_COMMON_YEAR,
    LONGEST_PATH,
    SLUG,
    Day,
    Line,
    LocalPath,
    MonthDay,
    Number,
    WholeNumber,
    in_common_year,
    is_address,
    not_truth,
    shown,
)

__all__ = [
    "CalendarSeasons",
    "Controls",
    "Evidence",
    "Grid",
    "Growth",
    "Identity",
    "NamedRains",
    "Programme",
    "Rain",
    "RainCatalogue",
    "RainSeasons",
    "Scenes",
    "Woody",
]

# Landsat 1 was launched on 23 July 1972.
_FIRST_SCENE_DAY = date(1972, 7, 23)


class _Table(BaseModel):
    # A mistyped key must stop the run, not fall back on a default without a word.
    model_config = ConfigDict(
        extra="forbid", frozen=True, allow_inf_nan=False, use_attribute_docstrings=True
    )


def _one_of(*names: str) -> ConfigDict:
    """The same rule as `_exactly_one`, for the JSON Schema."""
    return ConfigDict(json_schema_extra={"oneOf": [{"required": [name]} for name in names]})


def _exactly_one(table: BaseModel, *names: str) -> None:
    given = [name for name in names if getattr(table, name) is not None]
    if len(given) != 1:
        has, mend = (" and ".join(given), "keep one") if given else ("none", "give one")
        raise ValueError(f"needs exactly one of {', '.join(names)}, and has {has}; {mend}")


class Identity(_Table):
    """Who the programme is."""

    id: str = Field(pattern=SLUG, max_length=64)
    """Slug of lower-case letters, digits and single hyphens; names the output folder."""
    name: Line = Field(min_length=1, max_length=200)
    """The name that people read."""
    currency: str = Field(default="XXX", pattern=r"^[A-Z]{3}$")
    """ISO 4217 code of every cost; XXX, the standard's "no currency", when costs are not kept."""


class RainCatalogue(_Table):
    """A STAC catalogue of daily rain rasters."""

    url: Line = Field(min_length=1)
    """Address of the catalogue."""
    collection: Line = Field(min_length=1)
    """Id of the collection."""
    asset: Line = Field(min_length=1)
    """Key of the asset that holds daily rain."""


class Rain(_Table):
    """Where daily rain comes from: exactly one source."""

    model_config = _one_of("table", "grid", "catalogue")

    table: LocalPath | None = None
    """CSV file with date, rain_mm and optional site_id."""
    grid: LocalPath | None = None
    """NetCDF, Zarr or GeoTIFF stack of daily rain."""
    catalogue: RainCatalogue | None = None
    """STAC catalogue of daily rain rasters."""

    @model_validator(mode="after")
    def _one_source(self) -> Self:
        _exactly_one(self, "table", "grid", "catalogue")
        return self


class Scenes(_Table):
    """Which scenes are searched, from where, and which are skipped."""

    catalogue: Line = Field(min_length=1, max_length=LONGEST_PATH)
    """A static STAC catalogue (path or address) or the address of a STAC API."""
    collections: tuple[
        Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*$", max_length=100)], ...
    ] = Field(default=("sentinel-2-l2a",), min_length=1, max_length=20)
    """Ids of the collections; each has a profile in configs/catalogues/."""
    start: Day
    """First day taken, UTC, inclusive."""
    end: Day
    """Last day taken, UTC, inclusive."""
    max_cloud_percent: Number = Field(default=80.0, ge=0, le=100)
    """Cloud cover of the whole scene above which it is not read."""
    mask_dilation_m: Number = Field(default=60.0, ge=0, le=1000)
    """How far cloud and shadow masks are widened, in metres of ground."""
    profiles: LocalPath | None = None
    """A folder of further collection profiles (YAML), beside the ones that come with the tool."""
    budget_gb: Number | None = Field(default=None, gt=0)
    """The most that one run may pull from servers, in gigabytes (10^9 bytes); a run that would pull
    more, by `afterrains estimate`, stops before it begins. No limit if unset."""

    @field_validator("catalogue")
    @classmethod
    def _plain_source(cls, text: str) -> str:
        if not is_address(text):
            return text
        try:
            parts = urlsplit(text)
            user, host = parts.username or parts.password, parts.hostname
        except ValueError:
            raise ValueError(f"{shown(text)} is not an address; correct it") from None
        if parts.scheme.lower() not in ("http", "https") or not host:
            raise ValueError(
                f"{shown(text)} is not an http or https address; give one, or a path on this disk"
            )
        if user:
            raise ValueError(
                "holds a user name or password, which would be kept in the results; give the "
                "address without it"
            )
        return text

    @field_validator("collections")
    @classmethod
    def _named_once(cls, names: tuple[str, ...]) -> tuple[str, ...]:
        twice = {name for name in names if names.count(name) > 1}
        if twice:
            raise ValueError(f"{', '.join(sorted(twice))} stands twice; keep one")
        return names

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.end < self.start:
            raise ValueError(f"end {self.end} lies before start {self.start}; swap them")
        if self.start < _FIRST_SCENE_DAY:
            raise ValueError(
                f"start {self.start} lies before the first scenes of any satellite; "
                f"start on {_FIRST_SCENE_DAY} or later"
            )
        return self


class Grid(_Table):
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


class RainSeasons(_Table):
    """Seasons found from the rain itself."""

    from_: Literal["rain"] = Field(alias="from", default="rain")
    """Seasons come from the rain source."""
    rainy_seasons: Annotated[Literal["auto", 1, 2], BeforeValidator(not_truth)] = "auto"
    """Rainy seasons a year, 1 or 2; "auto" decides by the ratio of the annual harmonics."""
    dieback_days: WholeNumber = Field(default=60, ge=0, le=180)
    """Days after the rains end that are left out of the dry season until grass has died back."""


class NamedRains(_Table):
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


class CalendarSeasons(_Table):
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


class Controls(_Table):
    """How comparable unsown ground is chosen."""

    choose: Literal["listed", "sampled"] = "listed"
    """listed: the file's control sites, weighted by match; sampled: also draw unsown ground."""


class Woody(_Table):
    """A fitted woody-cover model, or the plots to fit one."""

    model_config = _one_of("model", "train")

    model: LocalPath | None = None
    """Folder of a fitted model."""
    train: LocalPath | None = None
    """CSV file of plots to fit one on."""

    @model_validator(mode="after")
    def _one_origin(self) -> Self:
        _exactly_one(self, "model", "train")
        return self


class Growth(_Table):
    """How a gain is expected to grow, in dry seasons since sowing: a ramp between two seasons."""

    starts_after_seasons: Number = Field(default=1, ge=0, le=30)
    """Dry seasons after sowing until the gain begins."""
    full_after_seasons: Number = Field(default=8, gt=0, le=60)
    """Dry seasons after sowing until the gain is full."""

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.full_after_seasons <= self.starts_after_seasons:
            raise ValueError(
                f"full_after_seasons {self.full_after_seasons:g} does not lie after "
                f"starts_after_seasons {self.starts_after_seasons:g}; make it larger"
            )
        return self


class Evidence(_Table):
    """The judging rule, fixed before the results are seen."""

    error_rate: Number = Field(default=0.05, gt=0, lt=0.5)
    """Two-sided, over all judged seasons: half for a false gain, half for a false loss."""
    meaningful_gain_points: Number = Field(default=5.0, gt=0, le=100)
    """The smallest gain that matters, in percentage points of woody cover."""
    ndvi_per_point: Number = Field(default=0.004, gt=0, le=0.05)
    """Dry-season NDVI that one point of woody cover adds, for work without a woody model: linear
    mixing of crowns near NDVI 0.5 over bare, dry ground near 0.12 gives about 0.004 a point."""
    judged_seasons: WholeNumber = Field(default=12, ge=1, le=60)
    """Dry seasons after sowing over which the error rate is spent."""
    growth: Growth = Growth()
    """How a gain is expected to grow."""


class Programme(_Table):
    """A checked, frozen programme file; every path is absolute."""

    programme: Identity
    sites: LocalPath
    """Any vector file that GDAL reads: GeoJSON, GeoPackage, Shapefile, KML, FlatGeobuf, …"""
    sowing: LocalPath
    """CSV file of what was sown where, when, how and at what cost."""
    rain: Rain | None = None
    """Where daily rain comes from; may be left out where seasons come from the calendar."""
    scenes: Scenes
    grid: Grid = Grid()
    seasons: Annotated[RainSeasons | CalendarSeasons, Field(discriminator="from_")] = RainSeasons()
    """Where seasons come from: {from: rain} or {from: calendar, rains: […]}."""
    controls: Controls = Controls()
    woody: Woody | None = None
    """Leave out to work on dry-season greenness alone."""
    evidence: Evidence = Evidence()
    output: LocalPath = Path("out")
    """Folder of results; each programme has its own folder inside."""

    @property
    def output_folder(self) -> Path:
        """`<output>/<programme id>`: where every result of this programme goes."""
        return self.output / self.programme.id

    _digest: str = PrivateAttr(default="")

    @property
    def digest(self) -> str:
        """SHA-256 of the settings, paths as written, so that a moved folder keeps it."""
        return self._digest
