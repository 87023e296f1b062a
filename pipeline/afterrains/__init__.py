"""Season by season, which sown dryland sites regenerate beyond comparable unsown ground.

The command line is the usual way in; each stage is also a plain function on xarray, pandas and
geopandas objects: `indices`, `seasons`, `contrast`, `outlook`, `trend`, `woody`.
"""

from __future__ import annotations

import importlib
from importlib.metadata import version
from types import ModuleType

__all__ = ["__version__", "contrast", "indices", "outlook", "seasons", "trend", "woody"]

__version__ = version("afterrains")


def __getattr__(name: str) -> ModuleType:
    # Loaded on first use, so that a command that needs no statistics starts without them.
    if name in __all__:
        return importlib.import_module(f"afterrains.{name}")
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
