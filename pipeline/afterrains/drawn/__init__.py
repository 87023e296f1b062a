"""Unsown ground that nobody listed: patches drawn around the sown sites.

A patch is drawn before anything is read of it, so nothing that was seen can have chosen it. What it
looked like before sowing is asked later (`evidence.likeness`); `delivery.drawn_layer` keeps it.
"""

from afterrains.drawn.patches import Patch, draw_patches, patch_like
from afterrains.drawn.words import NOT_VISITED

__all__ = ["NOT_VISITED", "Patch", "draw_patches", "patch_like"]
