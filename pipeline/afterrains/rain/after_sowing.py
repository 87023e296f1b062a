"""Rain after sowing: when the rain that wakes the seed came, and whether it held.

The rule, every number of it settable: the **first effective rain** is the first day, from the
day of sowing on, that closes 3 days (all since sowing) with 20 mm or more. The **start** is
`good` when no dry spell of more than 7 days falls in the 30 days that follow, else `broken`. It is the onset
criterion of Sivakumar (1988), applied to the day of sowing in place of 1 May; public copies of
that paper disagree on whether a spell of exactly 7 days already breaks the start, and here it does
not.

References
----------
Sivakumar, M. V. K. (1988). Predicting rainy season potential from the onset of rains in Southern
Sahelian and Sudanian climatic zones of West Africa. Agric. For. Meteorol. 42, 295-305.
doi:10.1016/0168-1923(88)90039-1
"""  # noqa: E501

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from afterrains.rain.anomalies import season_rain
from afterrains.rain.dryness import WET_DAY_MM, dry_runs, longest_run
from afterrains.rain.record import RainRecord

__all__ = ["StartRule", "clock_starts", "first_effective", "sowing_rain"]


@dataclass(frozen=True)
class StartRule:
    """What counts as effective rain and as a start that held.

    At least `effective_mm` within `within_days` days; then, in the next `follow_days` days, no
    run of more than `dry_spell_days` days under `wet_day_mm`. With more than
    `most_missing_days` of the following days unread, or with fewer than all of them past, a start
    that was not seen to break is left open.
    """

    effective_mm: float = 20.0
    within_days: int = 3
    dry_spell_days: int = 7
    follow_days: int = 30
    wet_day_mm: float = WET_DAY_MM
    most_missing_days: int = 3

    def __post_init__(self) -> None:
        if self.effective_mm <= 0 or self.within_days < 1 or self.follow_days < 1:
            raise ValueError("effective_mm, within_days and follow_days must be above zero")


def first_effective(
    rain_mm: NDArray[np.floating], *, effective_mm: float = 20.0, within_days: int = 3
) -> int | None:
    """Place of the first day that closes `within_days` days with `effective_mm` or more.

    Parameters
    ----------
    rain_mm : array, shape (days,)
        Daily rain from the day of sowing on, mm; NaN adds nothing to a sum.

    Returns
    -------
    int or None
        None where no such day is there.
    """
    total = np.concatenate([[0.0], np.cumsum(np.nan_to_num(rain_mm))])
    closing = np.arange(1, total.size)
    within = total[closing] - total[np.maximum(closing - within_days, 0)]
    # Sums of decimals miss round thresholds by rounding alone: 6.7 + 6.6 + 6.7 is 20.
    reached = np.flatnonzero(within >= effective_mm - 1e-9)
    return int(reached[0]) if reached.size else None


def sowing_rain(
    sowing: pd.DataFrame,
    record: RainRecord,
    calendar: pd.DataFrame | None = None,
    *,
    effective_mm: float = 20.0,
    within_days: int = 3,
    dry_spell_days: int = 7,
    follow_days: int = 30,
    wet_day_mm: float = WET_DAY_MM,
    reference: tuple[int, int] | None = None,
) -> pd.DataFrame:
    """What rain each sowing got: the rows of sowing_rain.csv.

    Parameters
    ----------
    sowing : DataFrame
        `site_id`, `sown_on` (datetime64); a row for each sowing, re-sowings too.
    record : RainRecord
        Daily rain.
    calendar : DataFrame, optional
        Season calendar; with it the SPI of the rains that the seed woke in.
    effective_mm, within_days, dry_spell_days, follow_days, wet_day_mm
        The rule, as in `StartRule`.
    reference : tuple of int, optional
        Reference years of the SPI, as in `season_rain`.

    Returns
    -------
    DataFrame
        One row a sowing, in its order: `site_id`, `sown_on`, `first_effective_rain_on`,
        `days_waited` (from sowing), `rain_30d_mm` and `longest_dry_spell_30d` (over the
        `follow_days` days after the first effective rain; NaN until they are past or when too
        many are unread), `rains_spi` (of the rains that hold the first effective rain, or else
        the first rains to end after sowing; NaN while they last), `start`: `good`, `broken`,
        `none yet` (no effective rain so far), or empty where the record cannot say: the days
        after the rain are not yet over, or too many days are unread. `missing_days` counts the
        unread days from sowing to the last day looked at.

    Notes
    -----
    Where days between sowing and the first effective rain are unread, that rain may have come
    earlier than the date given. A sowing outside the record gets empty cells.
    """
    rule = StartRule(
        effective_mm=effective_mm,
        within_days=within_days,
        dry_spell_days=dry_spell_days,
        follow_days=follow_days,
        wet_day_mm=wet_day_mm,
    )
    rows = []
    for site_id, sown_on in zip(sowing["site_id"], sowing["sown_on"], strict=True):
        rain = _since(record, str(site_id), pd.Timestamp(sown_on))
        rows.append({"site_id": site_id, "sown_on": sown_on, **_start(rain, rule)})
    columns = ["site_id", "sown_on", *_EMPTY]
    table = pd.DataFrame(rows, columns=columns)
    for column in ("sown_on", "first_effective_rain_on"):
        table[column] = pd.to_datetime(table[column])
    order = [*columns[:6], "rains_spi", "start", "missing_days"]
    return table.assign(rains_spi=_rains_spi(table, record, calendar, reference))[order]


