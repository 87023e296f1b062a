"""What a collection profile may say, field by field; `profiles` reads the files."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal, Self
from urllib.parse import urlsplit

from pydantic import BaseModel, ConfigDict, Field, model_validator

from afterrains.scenes.bandpass import SETS
from afterrains.scenes.model import BANDS, RADAR_BANDS
from afterrains.scenes.references import is_private

__all__ = [
    "BandRule",
    "BaselineOffset",
    "BitMask",
    "ClassMask",
    "OffsetRule",
    "Profile",
    "Signing",
    "ValueMask",
    "Values",
]

_Name = Annotated[str, Field(min_length=1, max_length=100)]
_Slug = Annotated[str, Field(pattern=r"^[a-z0-9]+([_-][a-z0-9]+)*$", max_length=64)]
_BASELINE = r"^\d{2}\.\d{2}$"


class _Table(BaseModel):
    # A mistyped key must stop the run, not fall back on a default without a word.
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class _Asset(_Table):
    resolution_m: float | None = Field(default=None, gt=0)
    """Used where the item does not say."""
    assets: tuple[_Name, ...] = Field(min_length=1)
    """Asset names to try, in this order."""


class SensorAssets(_Table):
    """Further asset names that mean this band on these sensors only."""

    sensors: tuple[_Slug, ...] = Field(min_length=1)
    assets: tuple[_Name, ...] = Field(min_length=1)


class BandRule(_Asset):
    """Where one of our bands is found."""

    common_name: _Slug | None = None
    """STAC's common name, by which the asset is found where no name of `assets` is there."""
    by_sensor: tuple[SensorAssets, ...] = ()

    @model_validator(mode="after")
    def _one_band(self) -> Self:
        if self.common_name == "rededge":
            raise ValueError("common_name rededge is shared by three bands and finds none of them")
        return self

    def asset_names(self, sensor: str) -> tuple[str, ...]:
        """Asset names to try for this sensor, in order."""
        own = [name for rule in self.by_sensor if sensor in rule.sensors for name in rule.assets]
        return (*self.assets, *own)


class BaselineOffset(_Table):
    """Offset by the processing baseline of an item: `after` from baseline `from` on."""

    from_: str = Field(alias="from", pattern=_BASELINE)
    before: float
    after: float


class OffsetRule(_Table):
    """How the additive offset of an item's reflectance is decided (see `scenes.offset`)."""

    rule: Literal["item", "fixed"] = "item"
    """"item": by the item's own flags, metadata and baseline. "fixed": always `default`."""
    default: float | None = None
    """With "fixed" the offset; with "item" what holds when the item says nothing."""
    applied_flags: tuple[_Name, ...] = ()
    """Item properties that are true when the files already carry the offset."""
    baseline: BaselineOffset | None = None

    @model_validator(mode="after")
    def _decided(self) -> Self:
        if self.rule == "fixed" and self.default is None:
            raise ValueError("rule: fixed needs a default, the offset itself")
        return self


class Values(_Table):
    """How the numbers in the band files become reflectance."""

    nodata: float = 0
    scale: float = Field(gt=0, le=1)
    offset: OffsetRule
    valid_range: tuple[float, float] | None = None
    """Numbers outside, both ends allowed, are saturated or broken and give no value."""

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.valid_range and self.valid_range[0] >= self.valid_range[1]:
            raise ValueError("valid_range must run from low to high")
        return self


class _Mask(_Asset):
    band: _Slug
    """Our name of the mask band."""
    empty: _Name
    """The class or flag of ground without data."""
    widen: tuple[_Name, ...] = ()
    """Classes or flags around which ground is masked too, as far as the programme says."""

    def _check_names(self, known: Mapping[str, int], **used: tuple[str, ...]) -> None:
        for key, names in used.items():
            unknown = [name for name in names if name not in known]
            if unknown:
                raise ValueError(f"{key} names {', '.join(unknown)}, which is not listed")


class ClassMask(_Mask):
    """A mask band that holds one class number a pixel."""

    kind: Literal["classes"]
    classes: dict[_Name, Annotated[int, Field(ge=0, le=255)]] = Field(min_length=1)
    clear: tuple[_Name, ...] = Field(min_length=1)
    """Classes that are kept; everything else is masked, numbers that are not listed too."""

    @model_validator(mode="after")
    def _named(self) -> Self:
        self._check_names(self.classes, clear=self.clear, widen=self.widen, empty=(self.empty,))
        if set(self.clear) & {*self.widen, self.empty}:
            raise ValueError("a class cannot be clear and masked at once")
        return self


