"""What each sown site and its weighted controls looked like before sowing, side by side."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from afterrains.evidence.features import column_mean, row_mean, slopes
from afterrains.evidence.matching import Match, common_spread
from afterrains.evidence.panel import Panel, SeasonTable

__all__ = ["BALANCE_COLUMNS", "QUANTITIES", "balance_table"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

BALANCE_COLUMNS = (
    "site_id",
    "as_of",
    "quantity",
    "site",
    "controls",
    "standardised_difference",
    "variance_ratio",
)
QUANTITIES = (
    "dry level",
    "dry response",
    "dry trend",
    "rains level",
    "rains response",
    "rain",
    "distance",
    "area",
)


def balance_table(panel: Panel, sown: Ints, match: Match) -> pd.DataFrame:
    """Sown sites against their weighted controls, over the seasons before each one's sowing.

    Parameters
    ----------
    panel : Panel
    sown : array of int
        Rows of the panel, in the order of `match`.
    match : Match

    Returns
    -------
    DataFrame
        `BALANCE_COLUMNS`, a row for each site and each of `QUANTITIES` that is known; sites sown
        before the first season are left out. `as_of` is the newest dry season before sowing.
        Levels and trends (per season) are in units of the values, a response is the change with
        one unit of the controls' mean, rain is mm, distance metres, area hectares.
        `standardised_difference` is site minus controls over the standard deviation among controls
        and among sown sites, pooled. `variance_ratio` is the site's variance over the seasons over
        its controls' weighted mean: of the values for a level and rain, of what the fit leaves for
        a response and a trend. NaN where not known.

    References
    ----------
    Austin, P. C. (2009). Balance diagnostics for comparing the distribution of baseline covariates
    between treatment groups in propensity-score matched samples. Stat. Med. 28, 3083-3107.
    doi:10.1002/sim.3697
    """
    parts = []
    dry_before = np.searchsorted(panel.dry.times, panel.sown_on[sown], side="right")
    rains_before = np.searchsorted(panel.rains.times, panel.sown_on[sown], side="right")
    cohorts = np.stack([dry_before, rains_before], axis=1)
    for cohort in np.unique(cohorts[dry_before > 0], axis=0):
        of = np.flatnonzero((cohorts == cohort).all(axis=1))
        weights = match.weights[of]
        names = panel.site_ids[sown[of]]
        as_of = panel.dry.seasons[cohort[0] - 1]
        for quantity, values, variance in _quantities(panel, panel.sown_on[sown[of]].min()):
            spread = common_spread(
                values[:, None], np.flatnonzero(~panel.is_sown), np.flatnonzero(panel.is_sown)
            )
            theirs = _weighted(values[match.controls[of]], weights)
            noise = _weighted(variance[match.controls[of]], weights)
            with np.errstate(invalid="ignore", divide="ignore"):
                ratio = np.where(noise > 0, variance[sown[of]] / noise, np.nan)
            parts.append(
                _rows(names, as_of, quantity, values[sown[of]], theirs, float(spread[0]), ratio)
            )
        if np.isfinite(panel.x).any():
            apart = np.hypot(
                panel.x[sown[of]][:, None] - panel.x[match.controls[of]],
                panel.y[sown[of]][:, None] - panel.y[match.controls[of]],
            )
            none = np.full(of.size, np.nan)
            far = _weighted(apart, weights)
            parts.append(_rows(names, as_of, "distance", none, far, np.nan, none))
    if not parts:
        return pd.DataFrame({name: pd.Series(dtype=object) for name in BALANCE_COLUMNS})
    table = pd.concat(parts, ignore_index=True)
    table = table[table["controls"].notna()]
    table["place"] = table["quantity"].map({name: n for n, name in enumerate(QUANTITIES)})
    table = table.sort_values(["site_id", "place"], ignore_index=True)
    return table[list(BALANCE_COLUMNS)]


def _quantities(panel: Panel, before: np.datetime64) -> Iterator[tuple[str, Floats, Floats]]:
    """Name, value of every site and its variance over the seasons, of what can be compared."""
    controls = np.flatnonzero(~panel.is_sown)
    none = np.full(panel.site_ids.size, np.nan)
    for kind, whole in (("dry", panel.dry), ("rains", panel.rains)):
        table: SeasonTable = whole.until(before)
        values = table.values
        if not np.isfinite(values).any():
            continue
        level = row_mean(values)
        yield f"{kind} level", level, _spread_over_seasons(values - level[:, None], 1)
        season = column_mean(values[controls] - row_mean(values[controls])[:, None])
        time: Floats = np.arange(values.shape[1], dtype=np.float64)
        for name, regressor in (("response", season), ("trend", time)):
            if (kind, name) == ("rains", "trend") or np.isfinite(regressor).sum() < 2:
                continue
            slope = slopes(values, regressor)
            known = np.where(np.isfinite(values), regressor, np.nan)
            fitted = slope[:, None] * (known - row_mean(known)[:, None])
            rest = values - level[:, None] - fitted
            yield f"{kind} {name}", slope, _spread_over_seasons(rest, 2)
    rain = panel.dry.until(before).rain
    if rain is not None and np.isfinite(rain).any():
        mean = row_mean(rain)
        yield "rain", mean, _spread_over_seasons(rain - mean[:, None], 1)
    yield "area", panel.area_ha.astype(float), none


def _spread_over_seasons(rest: Floats, fitted: int) -> Floats:
    """Variance of each row's residuals after `fitted` terms; NaN where none is left over."""
    seen = np.isfinite(rest)
    df = seen.sum(axis=1) - fitted
    squares = np.where(seen, rest**2, 0.0).sum(axis=1)
    out: Floats = np.where(df > 0, squares / np.maximum(df, 1), np.nan)
    return out


def _weighted(values: Floats, weights: Floats) -> Floats:
    """Weighted mean of each row over the values that are known; NaN where none is."""
    known = np.isfinite(values) & (weights > 0)
    total = np.where(known, weights, 0.0).sum(axis=1)
    sums = np.where(known, weights * np.nan_to_num(values), 0.0).sum(axis=1)
    out: Floats = np.where(total > 0, sums / np.where(total > 0, total, 1.0), np.nan)
    return out


def _rows(
    names: NDArray[np.str_],
    as_of: str,
    quantity: str,
    site: Floats,
    controls: Floats,
    spread: float,
    ratio: Floats,
) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "site_id": names,
            "as_of": as_of,
            "quantity": quantity,
            "site": site,
            "controls": controls,
            "standardised_difference": (site - controls) / spread,
            "variance_ratio": ratio,
        }
    )
