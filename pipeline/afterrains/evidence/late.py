"""Keeping what was said then: late scenes change the record, not what was judged without them."""

from __future__ import annotations

import numpy as np
import pandas as pd

__all__ = ["LATE", "keep_what_was_said"]

LATE = "late_data"
"""Column of a kept row: what data that came later would make of it, where that differs."""
_KEYS = ["site_id", "as_of"]
_MOVED = 0.1  # of the interval's width: less is not worth a word


def keep_what_was_said(earlier: pd.DataFrame, now: pd.DataFrame) -> pd.DataFrame:
    """The history of now, with every season that was judged before as it was judged then.

    Parameters
    ----------
    earlier : DataFrame
        Rows of the verdict history of the run before that still stand: judged by the same rule, of
        the same ground and sowing. May be empty.
    now : DataFrame
        The history judged with all data of today, with the same columns; `late_data` is added
        where it has none.

    Returns
    -------
    DataFrame
        The rows of `now`, in their order. Where `earlier` has the same site and season its row
        stands, and if late data would change the verdict or move the gain by more than a tenth of
        its interval, `late_data` says what they would make it ("" everywhere else).
    """
    now = now.assign(**{LATE: ""})
    if earlier.empty or now.empty:
        return now
    then = earlier.drop_duplicates(_KEYS).set_index(_KEYS)
    then = then.reindex(pd.MultiIndex.from_frame(now[_KEYS]))
    said = then["verdict"].notna().to_numpy()
    if not said.any():
        return now
    old = then.reset_index().reindex(columns=now.columns).set_index(now.index)
    width = (now["gain_high"] - now["gain_low"]).to_numpy(float)
    a, b = now["gain"].to_numpy(float), old["gain"].to_numpy(float)
    moved = (np.abs(a - b) > _MOVED * width) | (np.isfinite(a) != np.isfinite(b))
    late = said & (moved | (now["verdict"] != old["verdict"]).to_numpy())
    gain = now["gain"].map(lambda value: "" if pd.isna(value) else f" (gain {value:.3g})")
    old[LATE] = (now["verdict"].astype(str) + gain).where(late, "")
    return pd.DataFrame({name: _kept(now[name], old[name], said) for name in now})


def _kept(now: pd.Series, old: pd.Series, said: np.ndarray) -> pd.Series:
    """One column, with the old values where something was said, in the type of today's."""
    values = now.astype(object).where(~said, old.astype(object))
    if pd.api.types.is_integer_dtype(now.dtype) and values.isna().any():
        return values.astype("Int64")
    return values.astype(now.dtype)
