"""Sites by way of sowing: the groups that costs and expected gains are told for."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from afterrains.evidence.what_works import FACTORS, Pooled, pool

__all__ = ["groups", "pool_of", "standard_errors", "with_ways"]

_HALF_WIDTH = 1.959964  # of a 95 % interval, in standard errors


def with_ways(verdicts: pd.DataFrame, ways: pd.DataFrame) -> pd.DataFrame:
    """The verdicts with each site's way of sowing beside them; "" where it is not known.

    Parameters
    ----------
    verdicts : DataFrame
        Rows of verdicts.csv.
    ways : DataFrame
        A row a site: `site_id` and any of `FACTORS`.
    """
    new = [name for name in ways.columns if name == "site_id" or name not in verdicts]
    frame = verdicts.merge(ways[new], on="site_id", how="left")
    for name in FACTORS:
        if name in frame:
            frame[name] = frame[name].fillna("").astype(str)
    return frame.reset_index(drop=True)


def groups(frame: pd.DataFrame) -> Iterator[tuple[str, str, pd.DataFrame]]:
    """(factor, level, rows): first all sites, then each level of each factor, in a fixed order."""
    yield "all", "all", frame
    for factor in FACTORS:
        if factor in frame:
            for level, part in frame.groupby(factor, sort=True):
                if level:
                    yield factor, str(level), part


def standard_errors(frame: pd.DataFrame) -> pd.Series:
    """Standard errors of the gains, from their 95 % intervals; NaN where there is none."""
    width = frame["gain_high"].astype(float) - frame["gain_low"].astype(float)
    return (width / (2 * _HALF_WIDTH)).where(width > 0)


def pool_of(part: pd.DataFrame) -> Pooled | None:
    """Pooled gain of these rows, which share one unit and their controls; None without any."""
    errors = standard_errors(part).to_numpy()
    gains = part["gain"].to_numpy(float)
    known = np.isfinite(gains) & np.isfinite(errors)
    if not known.any():
        return None
    controls = np.maximum(part["controls"].to_numpy(float)[known], 1)
    return pool(gains[known], errors[known], float(np.mean(1 / (1 + controls))))
