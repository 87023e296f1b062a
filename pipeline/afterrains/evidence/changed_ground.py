"""Ground that changed its kind while it was judged, and what a woody-cover model makes of it.

A model errs alike on ground of one kind, season after season, and such an error falls out of a
difference from before sowing. Not so where sown ground was also rested: grass thickens, dead stalks
stay, the ground is another kind than before, and the model errs on it by another amount. How much a
model errs from one place to another is known from places held out. So where the rains flush or the
dead-grass signal rose against control, or is not known, that error is added to the gain's: the
interval widens, and a gain has to clear it.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import scipy
from numpy.typing import NDArray

from afterrains.evidence.facts import Facts
from afterrains.evidence.multiplicity import false_discovery_q_values

__all__ = ["COLUMN", "FLUSH_DOUBT", "allow_for_changed_ground", "ground_errors"]

COLUMN = "ground_se"
"""Optional column of a panel's dry rows: standard error of the value between one kind of ground and
another, in the value's unit."""
FLUSH_DOUBT = 0.15
"""One-sided p-value of a risen flush or dead-grass signal from which ground counts as changed; a
gain without a woody model is doubted from the same value."""


def ground_errors(panel: pd.DataFrame) -> pd.Series | None:
    """`ground_se` by site and season; None where the panel has none."""
    if COLUMN not in panel:
        return None
    dry = panel[panel["kind"] == "dry"]
    key = [dry["site_id"].astype(str), dry["season"].astype(str)]
    values = pd.to_numeric(dry[COLUMN]).to_numpy(float)
    return pd.Series(values, index=pd.MultiIndex.from_arrays(key))


def allow_for_changed_ground(facts: Facts, errors: pd.Series | None, *, shortwave: bool) -> None:
    """Widen, in place, what is known of sites whose ground changed.

    Parameters
    ----------
    facts : Facts
        Columns of one season with `site_id`, `as_of`, `gain`, `gain_low`, `gain_high`, `se`,
        `p_gain`, `p_loss`, `p_no_drift`, `grass_p` and `dead_grass_p`; p- and q-values are made
        anew.
    errors : Series or None
        From `ground_errors`; nothing is done without.
    shortwave : bool
        Whether the panel has a dead-grass signal, so that its absence at a site is a doubt.
    """
    if errors is None:
        return
    key = pd.MultiIndex.from_arrays([facts["site_id"].astype(str), facts["as_of"].astype(str)])
    other = errors.reindex(key).fillna(0.0).to_numpy(float)
    dead = np.nan_to_num(facts["dead_grass_p"], nan=0.0 if shortwave else 1.0)
    flush = np.nan_to_num(facts["grass_p"], nan=1.0)
    other = np.where(np.minimum(dead, flush) <= FLUSH_DOUBT, other, 0.0)
    own, gain = facts["se"], facts["gain"]
    wide = np.hypot(own, other)
    share = np.divide(own, wide, out=np.ones_like(own), where=wide > 0)
    reach = scipy.stats.norm.ppf(0.975) * other
    facts["gain_low"] = gain - np.hypot(gain - facts["gain_low"], reach)
    facts["gain_high"] = gain + np.hypot(facts["gain_high"] - gain, reach)
    facts["se"] = wide
    for column in ("p_gain", "p_loss", "p_no_drift"):
        facts[column] = _shrunk(facts[column], share)
    facts["p_value"] = np.minimum(2 * np.fmin(facts["p_gain"], facts["p_loss"]), 1.0)
    facts["q_value"] = false_discovery_q_values(facts["p_value"])


def _shrunk(p: NDArray[np.float64], share: NDArray[np.float64]) -> NDArray[np.float64]:
    """One-sided p-values when the error grew and only `share` of each z-value is left."""
    out: NDArray[np.float64] = scipy.stats.norm.sf(scipy.stats.norm.isf(p) * share)
    # Where nothing was added the value stands to the last bit.
    return np.where(share < 1, out, p)
