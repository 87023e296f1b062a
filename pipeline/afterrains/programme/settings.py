"""The settings of a programme as checked, frozen models; the JSON Schema is made from them.

Paths stay as written; `loading` makes them absolute.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import (
    Field,
    PrivateAttr,
)

from afterrains.programme.base import Settings
from afterrains.programme.costs import Costs
from afterrains.programme.fields import (
    LocalPath,
)
from afterrains.programme.fieldwork import Visits
from afterrains.programme.ground import CalendarSeasons, Grid, Identity, Rain, RainSeasons
from afterrains.programme.imagery import Scenes
from afterrains.programme.judging import Controls, Evidence, Woody

__all__ = ["Programme"]


class Programme(Settings):
    """A checked, frozen programme file; every path is absolute."""

    programme: Identity
    sites: LocalPath
    """Any vector file that GDAL reads: GeoJSON, GeoPackage, Shapefile, KML, FlatGeobuf, …"""
    sowing: LocalPath
    """CSV file of what was sown where, when, how and at what cost."""
    rain: Rain | None = None
    """Where daily rain comes from; may be left out where seasons come from the calendar."""
    scenes: Scenes
    grid: Grid = Grid()
    seasons: Annotated[RainSeasons | CalendarSeasons, Field(discriminator="from_")] = RainSeasons()
    """Where seasons come from: {from: rain} or {from: calendar, rains: […]}."""
    controls: Controls = Controls()
    woody: Woody | None = None
    """Leave out to work on dry-season greenness alone."""
    evidence: Evidence = Evidence()
    visits: Visits = Visits()
    costs: Costs | None = None
    """What planting takes; leave out to have no break-even against it."""
    output: LocalPath = Path("out")
    """Folder of results; each programme has its own folder inside."""

    @property
    def output_folder(self) -> Path:
        """`<output>/<programme id>`: where every result of this programme goes."""
        return self.output / self.programme.id

    _digest: str = PrivateAttr(default="")

    @property
    def digest(self) -> str:
        """SHA-256 of the settings, paths as written, so that a moved folder keeps it."""
        return self._digest
