"""Spectral indices as a library: the formulas, which there are, how to compute one by name."""

from afterrains.signals import index_formulas, indices
from afterrains.signals.index_formulas import *  # noqa: F403
from afterrains.signals.indices import *  # noqa: F403

__all__ = [*index_formulas.__all__, *indices.__all__]