_EMPTY = {
    "first_effective_rain_on": pd.NaT,
    "days_waited": np.nan,
    "rain_30d_mm": np.nan,
    "longest_dry_spell_30d": np.nan,
    "start": "",
    "missing_days": 0,
}


def _since(record: RainRecord, site_id: str, sown_on: pd.Timestamp) -> pd.Series:
    """Rain from sowing to the end of the record; NaN for days before it, empty if none."""
    if pd.isna(sown_on) or sown_on > record.last_day:
        return pd.Series(dtype=float)
    rain = record.for_sites([site_id])[site_id]
    return rain.reindex(pd.date_range(sown_on, record.last_day, freq="D"))


def _start(rain: pd.Series, rule: StartRule) -> dict[str, object]:
    """What is known of one sowing from its rain since."""
    values = rain.to_numpy(dtype=float)
    unread = np.isnan(values)
    place = first_effective(values, effective_mm=rule.effective_mm, within_days=rule.within_days)
    if place is None:
        # "None yet" is a statement on rain that was looked at: not on a record full of holes.
        blind = values.size == 0 or int(unread.sum()) > rule.most_missing_days
        start = "" if blind else "none yet"
        return _EMPTY | {"start": start, "missing_days": int(unread.sum())}
    after = values[place + 1 : place + 1 + rule.follow_days]
    longest = int(longest_run(dry_runs(after, rule.wet_day_mm)))
    past = after.size == rule.follow_days
    told = past and int(np.isnan(after).sum()) <= rule.most_missing_days
    start = "broken" if longest > rule.dry_spell_days else "good" if told else ""
    return {
        "first_effective_rain_on": rain.index[place],
        "days_waited": float(place),
        "rain_30d_mm": float(np.nansum(after)) if told else np.nan,
        "longest_dry_spell_30d": float(longest) if told else np.nan,
        "start": start,
        "missing_days": int(unread[: place + 1 + after.size].sum()),
    }


def _rains_spi(
    table: pd.DataFrame,
    record: RainRecord,
    calendar: pd.DataFrame | None,
    reference: tuple[int, int] | None,
) -> list[float]:
    """SPI of the rains that each sowing's seed woke in."""
    if calendar is None or not len(table):
        return [np.nan] * len(table)
    rains = season_rain(record, calendar, sorted(set(table["site_id"])), reference=reference)
    keys = zip(rains["site_id"], rains["season"], strict=True)
    index = dict(zip(keys, rains["spi"].to_numpy(dtype=float), strict=True))
    wet = calendar[calendar["kind"] == "rains"]
    found = []
    when = table["first_effective_rain_on"].fillna(table["sown_on"])
    for site_id, day in zip(table["site_id"], when, strict=True):
        later = wet.loc[wet["end"] >= day, "season"]
        found.append(float(index[site_id, later.iloc[0]]) if len(later) else np.nan)
    return found


def clock_starts(table: pd.DataFrame) -> pd.DataFrame:
    """The day from which a site's seasons since sowing are counted.

    The clock starts at the first effective rain after the **first** sowing; a re-sowing starts no
    second one. Where the record cannot say when that rain came, it starts at the sowing.

    Parameters
    ----------
    table : DataFrame
        Rows of `sowing_rain`.

    Returns
    -------
    DataFrame
        One row a site: `site_id`, `first_sown_on`, `clock_from` (NaT while there was no effective
        rain), `clock_by` (`rain`, `sowing`, or `` where it has not started), `sowings`.
    """
    ordered = table.sort_values(["site_id", "sown_on"], kind="stable")
    first = ordered.drop_duplicates("site_id").reset_index(drop=True)
    rain = first["first_effective_rain_on"]
    waiting = first["start"] == "none yet"
    by = np.where(rain.notna(), "rain", np.where(waiting, "", "sowing"))
    return pd.DataFrame(
        {
            "site_id": first["site_id"],
            "first_sown_on": first["sown_on"],
            "clock_from": rain.where(rain.notna() | waiting, first["sown_on"]),
            "clock_by": by.astype(object),
            "sowings": ordered.groupby("site_id").size().reindex(first["site_id"]).to_numpy(),
        }
    )
