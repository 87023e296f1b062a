"""Comparable ground: weights of the controls for each sown site, from before sowing only.

A control weighs more the more it looked like the site before sowing: level and trend of the
dry-season value, response to good and bad seasons, level in the rains, stratum, distance. All of
the seasons before sowing are averaged, so that one bad season, for which a site may have been
chosen, does not pick its controls. The weights stay spread over most controls: the contrast
removes constant differences, and few controls cost more than a difference in level.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from afterrains.evidence.features import column_mean, site_features
from afterrains.evidence.panel import Panel

__all__ = ["MOST_CONTROLS", "Match", "common_spread", "match_controls"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

MOST_CONTROLS = 60
"""Controls that one site is compared with; more add next to nothing (sqrt(1 + 1/60) is 1.008)."""
# Share of the available controls that the weights must be worth: few controls are nearly averaged.
_SPREAD, _SPREAD_OF_FEW, _FEW = 0.9, 0.95, 15
_SITES_AT_ONCE = 40
_SITES_MEASURED = 200  # from which a usual distance on the ground is taken
_WORTH_COMPARING = 0.3  # reliability under which a difference is noise and says nothing of balance


@dataclass(frozen=True)
class Match:
    """Control weights of each target site.

    `controls` (targets, k) are row numbers in the panel, `weights` (targets, k) sum to 1 in each
    row or are all 0 where nothing is comparable; `balance` (targets,) is the largest absolute
    standardised mean difference, `features` names what was compared, `differences`
    (targets, features) holds each of them.
    """

    controls: Ints
    weights: Floats
    balance: Floats
    features: tuple[str, ...]
    differences: Floats

    @property
    def used(self) -> Ints:
        """Number of controls with a weight."""
        out: Ints = (self.weights > 0).sum(axis=1)
        return out


def match_controls(
    panel: Panel,
    targets: Ints,
    controls: Ints,
    before: np.datetime64,
    *,
    spill_over_m: float = 0.0,
) -> Match:
    """Weigh the controls of sites that share their first sowing.

    Parameters
    ----------
    panel : Panel
    targets, controls : array of int
        Rows of the panel. A target among the controls is never compared with itself.
    before : datetime64
        Only seasons up to this day are looked at.
    spill_over_m : float
        Controls whose rim lies closer than this to the target (sites taken as circles of their
        area, `x` and `y` in metres) are not used; 0 uses all.

    Returns
    -------
    Match
        One row for each target, in their order.
    """
    features = site_features(panel.dry.until(before), panel.rains.until(before), controls)
    spread = common_spread(features.values, controls, np.flatnonzero(panel.is_sown))
    scaled = features.values / spread
    # What part of the sites' differences is lasting, and so worth matching on.
    reliability = np.clip(1 - features.noise_variance / spread**2, 0.0, 1.0)
    k = min(MOST_CONTROLS, controls.size)
    index = np.zeros((targets.size, k), dtype=np.intp)
    weights = np.zeros((targets.size, k))
    filled, matched = np.nan_to_num(scaled), np.zeros((targets.size, scaled.shape[1]))
    # One measure for all sites, so that the weights of one do not hang on which others are with it.
    apart = _apart(panel, targets[:: -(-targets.size // _SITES_MEASURED) or 1], controls)
    typical = float(np.median(apart[np.isfinite(apart)])) if np.isfinite(apart).any() else 0.0
    for start in range(0, targets.size, _SITES_AT_ONCE):
        part = slice(start, min(start + _SITES_AT_ONCE, targets.size))
        rows = targets[part]
        # What two sites are expected to differ by is the lasting part of what they differed by.
        distance = _distances(panel, scaled * reliability, rows, controls, typical)
        distance[_too_close(panel, rows, controls, spill_over_m)] = np.inf
        distance[rows[:, None] == controls[None, :]] = np.inf
        nearest = (
            np.argpartition(distance, k - 1, axis=1)[:, :k]
            if k < controls.size
            else (np.broadcast_to(np.arange(controls.size), distance.shape))
        )
        index[part] = controls[nearest]
        weights[part] = _kernel_weights(np.take_along_axis(distance, nearest, axis=1))
        matched[part] = (filled[index[part]] * weights[part][..., None]).sum(axis=1)
    differences = np.where((weights.sum(axis=1) > 0)[:, None], scaled[targets] - matched, np.nan)
    known = np.isfinite(differences) & (reliability >= _WORTH_COMPARING)
    balance = np.where(
        known.any(axis=1),
        np.max(np.where(known, np.abs(differences), -1.0), axis=1, initial=-1.0),
        np.nan,
    )
    return Match(index, weights, balance, features.names, differences)


def common_spread(features: Floats, controls: Ints, sown: Ints) -> Floats:
    """Standard deviation of each feature among controls and among sown sites, pooled.

    Three controls alone would give a standard deviation that is now and then near zero.
    """
    total, df = np.zeros(features.shape[1]), np.zeros(features.shape[1])
    for rows in (controls, sown):
        among = features[rows]
        total += np.nansum((among - column_mean(among)) ** 2, axis=0)
        df += np.maximum(np.isfinite(among).sum(axis=0) - 1, 0)
    sd = np.sqrt(total / np.maximum(df, 1))
    return np.where(sd > 0, sd, 1.0)


def _distances(panel: Panel, scaled: Floats, rows: Ints, controls: Ints, typical: float) -> Floats:
    """Squared distance in standardised features, stratum and place; shape (rows, controls).

    `typical` is a usual distance on the ground; 0 leaves places out.
    """
    known = np.isfinite(scaled)
    a, b = np.nan_to_num(scaled[rows]), np.nan_to_num(scaled[controls])
    # An unknown feature counts as one standard deviation apart: it neither helps nor rules out.
    shared = known[rows].astype(float) @ known[controls].astype(float).T
    square = (
        (a * a) @ known[controls].T.astype(float)
        + known[rows].astype(float) @ (b * b).T
        - 2 * a @ b.T
    )
    out: Floats = np.maximum(square, 0.0) + (scaled.shape[1] - shared)
    out += (panel.stratum[rows][:, None] != panel.stratum[controls][None, :]) * 2.0
    if typical > 0:
        apart = _apart(panel, rows, controls)
        out += np.where(np.isfinite(apart), apart / typical, 1.0)
    return out


def _apart(panel: Panel, rows: Ints, controls: Ints) -> Floats:
    """Distance between centres, in the units of x and y; NaN where unknown."""
    out: Floats = np.hypot(
        panel.x[rows][:, None] - panel.x[controls][None, :],
        panel.y[rows][:, None] - panel.y[controls][None, :],
    )
    return out


def _too_close(panel: Panel, rows: Ints, controls: Ints, spill_over_m: float) -> NDArray[np.bool_]:
    if spill_over_m <= 0:
        return np.zeros((rows.size, controls.size), dtype=bool)
    radius = np.sqrt(np.nan_to_num(panel.area_ha) * 10_000 / np.pi)
    rim = _apart(panel, rows, controls) - radius[rows][:, None] - radius[controls][None, :]
    return np.nan_to_num(rim, nan=np.inf) < spill_over_m


def _kernel_weights(distance: Floats) -> Floats:
    """Gaussian weights of squared distances, as sharp as the wanted spread allows."""
    usable = np.isfinite(distance)
    count = usable.sum(axis=1)
    nearest = np.min(np.where(usable, distance, np.inf), axis=1, initial=np.inf)
    excess = np.where(usable, distance - np.where(count > 0, nearest, 0.0)[:, None], np.inf)
    wanted = np.where(count < _FEW, _SPREAD_OF_FEW, _SPREAD) * count
    low, high = np.full(count.shape, -12.0), np.full(count.shape, 12.0)  # log of the kernel width
    for _ in range(30):
        middle = (low + high) / 2
        raw = np.exp(-excess / np.exp(middle)[:, None])
        worth = raw.sum(axis=1) ** 2 / np.maximum((raw**2).sum(axis=1), 1e-300)
        wide = worth >= wanted
        high, low = np.where(wide, middle, high), np.where(wide, low, middle)
    raw = np.where(usable, np.exp(-excess / np.exp(high)[:, None]), 0.0)
    total = raw.sum(axis=1, keepdims=True)
    out: Floats = np.where(total > 0, raw / np.where(total > 0, total, 1.0), 0.0)
    return out
