"""When a site cannot be judged, and why: nothing comparable, too short a record, trends apart,
ground chosen because it had just been at its lowest.

The two last faults no contrast can undo: it would call the drift or the recovery a gain.
"""

from __future__ import annotations

import numpy as np
import scipy
from numpy.typing import NDArray

from afterrains.evidence.as_of import AsOf

__all__ = ["Findings", "chosen_low_p", "refusal_reasons", "trends_apart_p"]

Floats = NDArray[np.float64]
Words = NDArray[np.object_]

FEWEST_BEFORE = 2
FEWEST_CONTROLS = 2
LARGEST_IMBALANCE = 6.0
"""Standard deviations of the controls beyond which ground is not comparable at all."""
LONG_BEFORE = 6
"""Seasons before sowing from which a low newest season no longer rules the baseline."""
_APART_LEVEL = 0.02
_LOW_LEVEL = 0.01
_SITE_LEVEL = 0.005
_MATERIAL = 0.5

Findings = dict[str, Floats]


def trends_apart_p(known: AsOf) -> float:
    """p-value of sown sites as a group drifting away from their controls before sowing.

    A t-test of the sites' slopes, widened by what the shared controls add; 1 with fewer than three
    sites whose slope is known.
    """
    slope = known.trend[np.isfinite(known.trend)]
    if slope.size < 3:
        return 1.0
    shared = float(np.nanmean(known.trend_se**2 * _share_of_controls(known)))
    se = np.sqrt(slope.var(ddof=1) / slope.size + shared)
    if se <= 0:
        return 1.0
    return float(2 * scipy.stats.t.sf(abs(slope.mean()) / se, slope.size - 1))


def chosen_low_p(known: AsOf) -> float:
    """One-sided p-value of sown sites having been at their lowest in the newest season before.

    Their newest gap before sowing minus their earlier ones, averaged over the sites, against its
    spread over the sites, widened by what the shared controls add; 1 with fewer than three sites.
    """
    departure = known.newest_departure[np.isfinite(known.newest_departure)]
    if departure.size < 3:
        return 1.0
    variance = departure.var(ddof=1)
    shared = variance * float(np.nanmean(_share_of_controls(known)))
    se = np.sqrt(variance / departure.size + shared)
    return float(scipy.stats.t.cdf(departure.mean() / se, departure.size - 1)) if se > 0 else 1.0


def _share_of_controls(known: AsOf) -> Floats:
    """Part of a gap's variance that its controls' mean brings."""
    used = np.maximum(known.controls_used, 1)
    out: Floats = 1 / (1 + used)
    return out


def refusal_reasons(known: AsOf, balance: Floats) -> Words:
    """Why each site of `known` cannot be judged; an empty text where it can.

    Parameters
    ----------
    known : AsOf
    balance : array, shape (sites,)
        Largest absolute standardised mean difference of each site.
    """
    out = np.full(known.rows.size, "", dtype=object)
    apart, low = trends_apart_p(known), chosen_low_p(known)
    group_slope = np.nanmean(known.trend) if np.isfinite(known.trend).any() else 0.0
    seasons = known.control_series.season.size
    drifted = np.abs(group_slope) * seasons / 2 > _MATERIAL * known.gains.se
    group = (apart < _APART_LEVEL) & np.isfinite(known.trend) & drifted
    alone = np.nan_to_num(known.trend_p, nan=1.0) < _SITE_LEVEL
    rules = [
        (~np.isfinite(known.gains.gain), "no clear value this season"),
        (
            balance > LARGEST_IMBALANCE,
            "no comparable control: every one differs by more than"
            f" {LARGEST_IMBALANCE:g} standard deviations before sowing",
        ),
        (
            (low < _LOW_LEVEL) & (known.before_seen < LONG_BEFORE),
            "sown ground was at its lowest, against control, in the newest season before sowing and"
            f" the record before is shorter than {LONG_BEFORE} dry seasons: recovery would pass for"
            " gain",
        ),
        (
            group,
            "sown and control ground were already drifting apart before sowing (all sown sites"
            f" together, p {apart:.2g})",
        ),
        (alone, "this site and its controls were already drifting apart before sowing"),
        (
            known.before_seen < FEWEST_BEFORE,
            f"fewer than {FEWEST_BEFORE} dry seasons with a value before sowing",
        ),
        (
            known.controls_used < FEWEST_CONTROLS,
            f"fewer than {FEWEST_CONTROLS} comparable controls",
        ),
    ]
    for where, why in rules:
        out[where] = why
    return out
