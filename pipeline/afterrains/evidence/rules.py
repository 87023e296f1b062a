"""The judging rule, fixed before the results are seen."""

from __future__ import annotations

from dataclasses import dataclass

from afterrains.evidence.growth import GrowthCurve

__all__ = ["FRAGILE", "Rules"]

FRAGILE = 0.1
"""One-sided p-value a gain or loss must keep when the control favouring it most is left out."""


@dataclass(frozen=True)
class Rules:
    """The judging rule, fixed before the results are seen."""

    error_rate: float
    judged_seasons: int
    growth: GrowthCurve
    meaningful_gain: float
    false_discovery_rate: float
    woody_model: bool
    doubt_at_once: bool = False
    """Whether a rise at once counts as grass where no infrared tells; for greenness alone."""
