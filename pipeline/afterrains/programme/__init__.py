"""The programme file: the one place where a run's settings are named, checked and frozen.

`load_programme` reads the YAML once, reports every fault at once and returns a frozen `Programme`;
the code after it trusts it. Relative paths are relative to the programme file. The same models
give the published JSON Schema, `configs/programme.schema.json`.
"""

from afterrains.programme.costs import Costs
from afterrains.programme.fieldwork import Visits
from afterrains.programme.ground import (
    CalendarSeasons,
    Grid,
    Identity,
    NamedRains,
    Rain,
    RainCatalogue,
    RainSeasons,
)
from afterrains.programme.imagery import Scenes
from afterrains.programme.judging import Controls, Drawn, Evidence, Growth, Woody
from afterrains.programme.loading import load_programme, programme_schema
from afterrains.programme.settings import Programme
from afterrains.strict_yaml import StrictLoader as _StrictLoader  # noqa: F401

__all__ = [
    "CalendarSeasons",
    "Controls",
    "Costs",
    "Drawn",
    "Evidence",
    "Grid",
    "Growth",
    "Identity",
    "NamedRains",
    "Programme",
    "Rain",
    "RainCatalogue",
    "RainSeasons",
    "Scenes",
    "Visits",
    "Woody",
    "load_programme",
    "programme_schema",
]
