"""Settings of the scenes: which are searched, from where, and how they are read."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any, Literal, Self
from urllib.parse import urlsplit

from pydantic import (
    Field,
    field_validator,
    model_validator,
)

from afterrains.programme.base import Settings
from afterrains.programme.fields import (
    LONGEST_PATH,
    Day,
    Line,
    LocalPath,
    Number,
    is_address,
    shown,
)

__all__ = ["Scenes"]

# Landsat 1 was launched on 23 July 1972.
_FIRST_SCENE_DAY = date(1972, 7, 23)


class Scenes(Settings):
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
    adjust_bandpasses: Literal["off", "rma", "harmonised-coefficients"] = "harmonised-coefficients"
    """How reflectance is brought to what Landsat 8/9 OLI sees, where the scenes come from more than
    one family of sensors (TM and ETM+, OLI, MSI); the scenes of one family stay as they are.
    rma: reduced major axis, published for TM and ETM+ alone, so not with Sentinel-2.
    harmonised-coefficients: also MSI, by the coefficients of the harmonised product; bands without
    any, such as red edge, are then left out. A sensor that has none is refused, not left as it is.
    """
    profiles: LocalPath | None = None
    """A folder of further collection profiles (YAML), beside the ones that come with the tool."""
    trusted_hosts: tuple[
        Annotated[str, Field(pattern=r"^[a-z0-9]([a-z0-9.:_-]*[a-z0-9])?$", max_length=253)], ...
    ] = Field(default=(), max_length=100)
    """Hosts inside your own network that a catalogue outside it may name, in lower case; all others
    inside it are refused, so that nobody else's catalogue can make this machine ask them."""
    budget_gb: Number | None = Field(default=None, gt=0)
    """The most that one run may pull from servers, in gigabytes (10^9 bytes); a run that would pull
    more, by `afterrains estimate`, stops before it begins. No limit if unset."""
    store_gb: Number = Field(default=50.0, gt=0)
    """The most that is kept on this disk of what was pulled, in gigabytes (10^9 bytes); what was
    used longest ago goes first. What is kept is not pulled again."""

    @field_validator("adjust_bandpasses", mode="before")
    @classmethod
    def _bare_off(cls, value: Any) -> Any:
        """YAML 1.1 reads a bare `off` as false."""
        return "off" if value is False else value

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
