"""The programme file: the one place where a run's settings are named, checked and frozen.

`load_programme` reads the YAML once, reports every fault at once and returns a frozen `Programme`;
the code after it trusts it. Relative paths are relative to the programme file. The same models
give the published JSON Schema (`programme_schema`).
"""

from __future__ import annotations

import hashlib
import re
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal, Self, TypeVar

import yaml
from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PrivateAttr,
    ValidationError,
    field_validator,
    model_validator,
)
from pyproj import CRS
from pyproj.exceptions import CRSError

from afterrains.errors import Finding, InputError

__all__ = [
    "CalendarSeasons",
    "Controls",
    "Evidence",
    "Grid",
    "Growth",
    "NamedRains",
    "Programme",
    "Rain",
    "RainSeasons",
    "Scenes",
    "Woody",
    "load_programme",
    "programme_schema",
]

_LARGEST_FILE_BYTES = 1_000_000
_MONTH_DAY = re.compile(r"(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])")


class _Table(BaseModel):
    # A mistyped key must stop the run, not fall back on a default without a word.
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


_TableT = TypeVar("_TableT", bound=_Table)


class Identity(_Table):
    """Who the programme is."""

    id: str = Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", max_length=64)
    """Slug of lower-case letters, digits and single hyphens; names the output folder."""
    name: str = Field(min_length=1, max_length=200)
    currency: str = Field(default="XXX", pattern=r"^[A-Z]{3}$")
    """ISO 4217 code of every cost; XXX, the standard's "no currency", when costs are not kept."""


class RainCatalogue(_Table):
    """A STAC catalogue of daily rain rasters."""

    url: str = Field(min_length=1)
    collection: str = Field(min_length=1)
    asset: str = Field(min_length=1)


class Rain(_Table):
    """Where daily rain comes from: exactly one source."""

    table: Path | None = None
    grid: Path | None = None
    catalogue: RainCatalogue | None = None

    @model_validator(mode="after")
    def _exactly_one(self) -> Self:
        given = [name for name in ("table", "grid", "catalogue") if getattr(self, name) is not None]
        if len(given) != 1:
            raise ValueError(
                f"needs exactly one of table, grid, catalogue, and has {len(given)}"
                + (f" ({', '.join(given)})" if given else "")
            )
        return self


class Scenes(_Table):
    """Which scenes are searched, from where, and which are skipped."""

    catalogue: str = Field(min_length=1)
    """A static STAC catalogue (path or address) or the address of a STAC API."""
    collections: tuple[str, ...] = Field(default=("sentinel-2-l2a",), min_length=1)
    start: date
    """First day taken, UTC, inclusive."""
    end: date
    """Last day taken, UTC, inclusive."""
    max_cloud_percent: float = Field(default=80.0, ge=0, le=100)
    """Cloud cover of the whole scene above which it is not read."""
    mask_dilation_m: float = Field(default=60.0, ge=0, le=1000)
    """How far cloud and shadow masks are widened, in metres of ground."""
    profiles: Path | None = None
    """A folder of further collection profiles (YAML), beside the ones that come with the tool."""

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.end < self.start:
            raise ValueError(f"end {self.end} lies before start {self.start}")
        return self


class Grid(_Table):
    """The analysis grid."""

    resolution_m: float = Field(default=10.0, ge=5, le=100)
    crs: str = "auto"
    """"auto" (the UTM zone that holds most of the area) or any projected CRS in metres."""
    inner_margin_m: float | None = Field(default=None, ge=0, le=500)
    """Rim left out of every site so that edge pixels do not mix; one pixel wide if unset."""

    @field_validator("crs")
    @classmethod
    def _projected(cls, text: str) -> str:
        if text == "auto":
            return text
        try:
            crs = CRS.from_user_input(text)
        except CRSError as error:
            raise ValueError(f"{text!r} is not a CRS that PROJ knows") from error
        if not crs.is_projected or crs.axis_info[0].unit_name != "metre":
            raise ValueError(f"{text!r} is not a projected CRS in metres")
        return text

    @property
    def margin_m(self) -> float:
        """The inner margin in metres, one pixel where the programme file does not say."""
        return self.resolution_m if self.inner_margin_m is None else self.inner_margin_m


class RainSeasons(_Table):
    """Seasons found from the rain itself."""

    from_: Literal["rain"] = Field(alias="from", default="rain")
    rainy_seasons: Literal["auto", 1, 2] = "auto"
    """Rainy seasons a year; "auto" decides by the ratio of the annual harmonics."""
    dieback_days: int = Field(default=60, ge=0, le=180)
    """Days after the rains end that are left out of the dry season until grass has died back."""


def _month_day(value: Any) -> Any:
    if isinstance(value, str) and not _MONTH_DAY.fullmatch(value):
        raise ValueError(f"{value!r} is not a month and day such as 03-01")
    return value


MonthDay = Annotated[str, BeforeValidator(_month_day)]


