"""What was known at one season, and since when each site was sown."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from afterrains.evidence.contrast_gls import SiteGains
from afterrains.evidence.gap_series import GapSeries
from afterrains.evidence.learning import Noise
from afterrains.evidence.matching import MOST_CONTROLS, Match, match_controls
from afterrains.evidence.panel import Panel, SeasonTable

__all__ = ["AsOf", "match_all", "seasons_since"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class AsOf:
    """What was known at one season of the sites sown by then.

    `rows` numbers the sites among the sown ones; the rest are arrays in that order. `errors` gives,
    for each number of seasons since sowing that occurs, the standard error of the full gain at
    every look of such a sowing, past ones and those to come. `weakest_p` is the one-sided p-value
    of the gain or loss found once the control that favours it most is left out (0 where nothing was
    found), `weakest_control` that control's row in the panel. `rain_apart` is how much more rain
    than its controls a site got a season since its sowing than before, mm, `rain_moved` what
    allowing for it changed of the gain; NaN where their rain did not differ beyond noise.
    `largest_drift` is the largest drift upwards of all sown against control ground, a season, that
    the seasons before sowing do not rule out, `drift_p` the one-sided p-value of there being one.
    """

    rows: Ints
    gains: SiteGains
    controls_used: Ints
    trend: Floats
    trend_se: Floats
    trend_p: Floats
    before_seen: Ints
    newest_departure: Floats
    errors: dict[int, Floats]
    weakest_p: Floats
    weakest_control: Ints
    odd: Bools
    noise: Noise
    control_series: GapSeries
    rain_apart: Floats
    rain_moved: Floats
    largest_drift: float
    drift_p: float


def seasons_since(table: SeasonTable, sown_on: NDArray[np.datetime64]) -> Ints:
    """Seasons since sowing, shape (sites, seasons): 0 up to sowing, then 1, 2, 3 and so on."""
    after = table.times[None, :] > sown_on[:, None]
    out: Ints = np.cumsum(after, axis=1)
    return out


def match_all(panel: Panel, sown: Ints, controls: Ints, spill_over_m: float) -> Match:
    """Control weights of all sown sites; those with the same seasons before are matched at once."""
    k = min(MOST_CONTROLS, controls.size)
    index = np.zeros((sown.size, k), dtype=np.intp)
    weights = np.zeros((sown.size, k))
    balance = np.full(sown.size, np.nan)
    before = np.stack(
        [
            np.searchsorted(table.times, panel.sown_on[sown], side="right")
            for table in (panel.dry, panel.rains)
        ],
        axis=1,
    )
    for cohort in np.unique(before, axis=0):
        of = np.flatnonzero((before == cohort).all(axis=1))
        match = match_controls(
            panel, sown[of], controls, panel.sown_on[sown[of]].min(), spill_over_m=spill_over_m
        )
        index[of], weights[of], balance[of] = match.controls, match.weights, match.balance
    return Match(index, weights, balance, (), np.empty((sown.size, 0)))
