"""What a local worker has in hand before its first task; loaded only by the process of `ready`."""

from __future__ import annotations

import gc
import signal

# The terminal's interrupt goes to every process; the run itself ends the workers.
signal.signal(signal.SIGINT, signal.SIG_IGN)

import numpy as np  # noqa: E402
import scipy.ndimage  # noqa: E402
import scipy.special  # noqa: E402, F401

import afterrains.stages.cellwork  # noqa: E402
import afterrains.stages.radarwork  # noqa: E402
import afterrains.stages.woodywork  # noqa: E402, F401
from afterrains.compiled import with_kept_code  # noqa: E402
from afterrains.scenes.leftover import leftovers  # noqa: E402
from afterrains.signals.composites import season_composite  # noqa: E402
from afterrains.stages.freed import give_back  # noqa: E402
from afterrains.stages.maps import trend_layers  # noqa: E402
from afterrains.woody.applicability import Domain, dissimilarity  # noqa: E402
from afterrains.woody.trees import evaluate, no_trees  # noqa: E402


def call_kernels() -> None:
    """Call each kernel of reading and mapping once, with the least it can be called with."""
    cube = np.ones((5, 1, 1), np.float32)
    season_composite(cube)
    leftovers(cube, np.arange(5))
    trend_layers(cube, np.arange(5.0), np.arange(5.0))
    row = np.ones((1, 1), np.float32)
    evaluate(no_trees(), row)
    dissimilarity(Domain(np.ones(1), np.ones(1), row, 1.0, 1.0), row)


with_kept_code(call_kernels)

# What is loaded stays. A collector that looked through it in each worker would write into every
# page of it, and each would then have a copy of its own instead of sharing this process's.
gc.collect()
give_back()
gc.freeze()
