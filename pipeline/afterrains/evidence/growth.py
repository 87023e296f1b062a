"""The expected growth of a gain, in dry seasons since sowing.

A programme states when a gain begins to show and when it is full. Trees do not jump, but real
curves differ from the stated one, so the contrast follows a blend of that ramp and of a step at
sowing: whichever is true, little power is lost.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "DEFAULT_GROWTH",
    "STEP_SHARE",
    "GrowthCurve",
    "RampGrowth",
    "blend",
    "growth_curve",
    "mixed",
    "ramp",
]

Floats = NDArray[np.float64]


class GrowthCurve(Protocol):
    """Anything that says when a gain starts and when it is full (`afterrains.programme.Growth`)."""

    @property
    def starts_after_seasons(self) -> float:
        """Dry seasons after sowing up to which nothing shows."""

    @property
    def full_after_seasons(self) -> float:
        """Dry seasons after sowing from which the gain is whole."""


@dataclass(frozen=True)
class RampGrowth:
    """A ramp between two seasons after sowing."""

    starts_after_seasons: float = 1.0
    full_after_seasons: float = 8.0

    def __post_init__(self) -> None:
        if not 0 <= self.starts_after_seasons < self.full_after_seasons:
            raise ValueError(
                f"growth from season {self.starts_after_seasons} to {self.full_after_seasons}: "
                "the start must lie at or after sowing and before the end"
            )


DEFAULT_GROWTH = RampGrowth()


def growth_curve(given: GrowthCurve | Mapping[str, float] | None) -> GrowthCurve:
    """The curve that a caller means: one of ours, the two keys of the programme file, or None.

    Raises
    ------
    ValueError
        Where the gain would be full before it starts, or a key is not one of the two.
    TypeError
        Where it is none of the three.
    """
    if given is None:
        return DEFAULT_GROWTH
    if isinstance(given, Mapping):
        strange = set(given) - {"starts_after_seasons", "full_after_seasons"}
        if strange:
            raise ValueError(
                f"growth holds {', '.join(sorted(map(str, strange)))}; "
                "give starts_after_seasons and full_after_seasons"
            )
        return RampGrowth(**given)
    if not (hasattr(given, "starts_after_seasons") and hasattr(given, "full_after_seasons")):
        raise TypeError(
            f"growth is {type(given).__name__}; give starts_after_seasons and full_after_seasons, "
            "in dry seasons after sowing, as a mapping or a RampGrowth"
        )
    return given


def ramp(seasons_since: NDArray[np.float64], growth: GrowthCurve) -> Floats:
    """Share of the full gain to be expected `seasons_since` dry seasons after sowing (0..1)."""
    start, full = growth.starts_after_seasons, growth.full_after_seasons
    out: Floats = np.clip((np.asarray(seasons_since, float) - start) / (full - start), 0.0, 1.0)
    return np.where(np.asarray(seasons_since) > 0, out, 0.0)


STEP_SHARE = 0.42


def mixed(step: Floats, ramp: Floats, share: Floats | float = STEP_SHARE) -> Floats:
    """Blend of what belongs to a step and what belongs to the ramp, `share` being the step's.

    A little more ramp than step: with noise that hangs together over the seasons a step costs the
    ramp more power than the other way round.
    """
    return share * step + (1 - share) * ramp


def blend(seasons_since: NDArray[np.float64], growth: GrowthCurve) -> Floats:
    """`mixed` of a step in the first dry season after sowing and the programme's ramp (0..1)."""
    step = (np.asarray(seasons_since) > 0).astype(float)
    out: Floats = mixed(step, ramp(seasons_since, growth))
    return out
