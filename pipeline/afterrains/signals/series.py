"""Series of vegetation indices: one row a site and date, from observations taken one at a time."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from afterrains.signals.coverage import Coverage, polygon_statistics
from afterrains.signals.indices import DEFAULT_INDICES
from afterrains.signals.look_rows import LookRows

__all__ = ["ClearObservation", "polygon_series"]


class ClearObservation(Protocol):
    """One date's cleared reflectance on a grid, as the scenes are read."""

    @property
    def date(self) -> date:
        """Solar day."""

    @property
    def sensor(self) -> str:
        """E.g. "sentinel-2a"."""

    @property
    def scene_ids(self) -> tuple[str, ...]:
        """The scenes merged into it."""

    @property
    def reflectance(self) -> Mapping[str, NDArray[np.floating]]:
        """By our band names, 0–1, shape (y, x); NaN where not clear."""

    @property
    def clear(self) -> NDArray[np.bool_]:
        """Ground seen without cloud or shadow, shape (y, x)."""

    @property
    def covered(self) -> NDArray[np.bool_]:
        """Ground that a scene held at all, shape (y, x)."""


_COLUMNS = {
    "site_id": "str",
    "date": "datetime64[s]",
    "sensor": "str",
    "scene_id": "str",
    "clear_fraction": "float64",
    "pixels": "float64",
}


def polygon_series(
    observations: Iterable[ClearObservation],
    coverage: Coverage,
    indices: Sequence[str] = DEFAULT_INDICES,
) -> pd.DataFrame:
    """Coverage-weighted mean indices of each site's core on each date with clear ground.

    Parameters
    ----------
    observations : iterable
        Taken one at a time, to the end, so that memory holds one date; a generator will do.
    coverage : Coverage
        Of the observations' grid by the sites (`site_coverage`).
    indices : sequence of str
        Keys of `INDICES`; one whose bands an observation lacks is NaN there.

    Returns
    -------
    DataFrame
        `site_id, date, sensor, scene_id, clear_fraction, pixels` and the indices, sorted by site,
        date and sensor; a row only where `pixels` > 0. A site that is not in the coverage has no
        rows. `scene_id` joins merged scenes by ";"; nothing is rounded.

    Raises
    ------
    ValueError
        If an array is off the grid, an index is unknown, or values are plainly not reflectance.
    """
    site_ids = np.array(coverage.site_ids, object)
    rows = LookRows(_COLUMNS | dict.fromkeys(indices, "float64"))
    for seen in observations:
        statistics = polygon_statistics(
            coverage, seen.reflectance, seen.clear, seen.covered, indices
        )
        some = statistics.pixels > 0
        columns = {
            "site_id": site_ids[some],
            "date": np.datetime64(seen.date, "s"),
            "sensor": seen.sensor,
            "scene_id": ";".join(seen.scene_ids),
            "clear_fraction": statistics.clear_fraction[some],
            "pixels": statistics.pixels[some],
            **{name: statistics.means[name][some] for name in indices},
        }
        rows.add(int(some.sum()), columns)
    return rows.table()