class NamedRains(_Table):
    """One rainy season of the calendar; may run across New Year."""

    name: str = Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", max_length=32)
    start: MonthDay
    end: MonthDay


class CalendarSeasons(_Table):
    """Seasons fixed by the calendar."""

    from_: Literal["calendar"] = Field(alias="from")
    rains: tuple[NamedRains, ...] = Field(min_length=1, max_length=4)
    dieback_days: int = Field(default=60, ge=0, le=180)

    @model_validator(mode="after")
    def _distinct_names(self) -> Self:
        names = [rains.name for rains in self.rains]
        if len(set(names)) != len(names):
            raise ValueError(f"two rains bear the same name: {', '.join(names)}")
        return self


class Controls(_Table):
    """How comparable unsown ground is chosen."""

    choose: Literal["listed", "sampled"] = "listed"


class Woody(_Table):
    """A fitted woody-cover model, or the plots to fit one."""

    model: Path | None = None
    train: Path | None = None

    @model_validator(mode="after")
    def _exactly_one(self) -> Self:
        if (self.model is None) == (self.train is None):
            raise ValueError("needs exactly one of model, train")
        return self


class Growth(_Table):
    """How a gain is expected to grow, in dry seasons since sowing: a ramp between two seasons."""

    starts_after_seasons: float = Field(default=1, ge=0, le=30)
    full_after_seasons: float = Field(default=8, gt=0, le=60)

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.full_after_seasons <= self.starts_after_seasons:
            raise ValueError("full_after_seasons must lie after starts_after_seasons")
        return self


class Evidence(_Table):
    """The judging rule, fixed before the results are seen."""

    error_rate: float = Field(default=0.05, gt=0, lt=0.5)
    """Two-sided, over all judged seasons: half for a false gain, half for a false loss."""
    meaningful_gain_points: float = Field(default=5.0, gt=0, le=100)
    """The smallest gain that matters, in percentage points of woody cover."""
    ndvi_per_point: float = Field(default=0.004, gt=0, le=0.05)
    """Dry-season NDVI that one point of woody cover adds, for work without a woody model: linear
    mixing of crowns near NDVI 0.5 over bare, dry ground near 0.12 gives about 0.004 a point."""
    judged_seasons: int = Field(default=12, ge=1, le=60)
    """Dry seasons after sowing over which the error rate is spent."""
    growth: Growth = Growth()


class Programme(_Table):
    """A checked, frozen programme file; every path is absolute."""

    programme: Identity
    sites: Path
    sowing: Path
    rain: Rain | None = None
    scenes: Scenes
    grid: Grid = Grid()
    seasons: Annotated[RainSeasons | CalendarSeasons, Field(discriminator="from_")] = RainSeasons()
    controls: Controls = Controls()
    woody: Woody | None = None
    evidence: Evidence = Evidence()
    output: Path = Path("out")

    @property
    def output_folder(self) -> Path:
        """`<output>/<programme id>`: where every result of this programme goes."""
        return self.output / self.programme.id

    _digest: str = PrivateAttr(default="")

    @property
    def digest(self) -> str:
        """SHA-256 of the settings, paths as written, so that a moved folder keeps it."""
        return self._digest


class _StrictLoader(yaml.SafeLoader):
    """Safe YAML without aliases (which can be nested into a bomb) and without repeated keys."""

    def compose_node(self, parent: Any, index: Any) -> Any:
        if self.check_event(yaml.AliasEvent):
            mark = self.peek_event().start_mark  # type: ignore[no-untyped-call]
            raise yaml.MarkedYAMLError(
                problem="aliases (*name) are not accepted", problem_mark=mark
            )
        return super().compose_node(parent, index)

    def construct_mapping(self, node: Any, deep: bool = False) -> Any:
        seen: set[Any] = set()
        for key_node, _ in node.value:
            key = self.construct_object(key_node, deep=True)
            if isinstance(key, list | dict):
                continue
            if key in seen:
                raise yaml.MarkedYAMLError(
                    problem=f"the key {key!r} stands twice", problem_mark=key_node.start_mark
                )
            seen.add(key)
        return super().construct_mapping(node, deep)


