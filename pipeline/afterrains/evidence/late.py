"""Keeping what was said then: late scenes change the record, not what was judged without them."""

from __future__ import annotations

import numpy as np
import pandas as pd

__all__ = ["keep_what_was_said"]

_MARK = "; with data that came later: "
_MOVED = 0.1  # of the interval's width: less is not worth a word


def keep_what_was_said(earlier: pd.DataFrame, now: pd.DataFrame) -> pd.DataFrame:
    """The history of now, with every season that was judged before as it was judged then.

    Parameters
    ----------
    earlier : DataFrame
        The verdict history of the run before, judged by the same specification; may be empty. A
        specification that changed has no history to keep.
    now : DataFrame
        The history judged with all data of today, with the same columns.

    Returns
    -------
    DataFrame
        The rows of `now`, in their order. Where `earlier` has the same site and season, its row
        stands, and if late data would change the verdict or move the gain by more than a tenth of
        its interval, the reason says what they would make it.
    """
    if earlier.empty or now.empty:
        return now.copy()
    keys = ["site_id", "as_of"]
    then = (
        earlier.drop_duplicates(keys).set_index(keys).reindex(pd.MultiIndex.from_frame(now[keys]))
    )
    said = then["verdict"].notna().to_numpy()
    if not said.any():
        return now.copy()
    old = then.reset_index()[list(now.columns)].set_index(now.index)
    width = (now["gain_high"] - now["gain_low"]).to_numpy(float)
    a, b = now["gain"].to_numpy(float), old["gain"].to_numpy(float)
    moved = (np.abs(a - b) > _MOVED * width) | (np.isfinite(a) != np.isfinite(b))
    late = said & (moved | (now["verdict"] != old["verdict"]).to_numpy())
    before = old["reason"].fillna("").astype(str).str.split(_MARK, regex=False).str[0]
    gain = now["gain"].map(lambda value: "" if pd.isna(value) else f" (gain {value:.3g})")
    marked = before + _MARK + now["verdict"].astype(str) + gain
    old["reason"] = old["reason"].where(~late, marked)
    return pd.DataFrame(
        {name: now[name].where(~said, old[name]).astype(now[name].dtype) for name in now}
    )
