"""Radar passes: which of them look at the ground in the same way.

A radar looks sideways. What it sees depends on the side and the angle, so numbers of an ascending
and a descending pass, or of two relative orbits, are never put together. Passes of one direction
and relative orbit are a *track*: each of its pixels is seen at one angle, year after year.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

__all__ = ["DIRECTIONS", "direction_of", "track_of"]

DIRECTIONS = ("ascending", "descending")
_LAST_ORBIT = 1000  # relative orbits of any mission are far fewer; Sentinel-1 has 175


def track_of(properties: Mapping[str, Any]) -> str | None:
    """Direction and relative orbit of an item, as "descending-51"; None without a direction.

    Read from `sat:orbit_state` and `sat:relative_orbit` (STAC satellite extension 1.0). Without a
    relative orbit the direction stands alone, which keeps such passes from those that tell theirs.
    """
    direction: Any = properties.get("sat:orbit_state")
    if direction not in DIRECTIONS:
        return None
    orbit: Any = properties.get("sat:relative_orbit")
    if isinstance(orbit, int) and not isinstance(orbit, bool) and 0 < orbit < _LAST_ORBIT:
        return f"{direction}-{orbit}"
    return str(direction)


def direction_of(track: str) -> str:
    """The direction of a track."""
    return track.split("-", 1)[0]
