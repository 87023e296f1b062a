"""A search over the ground of these tests' items."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

from urllib3 import Retry

from afterrains.scenes import Profiles, SearchResult, search

HERE = (3.0, 14.46, 3.01, 14.48)
ALL_TIME = (date(2015, 1, 1), date(2030, 12, 31))
EAGER = Retry(total=2, backoff_factor=0, status_forcelist=(429, 500, 503), allowed_methods=None)


def find(
    place: Path | str, profiles: Profiles, *, bbox: Any = HERE, cloud: float = 80, **changes: Any
) -> SearchResult:
    start, end = changes.get("start", ALL_TIME[0]), changes.get("end", ALL_TIME[1])
    collections = changes.get("collections", ["sentinel-2-l2a"])
    return search(
        str(place), collections, start, end, bbox, cloud, profiles, retries=EAGER, timeout_s=5
    )
