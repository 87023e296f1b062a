"""Rain in the contrast: what a site got more or less of than the ground it is compared with.

Good and bad seasons that all ground shares leave the gap between a site and its controls by
themselves. Rain that fell on one and not on the other does not: the gap follows it, and its swings
pass for gain or loss. There the difference in rain enters the gap's regression as one more column,
fitted jointly with the gain: a two-step residual (rain first, gain on what is left) would take
from the gain whatever part of it runs along with the rain.

Every site has its own response to rain, straight in mm and fitted without a prior: that costs one
degree of freedom, so the column is there only for sites whose rain differed from their controls'
by more than `BEYOND_NOISE` of the year-to-year spread. Where all sites have one rain there is no
column at all.

References
----------
Evans, J. & Geerken, R. (2004). Discrimination between climate and human-induced dryland
degradation. J. Arid Environ. 57, 535-554. doi:10.1016/S0140-1963(03)00121-6 (the residual method,
whose two steps are what is avoided here).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from afterrains.evidence.gaps import site_levels, weighted_seasons
from afterrains.evidence.matching import Match

__all__ = ["BEYOND_NOISE", "RainGap", "SiteRain"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

BEYOND_NOISE = 0.2
"""Spread over the years of the difference in rain, as a share of the year-to-year spread of rain
itself, from which rain counts as different: gauges a few kilometres apart differ by that much by
chance (rule of thumb, no source)."""


@dataclass(frozen=True)
class RainGap:
    """Rain of a group of sites minus that of what they are compared with.

    `column` (sites, seasons) is what the gap is regressed on: centred, in units of the year-to-year
    spread `size_mm`, 0 for a site whose rain did not differ beyond noise and in seasons whose rain
    is not known.
    """

    column: Floats
    size_mm: float

    @property
    def used(self) -> NDArray[np.bool_]:
        """Which sites have a response to fit, shape (sites,)."""
        out: NDArray[np.bool_] = (self.column != 0).any(axis=1)
        return out

    def take(self, rows: Ints | slice) -> RainGap:
        """The same of some sites."""
        return RainGap(self.column[rows], self.size_mm)


@dataclass(frozen=True)
class SiteRain:
    """Rain of the sown sites and controls of one outcome, mm, shape (sites, seasons)."""

    sown: Floats
    controls: Floats

    def of_sown(
        self, rows: Ints, departures: Floats, match: Match, row_of: Ints, trust: Floats
    ) -> RainGap | None:
        """Rain of some sown sites minus their controls', weighted as their values are.

        Parameters
        ----------
        rows : array of int
            Sown sites.
        departures : array, shape (controls, seasons)
            Of the controls' values: rain counts where a value does.
        match, row_of, trust
            As in `gaps.weighted_seasons`.

        Returns
        -------
        RainGap or None
            None where no site's rain differed beyond noise.
        """
        rain = self._departures(departures, trust)
        theirs, _ = weighted_seasons(rain, match, row_of, trust)
        own = self.sown[rows, : departures.shape[1]]
        return _beyond_noise(own - theirs, rain)

    def of_controls(self, departures: Floats, trust: Floats) -> RainGap | None:
        """Rain of each control minus the others', weighted as their values are."""
        rain = self._departures(departures, trust)
        weight = np.isfinite(rain) * trust
        filled = np.nan_to_num(rain)
        left = (weight * filled).sum(axis=0) - weight * filled
        rest = weight.sum(axis=0) - weight
        others = np.where(rest > 0, left / np.where(rest > 0, rest, 1.0), np.nan)
        return _beyond_noise(rain - others, rain)

    def _departures(self, departures: Floats, trust: Floats) -> Floats:
        """Rain of the controls less each one's level, NaN where its value is not known."""
        rain = np.where(np.isfinite(departures), self.controls[:, : departures.shape[1]], np.nan)
        out: Floats = rain - site_levels(rain, trust)[:, None]
        return out


def _beyond_noise(difference: Floats, controls: Floats) -> RainGap | None:
    """The column of the regression; None where no site has one."""
    count = np.isfinite(controls).sum(axis=0)
    yearly = np.nansum(controls, axis=0)[count > 0] / count[count > 0]
    size = float(yearly.std()) if yearly.size > 1 else 0.0
    if size <= 0:
        # The usual rain never changed: whatever differs is beyond its spread.
        size = float(np.nanstd(difference)) if np.isfinite(difference).any() else 0.0
    if size <= 0:
        return None
    seen = np.isfinite(difference)
    many = np.maximum(seen.sum(axis=1, keepdims=True), 1)
    filled = np.where(seen, difference, 0.0)
    centred = np.where(seen, difference - filled.sum(axis=1, keepdims=True) / many, 0.0)
    spread = np.sqrt((centred**2).sum(axis=1, keepdims=True) / many)
    column = np.where(spread > BEYOND_NOISE * size, centred / size, 0.0)
    return RainGap(column, size) if column.any() else None
