"""Rain of each site in each season: the rain columns of seasons.csv."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from afterrains.rain.dryness import (
    LEAST_REFERENCE_YEARS,
    WET_DAY_MM,
    dry_runs,
    longest_run,
    rank_from_driest,
    spi,
    spi_class,
)
from afterrains.rain.record import RainRecord

__all__ = ["MOST_MISSING_DAYS", "season_rain"]

MOST_MISSING_DAYS = 5
"""Missing days in a season above which its total is not told (rule of thumb, no source)."""


def season_rain(
    record: RainRecord,
    calendar: pd.DataFrame,
    site_ids: Iterable[str],
    *,
    most_missing_days: int = MOST_MISSING_DAYS,
    wet_day_mm: float = WET_DAY_MM,
    least_years: int = LEAST_REFERENCE_YEARS,
    reference: tuple[int, int] | None = None,
) -> pd.DataFrame:
    """Rain totals, SPI, dry spells and rain days of each site and season.

    Parameters
    ----------
    record : RainRecord
        Daily rain.
    calendar : DataFrame
        Season calendar (`afterrains.rain.seasons`).
    site_ids : iterable of str
        Sites, sown and control.
    most_missing_days : int
        A season with more days without a reading gets no total and no SPI.
    wet_day_mm : float
        Rain from which a day is a rain day.
    least_years : int
        Fewest seasons of a kind that still give an SPI.
    reference : tuple of int, optional
        First and last year of the seasons that the SPI compares with; all of the record if unset,
        and then a longer record moves the SPI of past seasons.

    Returns
    -------
    DataFrame
        One row a site and season, in that order: `site_id`, `season`, `rain_mm` (from start to
        end; so far, where the season is still running), `spi` (NaN for a season that is not
        complete), `dry_spell_days` (longest run of dry days; a missing day ends a run),
        `rain_days`, `missing_days` (also days of the season outside the record), `spi_class`,
        `rain_rank` (1 = driest), `rain_years` (complete seasons of the same name with a total at
        this site, among the reference years: what the SPI compares with) and `rain_reference` (the
        first and the last of their years, "1991-2020"). The rank is among all years.
    """
    sites = list(site_ids)
    rain = record.for_sites(sites).to_numpy()
    runs = dry_runs(rain, wet_day_mm)
    shape = (len(calendar), len(sites))
    total, spell, wet = (np.full(shape, np.nan) for _ in range(3))
    missing = np.zeros(shape, dtype=np.int64)
    starts = (calendar["start"] - record.first_day).dt.days.to_numpy()
    ends = (calendar["end"] - record.first_day).dt.days.to_numpy()
    for place, (start, end) in enumerate(zip(starts, ends, strict=True)):
        begin, stop, days = max(int(start), 0), min(int(end) + 1, len(rain)), int(end - start) + 1
        seen = rain[begin:stop] if stop > begin else rain[:0]
        read = np.isfinite(seen)
        missing[place] = days - read.sum(axis=0)
        told = missing[place] <= most_missing_days
        total[place, told] = np.nansum(seen, axis=0)[told]
        wet[place, told] = (seen >= wet_day_mm).sum(axis=0)[told]
        if stop > begin:
            spell[place, told] = longest_run(runs[begin:stop])[told]
    index, rank, years, period = _against_other_years(total, calendar, least_years, reference)
    flat = {
        "rain_mm": total,
        "spi": index,
        "dry_spell_days": spell,
        "rain_days": wet,
        "missing_days": missing,
        "spi_class": spi_class(index.ravel()).reshape(shape),
        "rain_rank": rank,
        "rain_years": years,
        "rain_reference": period,
    }
    table = pd.DataFrame(
        {
            "site_id": np.repeat(np.array(sites, dtype=object), len(calendar)),
            "season": np.tile(calendar["season"].to_numpy(dtype=object), len(sites)),
        }
    )
    return table.assign(**{name: values.T.ravel() for name, values in flat.items()})


def _against_other_years(
    total: np.ndarray,
    calendar: pd.DataFrame,
    least_years: int,
    reference: tuple[int, int] | None,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """SPI, rank, number and period of reference years of each season among those of its name."""
    index, rank = np.full(total.shape, np.nan), np.full(total.shape, np.nan)
    years = np.zeros(total.shape, dtype=np.int64)
    period = np.full(total.shape, "", dtype=object)
    begins = calendar["year"].to_numpy(dtype=np.int64)
    names = calendar["season"].str.split("-", n=1).str[1].to_numpy()
    complete = calendar["complete"].to_numpy(dtype=bool)
    low, high = reference or (int(begins.min()), int(begins.max()))
    compared = complete & (begins >= low) & (begins <= high)
    for name in np.unique(names):
        members = np.flatnonzero((names == name) & complete)
        usual = compared[members]
        if not usual.any():
            continue
        # One series for the whole programme gives equal columns: each is worked out once.
        columns, inverse = np.unique(total[members], axis=1, return_inverse=True)
        inverse = inverse.ravel()
        its_index = np.column_stack([spi(c, c[usual], least_years=least_years) for c in columns.T])
        its_rank = np.column_stack([rank_from_driest(column) for column in columns.T])
        index[members] = its_index[:, inverse]
        rank[members] = its_rank[:, inverse]
        members = members[usual]
        known = np.isfinite(total[members])
        years[names == name] = known.sum(axis=0)
        first = begins[members][known.argmax(axis=0)]
        last = begins[members][::-1][known[::-1].argmax(axis=0)]
        spans = np.array([f"{a}-{b}" for a, b in zip(first, last, strict=True)], dtype=object)
        period[names == name] = np.where(known.any(axis=0), spans, "")
    return index, rank, years, period
