"""How often a sowing would have found a good start: counted on past years of rain.

For each month of sowing, each past year is asked what `sowing_rain` asks of a real sowing: when
the first effective rain after the middle of the month came, and whether it held. Counts of years,
not a forecast: next year's rain is drawn from a climate that may have changed since.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from afterrains.rain.after_sowing import StartRule
from afterrains.rain.dryness import dry_runs, longest_run
from afterrains.rain.record import RainRecord

__all__ = ["LONG_WAIT_DAYS", "start_chances"]

LONG_WAIT_DAYS = 90
"""Beyond such a usual wait the seed has lain through a dry season: its good start is that of the
next rains, and a sowing just before them would have had it too. Common practice, no source."""

_SOWING_DAY = 15


def start_chances(
    record: RainRecord,
    site_ids: Iterable[str],
    *,
    rule: StartRule | None = None,
    wait_days: int = 365,
) -> pd.DataFrame:
    """Of past years, how many would have given a good start, by month of sowing and site.

    Parameters
    ----------
    record : RainRecord
        Daily rain of past years.
    site_ids : iterable of str
        Sites.
    rule : StartRule, optional
        What counts as effective rain and as a start that held.
    wait_days : int
        How long the seed may lie before its first effective rain; beyond, the year counts as
        `none`. A long wait costs seed: read `median_days_waited` beside the share.

    Returns
    -------
    DataFrame
        One row a site and month (1 to 12) of sowing: `site_id`, `month`, `years` (that can be
        told: the days looked at lie in the record, with few enough unread), `good`, `broken`,
        `none` (years of each), `share_good` (of `years`; NaN where there are none) and
        `median_days_waited` (to the first effective rain, in years that had one).
    """
    if wait_days < 1:
        raise ValueError(f"wait_days is {wait_days}; it must be at least 1")
    rule = rule or StartRule()
    sites = list(site_ids)
    rain = record.for_sites(sites).to_numpy(dtype=float)
    sowings = _sowings(record)
    rows = []
    # Sites in one cell of a grid have the same rain: each series is worked out once.
    known: dict[bytes, list[dict[str, float]]] = {}
    for place, site_id in enumerate(sites):
        series = np.ascontiguousarray(rain[:, place])
        key = series.tobytes()
        if key not in known:
            known[key] = _by_month(series, sowings, rule, wait_days)
        rows += [{"site_id": site_id, **month} for month in known[key]]
    table = pd.DataFrame(rows, columns=["site_id", *_COLUMNS])
    whole = ["month", "years", "good", "broken", "none"]
    return table.astype(dict.fromkeys(whole, np.int64))


_COLUMNS = ["month", "years", "good", "broken", "none", "share_good", "median_days_waited"]


def _sowings(record: RainRecord) -> dict[int, list[int]]:
    """Places in the record of the sowing day of each month."""
    days = pd.DatetimeIndex(record.daily.index)
    middle = np.flatnonzero(days.day == _SOWING_DAY)
    months = np.asarray(days.month)[middle]
    return {month: [int(day) for day in middle[months == month]] for month in range(1, 13)}


def _by_month(
    rain: NDArray[np.float64], sowings: dict[int, list[int]], rule: StartRule, wait_days: int
) -> list[dict[str, float]]:
    total = np.concatenate([[0.0], np.cumsum(np.nan_to_num(rain))])
    unread = np.concatenate([[0], np.cumsum(np.isnan(rain))])
    runs = dry_runs(rain, rule.wet_day_mm)
    table = []
    for month, days in sowings.items():
        found = [_one(day, total, unread, runs, rule, wait_days) for day in days]
        kinds = [kind for kind, _ in found]
        waited = [days_waited for kind, days_waited in found if kind in ("good", "broken")]
        years = sum(kind != "" for kind in kinds)
        table.append(
            {
                "month": month,
                "years": years,
                **{kind: kinds.count(kind) for kind in ("good", "broken", "none")},
                "share_good": kinds.count("good") / years if years else np.nan,
                "median_days_waited": float(np.median(waited)) if waited else np.nan,
            }
        )
    return table


def _one(
    day: int,
    total: NDArray[np.float64],
    unread: NDArray[np.integer],
    runs: NDArray[np.integer],
    rule: StartRule,
    wait_days: int,
) -> tuple[str, int]:
    """How a sowing on one day of the record would have started, and the days waited."""
    size = len(runs)
    # The last of the days to wait may close the wet days; the sums begin with the day of sowing.
    closing = np.arange(day + 1, min(day + wait_days, size - 1) + 2)
    within = total[closing] - total[np.maximum(closing - rule.within_days, day)]
    reached = np.flatnonzero(within >= rule.effective_mm - 1e-9)
    if not reached.size:
        end = day + wait_days + 1
        told = end <= size and unread[end] - unread[day] <= rule.most_missing_days
        return ("none" if told else ""), 0
    waited = int(reached[0])
    after = day + waited + 1
    end = after + rule.follow_days
    if unread[after] - unread[day] > rule.most_missing_days:
        return "", waited  # an earlier rain may have gone unread
    if int(longest_run(runs[after : min(end, size)])) > rule.dry_spell_days:
        return "broken", waited
    told = end <= size and unread[end] - unread[after] <= rule.most_missing_days
    return ("good" if told else ""), waited