def programme_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of the programme file."""
    schema = Programme.model_json_schema(by_alias=True)
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = "afterrains programme file"
    return schema


def load_programme(path: Path) -> Programme:
    """Read and check a programme file.

    Parameters
    ----------
    path : Path
        The YAML file.

    Returns
    -------
    Programme
        Frozen settings with absolute paths.

    Raises
    ------
    InputError
        With one finding for each fault: unreadable YAML, unknown keys, wrong types, values out of
        range, files that are not there.
    """
    raw = _read_yaml(path)
    try:
        programme = Programme.model_validate(raw)
    except ValidationError as error:
        raise InputError(_schema_findings(path, error)) from None
    digest = hashlib.sha256(programme.model_dump_json(by_alias=True).encode()).hexdigest()
    programme = _resolved(programme, path.resolve().parent)
    missing = _missing_files(programme, path)
    if missing:
        raise InputError(missing)
    programme._digest = digest
    return programme


def _finding(path: Path, where: str, what: str, mend: str, code: str) -> Finding:
    return Finding("error", path.name, where, what, mend, code)


def _read_yaml(path: Path) -> Any:
    """The file's content as plain Python values; every way it can be unreadable is a finding."""
    try:
        size = path.stat().st_size
        if size > _LARGEST_FILE_BYTES:
            what = f"is {size} bytes large, more than any programme file"
            raise InputError(
                [_finding(path, "", what, "name the YAML file", "programme-too-large")]
            )
        raw = yaml.load(path.read_text(encoding="utf-8-sig"), Loader=_StrictLoader)  # noqa: S506
    except OSError as error:
        what = f"cannot be read ({error.strerror})"
        mend = f"check the path {path}"
        raise InputError([_finding(path, "", what, mend, "programme-unreadable")]) from error
    except UnicodeDecodeError as error:
        mend = "save the file as UTF-8"
        raise InputError(
            [_finding(path, "", "is not UTF-8", mend, "programme-encoding")]
        ) from error
    except yaml.MarkedYAMLError as error:
        line = error.problem_mark.line + 1 if error.problem_mark else 1
        what, mend = f"is not valid YAML: {error.problem}", "mend the line"
        raise InputError([_finding(path, f"line {line}", what, mend, "programme-yaml")]) from error
    except (yaml.YAMLError, ValueError, RecursionError) as error:
        what, mend = f"is not valid YAML: {error}", "mend the file"
        raise InputError([_finding(path, "", what, mend, "programme-yaml")]) from error
    if not isinstance(raw, dict):
        what, mend = "holds no settings", "start from configs/programme.yaml"
        raise InputError([_finding(path, "", what, mend, "programme-empty")])
    return raw


def _schema_findings(path: Path, error: ValidationError) -> list[Finding]:
    """One finding for each fault that the models report, in the words of the file."""
    findings = []
    for fault in error.errors(include_url=False):
        parts = [
            str(part)
            for part in fault["loc"]
            if part not in ("rain", "calendar") or fault["loc"][0] != "seasons"
        ]
        where = ".".join(parts) or "the file"
        match fault["type"]:
            case "extra_forbidden":
                code, what = "unknown-key", "is not a setting"
                mend = "check its spelling and indentation, or delete it"
            case "missing":
                code, what, mend = "missing-key", "is missing", "add it"
            case _:
                message = fault["msg"].removeprefix("Value error, ")
                code, what = "wrong-value", f"{message[0].lower()}{message[1:]}"
                shown = repr(fault.get("input"))
                if not isinstance(fault.get("input"), dict):
                    what += f" (found {shown[:80]})"
                mend = "correct the value"
        findings.append(_finding(path, where, what, mend, code))
    return findings


def _is_address(text: str) -> bool:
    return "://" in text


def _resolved(programme: Programme, folder: Path) -> Programme:
    """The same programme with every relative path made absolute from the file's folder."""

    def absolute(path: Path | None) -> Path | None:
        return None if path is None else folder / path.expanduser()

    def with_paths(table: _TableT, *names: str) -> _TableT:
        return table.model_copy(update={name: absolute(getattr(table, name)) for name in names})

    scenes = with_paths(programme.scenes, "profiles")
    if not _is_address(scenes.catalogue):
        scenes = scenes.model_copy(update={"catalogue": str(folder / scenes.catalogue)})
    return with_paths(programme, "sites", "sowing", "output").model_copy(
        update={
            "scenes": scenes,
            "rain": programme.rain and with_paths(programme.rain, "table", "grid"),
            "woody": programme.woody and with_paths(programme.woody, "model", "train"),
        }
    )


def _missing_files(programme: Programme, path: Path) -> list[Finding]:
    """A finding for each file that the programme names and that is not there."""
    named: list[tuple[str, Path | None]] = [
        ("sites", programme.sites),
        ("sowing", programme.sowing),
        ("scenes.profiles", programme.scenes.profiles),
    ]
    if not _is_address(programme.scenes.catalogue):
        named.append(("scenes.catalogue", Path(programme.scenes.catalogue)))
    if programme.rain:
        named += [("rain.table", programme.rain.table), ("rain.grid", programme.rain.grid)]
    if programme.woody:
        named += [("woody.model", programme.woody.model), ("woody.train", programme.woody.train)]
    findings = [
        _finding(
            path,
            where,
            f"there is no {file}",
            "correct the path or put the file there",
            "missing-file",
        )
        for where, file in named
        if file is not None and not file.exists()
    ]
    if programme.rain is None and isinstance(programme.seasons, RainSeasons):
        findings.append(
            _finding(
                path,
                "rain",
                "is missing, and seasons are to be found from rain",
                "add a rain source, or set seasons: {from: calendar, rains: […]}",
                "no-rain-for-seasons",
            )
        )
    return findings
