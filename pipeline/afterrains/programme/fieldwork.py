"""Settings of the field visits."""

from __future__ import annotations

from pydantic import Field

from afterrains.programme.base import Settings
from afterrains.programme.fields import Number, WholeNumber

__all__ = ["Visits"]


class Visits(Settings):
    """What a field team can do in a day, and how visits are shared out."""

    points_per_day: WholeNumber = Field(default=12, ge=1, le=200)
    """Places that one team checks in a day on one ground."""
    travel_km_per_day: Number = Field(default=100.0, gt=0, le=2000)
    """Kilometres, in a straight line, that a team travels in a day between far-apart grounds."""
    chosen_percent: Number = Field(default=25.0, ge=0, le=100)
    """Share of the visits chosen because they may change a decision; the rest are drawn."""
    control_percent: Number = Field(default=25.0, ge=0, le=90)
    """Share of the drawn visits that go to the controls on which verdicts rest."""
    plot_radius_m: Number = Field(default=15.0, ge=1, le=500)
    """Radius of the plot in which woody cover is estimated and seedlings are counted."""
