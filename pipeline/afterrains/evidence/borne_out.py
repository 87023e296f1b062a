"""Whether a gain or loss is borne out by a second look at the same ground: another index, or only
the seasons that one family of sensors saw.

What one index shows and another does not may be soil, haze or an offset of a sensor; it is no
verdict. A second index shares most of its noise with the first, so it is asked for support only,
not for proof: the bar costs few true gains (docs/evidence.md) and stops what has no ground.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

__all__ = ["NO_SUPPORT", "borne_out"]

NO_SUPPORT = 0.2
"""One-sided p-value, in the direction of the verdict, beyond which a second look gives none."""


def borne_out(history: pd.DataFrame, beside: pd.DataFrame, look: str) -> pd.DataFrame:
    """The verdicts, with those taken back that a second judging does not support.

    Parameters
    ----------
    history : DataFrame
        `judgement.HISTORY_COLUMNS`.
    beside : DataFrame
        The same sites and seasons judged on the second look. A site and season that could not be
        judged there is not asked.
    look : str
        What the second look is, as the reason is to say it: "msavi2".

    Returns
    -------
    DataFrame
        A copy. A `gain` or `loss` whose second gain lies on the other side of zero, or on the same
        side with a one-sided p-value above `NO_SUPPORT`, is `too-early` with that reason.
    """
    key = ["site_id", "as_of"]
    second = history[key].merge(beside[[*key, "gain", "p_value"]], on=key, how="left")
    gain, two_sided = second["gain"].to_numpy(float), second["p_value"].to_numpy(float)
    side = history["verdict"].map({"gain": 1.0, "loss": -1.0}).fillna(0.0).to_numpy(float)
    one_sided = np.where(np.sign(gain) == side, two_sided / 2, 1 - two_sided / 2)
    withdrawn = (side != 0) & np.isfinite(gain) & (one_sided > NO_SUPPORT)
    out = history.copy()
    reason = history["reason"].to_numpy(object).copy()
    against = np.where(
        np.sign(gain) == side, "is within chance by it", "has the opposite sign by it"
    )
    words = history["verdict"].astype(str).to_numpy()
    for row in np.flatnonzero(withdrawn):
        reason[row] = (
            f"a {words[row]} by the main value, not borne out by {look}: the difference"
            f" {against[row]}, so it is no verdict"
        )
    out["verdict"] = np.where(withdrawn, "too-early", words)
    out["reason"] = reason
    for name in ("answer_by", "break_season"):
        out[name] = history[name].where(~withdrawn, "")
    return out
