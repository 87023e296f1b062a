"""What each pass showed of each site: three things that must never be taken for one another.

Ground that no scene covers, ground that is covered but masked, and ground whose scene could not be
read have no value alike, and mean different things: nothing was there to see, the sky was in the
way, something broke that may be mended. They are counted apart, for each site and pass.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from afterrains.signals.coverage import Coverage
from afterrains.signals.look_rows import LookRows

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


_COLUMNS = {
    "site_id": "str",
    "date": "datetime64[s]",
    "sensor": "str",
    "scene_id": "str",
    "pixels": "float64",
    **dict.fromkeys(SHARES, "float64"),
    "unread": "str",
}


def polygon_looks(
    looks: Iterable[tuple[Look, NDArray[np.bool_] | None]], coverage: Coverage
) -> pd.DataFrame:
    """Shares of each site's core that each pass showed, hid, lost or never held.

    Parameters
    ----------
    looks : iterable of (look, leftover)
        Taken one at a time. `leftover` (y, x) marks clear ground that was then left out as haze or
        shadow which the masks missed; None where that was not looked for. `look.clear` may hold
        it still or no more.
    coverage : Coverage
        Of the looks' grid by the sites (`site_coverage`).

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
        If an array is off the grid.
    """
    rows = LookRows(_COLUMNS)
    for look, leftover in looks:
        failed = {scene for scene, _, _ in look.unreadable}
        columns = {
            "site_id": coverage.site_ids,
            "date": np.datetime64(look.date, "s"),
            "sensor": look.sensor,
            "scene_id": ";".join(dict.fromkeys([*look.scene_ids, *sorted(failed)])),
            "pixels": coverage.whole,
            **_shares(look, leftover, coverage),
            "unread": ";".join(sorted({band for _, band, _ in look.unreadable})),
        }
        rows.add(len(coverage.site_ids), columns)
    return rows.table()


def polygon_shares(layer: NDArray[np.bool_], coverage: Coverage) -> dict[str, float]:
    """Share of each site's core (0-1) where a layer (y, x) is true; only sites that have some.

    Raises
    ------
    ValueError
        If the layer is off the grid.
    """
    if layer.shape != coverage.shape:
        raise ValueError(f"the layer has shape {layer.shape}, the grid {coverage.shape}")
    sums = coverage.sums(layer.ravel()[coverage.pixel])
    shares = np.minimum(sums / np.maximum(coverage.whole, np.finfo(float).tiny), 1.0)
    return {
        site: float(share)
        for site, share in zip(coverage.site_ids, shares, strict=True)
        if share > 0
    }


def _shares(
    look: Look, leftover: NDArray[np.bool_] | None, coverage: Coverage
) -> dict[str, NDArray[np.float64]]:
    """Of each of `SHARES`, for each site."""
    for name, layer in (("clear", look.clear), ("covered", look.covered), ("leftover", leftover)):
        if layer is not None and layer.shape != coverage.shape:
            raise ValueError(f"{name} has shape {layer.shape}, the grid {coverage.shape}")
    # Only the polygons' own pixels are looked at.
    clear, covered, lost = (
        layer.ravel()[coverage.pixel] for layer in (look.clear, look.covered, look.lost)
    )
    removed = np.zeros(clear.shape, bool) if leftover is None else leftover.ravel()[coverage.pixel]
    clear = clear & ~removed
    layers = {
        "clear": clear,
        "leftover": removed,
        "masked": covered & ~clear & ~removed,
        "unreadable": lost & ~covered & ~clear & ~removed,
    }
    whole = np.maximum(coverage.whole, np.finfo(float).tiny)
    shares = {
        name: np.clip(coverage.sums(layer) / whole, 0.0, 1.0) for name, layer in layers.items()
    }
    shares["not_covered"] = np.clip(1.0 - sum(shares.values()), 0.0, 1.0)
    # The areas are summed in different orders; what rounding leaves is no ground.
    shares["not_covered"][shares["not_covered"] < 1e-9] = 0.0
    return shares
