"""What can be seen, before sowing and between seasons; the work is done in `evidence`."""

from afterrains.evidence.foresight import (
    detectable_gain,
    draw_by_lot,
    first_answer,
    site_reach,
)
from afterrains.evidence.reach import detectable_effect, effect_multiplier

__all__ = [
    "detectable_effect",
    "detectable_gain",
    "draw_by_lot",
    "effect_multiplier",
    "first_answer",
    "site_reach",
]
