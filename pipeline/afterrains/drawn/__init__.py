"""Unsown ground that nobody listed: patches drawn around the sown sites, and the file that keeps
them.

A patch is drawn before anything is read of it, so nothing that was seen can have chosen it. What it
looked like before sowing is asked later (`evidence.likeness`).
"""

from afterrains.drawn.kept import FILE, KeptDraw, as_written, read_kept, write_kept
from afterrains.drawn.patches import Patch, draw_patches, patch_like
from afterrains.drawn.words import NOT_VISITED

__all__ = [
    "FILE",
    "NOT_VISITED",
    "KeptDraw",
    "Patch",
    "as_written",
    "draw_patches",
    "patch_like",
    "read_kept",
    "write_kept",
]
