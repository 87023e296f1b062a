"""Tables of the field team: places to check."""

from __future__ import annotations

from afterrains.delivery.columns import Column, Table
from afterrains.delivery.tables.shared import (
    SITE_ID,
    STRATUM,
    probability,
)

__all__ = ["VISITS"]

VISITS = Table(
    "visits",
    "Visits",
    "a place for the field team to check",
    (
        Column("visit_id", "string", "The visit.", required=True),
        SITE_ID,
        Column("lon", "number", "Longitude, WGS 84.", "degrees", required=True,
               minimum=-180, maximum=180, decimals=6),
        Column("lat", "number", "Latitude, WGS 84.", "degrees", required=True,
               minimum=-90, maximum=90, decimals=6),
        Column("why", "string", "What a visit teaches there."),
        STRATUM,
        probability("inclusion_probability",
                     "Chance with which the draw took this place; empty for chosen places."),
    ),
    primary_key=("visit_id",),
)  # fmt: skip
