"""Spectral indices as a library; they live in `afterrains.signals.indices`."""

from afterrains.signals.indices import *  # noqa: F403
from afterrains.signals.indices import __all__ as __all__
