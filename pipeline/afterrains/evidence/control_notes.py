"""What is known of each control: how much it is used, its own change, and a note where odd."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from afterrains.evidence.as_of import AsOf
from afterrains.evidence.before_sowing import shown_before
from afterrains.evidence.contrast_gls import estimate_gains
from afterrains.evidence.gap_series import GapModel
from afterrains.evidence.ground import Ground
from afterrains.evidence.learning import Noise
from afterrains.evidence.matching import Match
from afterrains.evidence.panel import Panel

__all__ = ["controls_table"]

_SURE = 0.01  # one-sided, before the number of controls is allowed for


def controls_table(
    panel: Panel, ground: Ground, known: AsOf | None, match: Match, history: pd.DataFrame
) -> pd.DataFrame:
    """One row a control, judged against the other controls.

    Parameters
    ----------
    panel, ground, match
        As judged.
    known : AsOf or None
        The newest season judged; None leaves the own gains empty.
    history : DataFrame
        The verdicts, for the number of sites that a control serves.

    Returns
    -------
    DataFrame
        `site_id, stratum, weight_total, used_by, balance, before_trend_p, own_gain, own_gain_low,
        own_gain_high, note`. The own gain is since the first sowing of the programme; a control
        that is left out has no weight.
    """
    rows = ground.controls
    total = np.zeros(panel.site_ids.size)
    used = np.zeros(panel.site_ids.size, dtype=int)
    apart = np.zeros(panel.site_ids.size)
    weights = _in_use(ground, known, match)
    np.add.at(total, match.controls, weights)
    np.add.at(used, match.controls, (weights > 1e-6).astype(int))
    np.add.at(apart, match.controls, weights * np.nan_to_num(match.balance)[:, None])
    table = pd.DataFrame(
        {
            "site_id": panel.site_ids[rows],
            "stratum": panel.stratum[rows],
            "weight_total": total[rows],
            "used_by": used[rows],
            "balance": np.where(
                total[rows] > 0, apart[rows] / np.where(total[rows] > 0, total[rows], 1.0), np.nan
            ),
        }
    )
    for name in ("before_trend_p", "own_gain", "own_gain_low", "own_gain_high"):
        table[name] = np.nan
    table["note"] = ""
    if known is None or history.empty:
        return table
    noise = known.noise
    own = Noise(
        noise.structure,
        noise.weight,
        noise.control_variance,
        noise.control_df,
        noise.control_variance,
        noise.control_df,
    )
    series = known.control_series
    last = series.gap.shape[1]
    model = GapModel.of(panel.dry.variance[rows, :last], np.isfinite(panel.dry.values[rows, :last]))
    gains = estimate_gains(model, series, own)
    table["before_trend_p"] = shown_before(model, series, own)[2]
    table["own_gain"], table["own_gain_low"] = gains.gain, gains.low
    table["own_gain_high"] = gains.high
    table["note"] = np.select(
        [
            known.odd & _rises_steadily(series.gap),
            known.odd,
            np.nan_to_num(gains.p_gain, nan=1.0) < _SURE,
            np.nan_to_num(gains.p_loss, nan=1.0) < _SURE,
        ],
        [
            "recovering by itself: left out of the comparison",
            "possibly sown or disturbed: changed abruptly, left out of the comparison",
            "recovering by itself",
            "losing cover",
        ],
        "",
    )
    return table


def _in_use(ground: Ground, known: AsOf | None, match: Match) -> NDArray[np.float64]:
    """Weights that add up to one a site, none for a control that is left out as odd."""
    if known is None:
        return match.weights
    weights = np.where(known.odd[ground.row_of[match.controls]], 0.0, match.weights)
    whole = weights.sum(axis=1, keepdims=True)
    out: NDArray[np.float64] = weights / np.where(whole > 0, whole, 1.0)
    return out


def _rises_steadily(gaps: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether a straight rise fits each gap series better than any single step."""
    seasons = gaps.shape[1]
    if seasons < 3:
        return np.zeros(gaps.shape[0], dtype=bool)
    centred = gaps - gaps.mean(axis=1, keepdims=True)
    time = np.arange(seasons) - (seasons - 1) / 2
    slope = centred @ time / (time @ time)
    by_line = slope**2 * (time @ time)
    before = np.arange(1, seasons)
    by_step = np.cumsum(centred, axis=1)[:, :-1] ** 2 * seasons / (before * (seasons - before))
    out: NDArray[np.bool_] = (slope > 0) & (by_line > by_step.max(axis=1))
    return out
