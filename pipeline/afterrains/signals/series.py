"""Series of vegetation indices: one row a site and date, from observations taken one at a time."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Protocol

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from odc.geo.geobox import GeoBox

from afterrains.signals.coverage import polygon_coverage, polygon_statistics
from afterrains.signals.indices import DEFAULT_INDICES

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


def polygon_series(
    observations: Iterable[ClearObservation],
    geobox: GeoBox,
    sites: gpd.GeoDataFrame,
    indices: Sequence[str] = DEFAULT_INDICES,
) -> pd.DataFrame:
    """Coverage-weighted mean indices of each site's core on each date with clear ground.

    Parameters
    ----------
    observations : iterable
        Taken one at a time, to the end, so that memory holds one date; a generator will do.
    geobox : GeoBox
        The grid of the observations.
    sites : GeoDataFrame
        With `site_id` and the geometry column `core` (where there is none, the active geometry),
        in the grid's CRS.
    indices : sequence of str
        Keys of `INDICES`; one whose bands an observation lacks is NaN there.

    Returns
    -------
    DataFrame
        `site_id, date, sensor, scene_id, clear_fraction, pixels` and the indices, sorted by site,
        date and sensor; a row only where `pixels` > 0. A site with an empty core or outside the
        grid has no rows. `scene_id` joins merged scenes by ";"; nothing is rounded.

    Raises
    ------
    ValueError
        If the CRS differ, an array is off the grid, an index is unknown, or values are plainly not
        reflectance.
    """
    cores = gpd.GeoSeries(sites["core"]) if "core" in sites else sites.geometry
    coverage = polygon_coverage(geobox, list(sites["site_id"]), cores)
    site_ids = np.array(coverage.site_ids, object)
    parts = [_no_rows(indices)]
    for seen in observations:
        statistics = polygon_statistics(
            coverage, seen.reflectance, seen.clear, seen.covered, indices
        )
        some = statistics.pixels > 0
        if some.any():
            columns = {
                "site_id": site_ids[some],
                "date": np.datetime64(seen.date, "s"),
                "sensor": seen.sensor,
                "scene_id": ";".join(seen.scene_ids),
                "clear_fraction": statistics.clear_fraction[some],
                "pixels": statistics.pixels[some],
                **{name: statistics.means[name][some] for name in indices},
            }
            parts.append(pd.DataFrame(columns).astype(parts[0].dtypes))
    series = pd.concat(parts, ignore_index=True)
    # Two overpasses of one day have one order whatever the order of reading.
    return series.sort_values(
        ["site_id", "date", "sensor", "scene_id"], kind="stable", ignore_index=True
    )


def _no_rows(indices: Sequence[str]) -> pd.DataFrame:
    """The table without rows, so that an empty result has the columns and types of a full one."""
    text, number = "str", "float64"
    types = {
        "site_id": text,
        "date": "datetime64[s]",
        "sensor": text,
        "scene_id": text,
        "clear_fraction": number,
        "pixels": number,
        **dict.fromkeys(indices, number),
    }
    return pd.DataFrame({name: pd.Series(dtype=dtype) for name, dtype in types.items()})
