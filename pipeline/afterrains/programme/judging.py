"""Settings of the judging: controls, woody cover, the evidence rule."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import (
    Field,
    model_validator,
)

from afterrains.programme.base import Settings, exactly_one, one_of
from afterrains.programme.fields import (
    Line,
    LocalPath,
    Number,
    WholeNumber,
)

__all__ = ["Controls", "Drawn", "Evidence", "Growth", "Woody"]


class Drawn(Settings):
    """How unsown ground is drawn around the sown sites, where choose is sampled."""

    number: WholeNumber = Field(default=20, ge=1, le=60)
    """Patches wanted within reach of each sown site; neighbours share theirs. With 10 one site
    shows a gain of 3.3 standard deviations, with 20 of 3.0; more than 30 bring little."""
    apart_m: Number = Field(default=200.0, ge=0, le=10_000)
    """Least distance between outlines, m: from sown ground, from listed controls, from each other.
    Ground that lies close together shares its luck, and its seed; never less than spill_over_m. Our
    own choice."""
    within_m: Number = Field(default=3000.0, gt=0, le=50_000)
    """Greatest distance from the sown site that a patch is drawn for, m. Our own choice."""
    most: WholeNumber = Field(default=400, ge=1, le=5000)
    """Most patches of the whole programme; where they do not suffice, sites take turns."""
    seed: WholeNumber = Field(default=1, ge=0, le=2**31 - 1)
    """The same seed, sites and settings draw the same patches."""
    leave_out: tuple[Annotated[Line, Field(min_length=1, max_length=100)], ...] = ()
    """Ids of drawn patches that a visit has shown to be no comparable ground."""


class Controls(Settings):
    """How comparable unsown ground is chosen."""

    choose: Literal["listed", "sampled"] = "listed"
    """listed: the file's control sites, weighted by match; sampled: also draw unsown ground."""
    spill_over_m: Number = Field(default=50.0, ge=0, le=10_000)
    """Controls nearer to sown ground than this, in metres, are compared with nothing: seed drifts
    and is carried. Common practice, no source; 0 uses every control."""
    drawn: Drawn | None = None
    """How ground is drawn; only with choose: sampled, and left out for the defaults."""

    @model_validator(mode="after")
    def _drawn_is_asked_for(self) -> Self:
        if self.drawn is not None and self.choose == "listed":
            raise ValueError("drawn is given, and choose is listed; set choose: sampled")
        return self

    @property
    def drawing(self) -> Drawn | None:
        """How ground is drawn; None where it is not."""
        return None if self.choose == "listed" else self.drawn or Drawn()


class Woody(Settings):
    """A fitted woody-cover model, or the plots to fit one."""

    model_config = one_of("model", "train")

    model: LocalPath | None = None
    """Folder of a fitted model."""
    train: LocalPath | None = None
    """CSV file of plots to fit one on."""

    @model_validator(mode="after")
    def _one_origin(self) -> Self:
        exactly_one(self, "model", "train")
        return self


class Growth(Settings):
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


class Evidence(Settings):
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
