"""What each pass showed of each site: three things that must never be taken for one another.

Ground that no scene covers, ground that is covered but masked, and ground whose scene could not be
read have no value alike, and mean different things: nothing was there to see, the sky was in the
way, something broke that may be mended. They are counted apart, for each site and pass.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Protocol

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from odc.geo.geobox import GeoBox

from afterrains.signals.coverage import Coverage, polygon_coverage

__all__ = ["SHARES", "Look", "polygon_looks", "polygon_shares"]

SHARES = ("clear", "leftover", "masked", "unreadable", "not_covered")
"""Parts of a polygon in one pass; they add up to one."""


class Look(Protocol):
    """One pass as the scenes are read; arrays are (y, x)."""

    @property
    def date(self) -> date:
        """Solar day."""

    @property
    def sensor(self) -> str:
        """E.g. "sentinel-2a"."""

    @property
    def scene_ids(self) -> tuple[str, ...]:
        """The scenes that cover some of the window."""

    @property
    def clear(self) -> NDArray[np.bool_]:
        """Ground seen without cloud or shadow."""

    @property
    def covered(self) -> NDArray[np.bool_]:
        """Ground that a scene held at all."""

    @property
    def lost(self) -> NDArray[np.bool_]:
        """Ground in the frame of a scene that could not be read."""

    @property
    def unreadable(self) -> tuple[tuple[str, str, str], ...]:
        """(scene_id, band, reason) of each failed read."""


def polygon_looks(
    looks: Iterable[tuple[Look, NDArray[np.bool_] | None]], geobox: GeoBox, sites: gpd.GeoDataFrame
) -> pd.DataFrame:
    """Shares of each site's core that each pass showed, hid, lost or never held.

    Parameters
    ----------
    looks : iterable of (look, leftover)
        Taken one at a time. `leftover` (y, x) marks clear ground that was then left out as haze or
        shadow which the masks missed; None where that was not looked for. `look.clear` may hold
        it still or no more.
    geobox : GeoBox
        The grid of the looks.
    sites : GeoDataFrame
        With `site_id` and the geometry column `core` (where there is none, the active geometry),
        in the grid's CRS.

    Returns
    -------
    DataFrame
        `site_id, date, sensor, scene_id` (joined by ";"; those that failed too), `pixels` (the
        whole polygon, so that a share times it is a count), a column for each of `SHARES` (0-1, of
        the polygon; they add up to 1) and `unread` (bands that could not be read, joined by ";";
        such a band is missing on ground that counts as clear). A row for each site with a core in
        the grid and each pass, sorted by site, date, sensor and scenes.

    Raises
    ------
    ValueError
        If the CRS differ or an array is off the grid.
    """
    coverage = _coverage(geobox, sites)
    parts = [_rows(look, leftover, coverage) for look, leftover in looks]
    columns = ["site_id", "date", "sensor", "scene_id", "pixels", *SHARES, "unread"]
    if not parts:
        return pd.DataFrame(columns=columns)
    table = pd.concat(parts, ignore_index=True)[columns]
    return table.sort_values(
        ["site_id", "date", "sensor", "scene_id"], kind="stable", ignore_index=True
    )


def polygon_shares(
    layer: NDArray[np.bool_], geobox: GeoBox, sites: gpd.GeoDataFrame
) -> dict[str, float]:
    """Share of each site's core (0-1) where a layer (y, x) is true; only sites that have some.

    Raises
    ------
    ValueError
        If the CRS differ or the layer is off the grid.
    """
    coverage = _coverage(geobox, sites)
    if layer.shape != coverage.shape:
        raise ValueError(f"the layer has shape {layer.shape}, the grid {coverage.shape}")
    sums = coverage.sums(layer.ravel()[coverage.pixel])
    shares = np.minimum(sums / np.maximum(coverage.whole, np.finfo(float).tiny), 1.0)
    return {
        site: float(share)
        for site, share in zip(coverage.site_ids, shares, strict=True)
        if share > 0
    }


def _coverage(geobox: GeoBox, sites: gpd.GeoDataFrame) -> Coverage:
    cores = gpd.GeoSeries(sites["core"]) if "core" in sites else sites.geometry
    return polygon_coverage(geobox, list(sites["site_id"]), cores)


def _rows(look: Look, leftover: NDArray[np.bool_] | None, coverage: Coverage) -> pd.DataFrame:
    removed = np.zeros(coverage.shape, dtype=bool) if leftover is None else leftover
    for name, layer in (("clear", look.clear), ("covered", look.covered), ("leftover", removed)):
        if layer.shape != coverage.shape:
            raise ValueError(f"{name} has shape {layer.shape}, the grid {coverage.shape}")
    clear = look.clear & ~removed
    layers = {
        "clear": clear,
        "leftover": removed,
        "masked": look.covered & ~clear & ~removed,
        "unreadable": look.lost & ~look.covered & ~clear & ~removed,
    }
    whole = np.maximum(coverage.whole, np.finfo(float).tiny)
    shares = {
        name: np.clip(coverage.sums(layer.ravel()[coverage.pixel]) / whole, 0.0, 1.0)
        for name, layer in layers.items()
    }
    shares["not_covered"] = np.clip(1.0 - sum(shares.values()), 0.0, 1.0)
    # The areas are summed in different orders; what rounding leaves is no ground.
    shares["not_covered"][shares["not_covered"] < 1e-9] = 0.0
    failed = {scene for scene, _, _ in look.unreadable}
    return pd.DataFrame(
        {
            "site_id": np.array(coverage.site_ids, object),
            "date": np.datetime64(look.date, "s"),
            "sensor": look.sensor,
            "scene_id": ";".join(dict.fromkeys([*look.scene_ids, *sorted(failed)])),
            "pixels": coverage.whole,
            **shares,
            "unread": ";".join(sorted({band for _, band, _ in look.unreadable})),
        }
    )
