"""Ground that recovers by itself, which needs no seed: seen before sowing, or on its controls."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy
from numpy.typing import NDArray

__all__ = ["Recovery", "recovery"]

_NEWEST = 3
_FEWEST = 3
_LEVEL = 0.05


@dataclass(frozen=True)
class Recovery:
    """Signs that a site's ground recovers without seed."""

    own: bool
    """It rose against its controls before it was sown."""
    controls: bool
    """Its unsown controls rose by a meaningful gain since before the sowing."""
    controls_rise: float
    """By how much they rose, in the unit that the site is judged in; NaN where not known."""


def recovery(seasons: pd.DataFrame, first_sown_on: pd.Timestamp, meaningful: float) -> Recovery:
    """Whether a site, or the unsown ground it is compared with, recovers by itself.

    Parameters
    ----------
    seasons : DataFrame
        The site's rows of seasons.csv, oldest first: `kind, end, difference,
        control_judged_value`. Only dry seasons count, when grass is dead.
    first_sown_on : Timestamp
        Day of the first sowing; dry seasons that ended before it are before.
    meaningful : float
        The smallest rise of the controls that matters, in the unit of `control_judged_value`.

    Returns
    -------
    Recovery
        `own`: the difference to the controls rose before sowing, by a straight line with a
        one-sided p below .05. `controls`: the mean of their newest three dry seasons lies above
        that of those before sowing by at least `meaningful`, and beyond chance (Welch, one-sided,
        .05). False with fewer than three seasons on either side. Wet years may lift controls too:
        it is a reason to look, not a verdict.
    """
    dry = seasons[seasons["kind"] == "dry"]
    before = dry["end"] < first_sown_on
    gaps = dry.loc[before, "difference"].to_numpy(float)
    then = _known(dry.loc[before, "control_judged_value"])
    now = _known(dry.loc[~before, "control_judged_value"])[-_NEWEST:]
    rise, sure = np.nan, False
    if then.size and now.size:
        rise = float(now.mean() - then.mean())
    if then.size >= _FEWEST and now.size >= _FEWEST:
        test = scipy.stats.ttest_ind(now, then, equal_var=False, alternative="greater")
        sure = bool(test.pvalue < _LEVEL)
    return Recovery(_rises(gaps), sure and rise >= meaningful, rise)


def _known(values: pd.Series) -> NDArray[np.float64]:
    numbers = values.to_numpy(float)
    known: NDArray[np.float64] = numbers[np.isfinite(numbers)]
    return known


def _rises(values: NDArray[np.float64]) -> bool:
    """A straight rise beyond chance."""
    known = np.isfinite(values)
    if known.sum() < _FEWEST or np.ptp(values[known]) == 0:
        return False
    line = scipy.stats.linregress(np.flatnonzero(known), values[known], alternative="greater")
    return bool(line.pvalue < _LEVEL)