class BitMask(_Mask):
    """A mask band that holds one flag a bit."""

    kind: Literal["bits"]
    bits: dict[_Name, Annotated[int, Field(ge=0, le=15)]] = Field(min_length=1)
    refuse: tuple[_Name, ...] = Field(min_length=1)
    """Flags that mask a pixel; all others are ignored."""

    @model_validator(mode="after")
    def _named(self) -> Self:
        self._check_names(self.bits, refuse=self.refuse, widen=self.widen, empty=(self.empty,))
        return self


class ValueMask(_Table):
    """No mask band: ground is seen where a band holds a number, as in radar images."""

    kind: Literal["values"]
    band: str
    """One of the profile's bands."""


class Saturation(_Asset):
    """A band that is not zero where any band is saturated; left out where an item lacks it."""

    band: _Slug


class Signing(_Table):
    """Whom to ask for signed addresses, where a server delivers its files to signed ones only."""

    service: str = Field(max_length=500)
    """Address of the service; GET `<service>?href=<address>` answers `{"href": <signed>}`."""
    servers: tuple[_Name, ...] = Field(min_length=1)
    """Names of the servers whose addresses it signs, as "files.example.org", or ".example.org" for
    all that end so. No other address is ever told to the service."""
    keep_s: float = Field(default=1200.0, gt=0, le=86_400)
    """How long a signed address is used before a new one is asked for, in seconds."""

    @model_validator(mode="after")
    def _addresses(self) -> Self:
        parts = urlsplit(self.service)
        lawful = ("https", "http") if is_private(parts.hostname or "") else ("https",)
        if parts.scheme not in lawful or not parts.hostname or parts.username:
            raise ValueError("service must be an https address without a user name")
        return self

    def signs(self, address: str) -> bool:
        """Whether an address lies on one of the servers."""
        host = (urlsplit(address).hostname or "").lower()
        return any(
            host.endswith(name.lower()) if name.startswith(".") else host == name.lower()
            for name in self.servers
        )


class Profile(_Table):
    """How the items of some collections are to be read."""

    id: _Slug
    title: str = Field(default="", max_length=200)
    collections: tuple[_Name, ...] = Field(min_length=1)
    """Collection ids, as catalogues spell them, that this profile serves."""
    sensors: tuple[_Slug, ...] = Field(min_length=1)
    """Sensors, as the item's platform in small letters with hyphens; others are refused."""
    refuse_names: tuple[_Name, ...] = ()
    """An item is refused whose id or product name contains one of these, e.g. another level."""
    bands: dict[str, BandRule] = Field(min_length=1)
    values: Values
    mask: Annotated[ClassMask | BitMask | ValueMask, Field(discriminator="kind")]
    saturation: Saturation | None = None
    bandpass: dict[str, str] = Field(default_factory=dict)
    """Named set of band-pass coefficients for each sensor that needs one."""
    bandpass_from: dict[str, str] = Field(default_factory=dict)
    """When band passes are adjusted: the band to read in place of another, as nir: nir08."""
    # Who signs changes no pixel, so it stays out of what a task's key is made from.
    signing: Signing | None = Field(default=None, exclude=True)
    """Left out where the files lie open."""

    @model_validator(mode="after")
    def _known(self) -> Self:
        swapped = {*self.bandpass_from, *self.bandpass_from.values()}
        known = (*BANDS, *RADAR_BANDS)
        unknown = sorted({*self.bands, *swapped} - set(known))
        if unknown:
            raise ValueError(f"its bands name {', '.join(unknown)}; known are {', '.join(known)}")
        if self.is_radar and not set(self.bands) <= set(RADAR_BANDS):
            raise ValueError("radar and reflectance bands need a profile each")
        if isinstance(self.mask, ValueMask) and self.mask.band not in self.bands:
            raise ValueError(f"mask names the band {self.mask.band!r}, which is not listed")
        sets = sorted(set(self.bandpass.values()) - set(SETS))
        if sets:
            raise ValueError(f"bandpass names {', '.join(sets)}; known are {', '.join(SETS)}")
        return self

    @property
    def is_radar(self) -> bool:
        """Whether it holds backscatter, which has no reflectance and no greenness."""
        return any(band in RADAR_BANDS for band in self.bands)
