"""Change of woody cover since before sowing, pixel by pixel, with its error and its class.

A pixel's change is the mean of its newest seasons minus the mean of its seasons before sowing. What
a place keeps from season to season falls out of it; what a season shares and what each plot-sized
patch has of its own stays (from residuals of places held out, observers' errors included; a single
pixel is noisier than a patch).

Classes control the false discovery rate over the pixels, and patches smaller than a least size are
taken for noise. That rate is over errors of each pixel's own. What a season shares moves the whole
map one way, and no count of pixels averages it out: a change has to go beyond it (at the rate's own
level, two-sided) before its own error is asked. So the false share is at most twice the rate: once
for a map whose shared error is larger than that, once for the pixels of the others.

A pixel never tells of a site: sites have their own estimates.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import scipy
from numpy.typing import NDArray
from odc.geo.geobox import GeoBox
from rasterio.features import rasterize
from shapely.geometry.base import BaseGeometry

from afterrains.signals.patches import (
    FALSE_DISCOVERY_RATE,
    FELL,
    LEAST_PATCH_PIXELS,
    ROSE,
    UNCHANGED,
    classes,
)
from afterrains.woody.model import WoodyModel

__all__ = ["LESS", "MORE", "UNCHANGED", "Change", "seasons_before", "sowing_days", "woody_change"]

MORE, LESS = ROSE, FELL
_MOST_AFTER = 3


@dataclass(frozen=True)
class Change:
    """Layers of `woody_change_<season>.tif`, float32 (y, x), NaN where not known."""

    change: NDArray[np.float32]
    standard_error: NDArray[np.float32]
    kind: NDArray[np.float32]
    """0 unchanged, 1 more, 2 less."""

    def stack(self) -> NDArray[np.float32]:
        """Shape (3, y, x), in the order of the product's bands."""
        return np.stack([self.change, self.standard_error, self.kind])


def woody_change(
    model: WoodyModel,
    cover: NDArray[np.floating],
    before: NDArray[np.bool_],
    *,
    after: int = _MOST_AFTER,
    rate: float = FALSE_DISCOVERY_RATE,
    least_patch: int = LEAST_PATCH_PIXELS,
) -> Change:
    """Change up to the newest season of a cell.

    Parameters
    ----------
    model : WoodyModel
    cover : array, shape (season, y, x)
        `Prediction.unclipped` of each dry season, oldest first; NaN where not predicted.
    before : bool array, shape (season,) or (season, y, x)
        Seasons that lie before sowing (there), as `seasons_before` gives them.
    after : int
        How many of the newest seasons are averaged, at most 3: trees do not jump. Of those that
        lie before a pixel's sowing only the newest counts, where none lies after.
    rate : float
        False discovery rate over the pixels, and the level of what a season shares.
    least_patch : int
        Pixels, joined at their sides, of the smallest patch called more or less.

    Returns
    -------
    Change
        NaN where a pixel has no season before, or none of its newest seasons is known.

    Raises
    ------
    ValueError
        If shapes do not fit or `after` is out of range.
    """
    seasons = len(cover)
    if cover.ndim != 3 or before.shape not in ((seasons,), cover.shape):
        raise ValueError(f"cover has shape {cover.shape}, before {before.shape}")
    if not 1 <= after <= _MOST_AFTER:
        raise ValueError(f"after is {after}; it lies between 1 and {_MOST_AFTER}")
    early = before[:, None, None] if before.ndim == 1 else before
    late = np.zeros(cover.shape, dtype=bool)
    late[max(seasons - after, 0) :] = ~np.broadcast_to(early, cover.shape)[-after:]
    late[-1] = True
    then, then_count = _mean(cover, early & ~late)
    now, now_count = _mean(cover, late)
    change = now - then
    share = model.error_share
    by_season = share.cautious()[1]
    spread = np.square(model.scale.at(now)) / np.maximum(now_count, 1)
    spread += np.square(model.scale.at(then)) / np.maximum(then_count, 1)
    error = np.where(np.isfinite(change), np.sqrt((by_season + share.plot) * spread), np.nan)
    tail = 1.0 - rate / 2.0
    few = (
        scipy.special.stdtrit(share.seasons - 1, tail)
        if share.seasons > 1
        else scipy.special.ndtri(tail)
    )
    beyond = np.maximum(np.abs(change) - few * np.sqrt(by_season * spread), 0.0)
    own = np.sqrt(share.plot * spread)
    # A change without any error cannot be tested; it stays unchanged.
    p_value = np.where(own > 0, 2.0 * scipy.special.ndtr(-beyond / np.where(own > 0, own, 1)), 1)
    p_value[~np.isfinite(change)] = np.nan
    kind = classes(p_value, change, rate=rate, least_patch=least_patch)
    return Change(change.astype(np.float32), error.astype(np.float32), kind)


def seasons_before(
    season_ends: NDArray[np.datetime64], sown_on: NDArray[np.datetime64]
) -> NDArray[np.bool_]:
    """Which seasons end before each pixel's first sowing.

    Parameters
    ----------
    season_ends : array, shape (season,)
    sown_on : array, shape (y, x)
        First sowing of the pixel's ground; for ground never sown, the day it is compared from
        (usually the programme's first sowing); NaT for none.

    Returns
    -------
    bool array, shape (season, y, x)
    """
    return np.asarray(season_ends[:, None, None] < sown_on[None])


def sowing_days(
    box: GeoBox,
    polygons: Sequence[BaseGeometry],
    first_sown_on: Sequence[date],
    elsewhere: date | None,
) -> NDArray[np.datetime64]:
    """First sowing of each pixel's ground, for `seasons_before`.

    Parameters
    ----------
    box : GeoBox
    polygons, first_sown_on : sequence
        Of the sown sites, in the grid's CRS; a pixel belongs to a site when its centre does, and
        to the earliest sowing where sites overlap.
    elsewhere : date, optional
        For ground never sown; none gives NaT.

    Returns
    -------
    array of datetime64[D], shape (y, x)
    """
    days = np.full(box.shape, np.datetime64("NaT" if elsewhere is None else elsewhere, "D"))
    # Latest first, so that the earliest is drawn last and stays.
    order = sorted(range(len(polygons)), key=lambda at: first_sown_on[at], reverse=True)
    shapes = [(polygons[at], number) for number, at in enumerate(order, start=1)]
    if shapes:
        drawn = rasterize(shapes, out_shape=box.shape, transform=box.affine, dtype=np.int32)
        sown = np.array([first_sown_on[at] for at in order], dtype="datetime64[D]")
        days[drawn > 0] = sown[drawn[drawn > 0] - 1]
    return days


def _mean(
    cover: NDArray[np.floating], chosen: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Mean over the chosen seasons that are known, and how many they are."""
    known = chosen & np.isfinite(cover)
    count = known.sum(axis=0)
    total = np.where(known, cover, 0.0).sum(axis=0, dtype=np.float64)
    mean = np.divide(total, count, out=np.full(total.shape, np.nan), where=count > 0)
    return mean, count
