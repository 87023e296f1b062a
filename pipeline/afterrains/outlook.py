"""What can be seen, before sowing and between seasons; the work is done in `evidence`."""

from afterrains.evidence.reach import detectable_effect, effect_multiplier

__all__ = ["detectable_effect", "effect_multiplier"]
