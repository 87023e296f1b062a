"""What a local worker has in hand before its first task; loaded only by the process of `ready`."""

from __future__ import annotations

import signal

# The terminal's interrupt goes to every process; the run itself ends the workers.
signal.signal(signal.SIGINT, signal.SIG_IGN)

import numpy as np  # noqa: E402

import afterrains.stages.drawing  # noqa: E402, F401
from afterrains.scenes.leftover import leftovers  # noqa: E402
from afterrains.signals.composites import season_composite  # noqa: E402

# Each kernel that every task needs is called once, with a season's smallest cube, and so compiled.
_cube = np.ones((2, 1, 1), np.float32)
season_composite(_cube)
leftovers(_cube, np.arange(2))
