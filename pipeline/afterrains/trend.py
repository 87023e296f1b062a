"""Robust trends as a library; they live in `afterrains.signals.trend`."""

from afterrains.signals.trend import *  # noqa: F403
from afterrains.signals.trend import __all__ as __all__
