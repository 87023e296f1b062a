"""What will be seen: how many controls, sites and seasons a gain of so many points needs.

The noise is learned from the record of the ground itself, as long as none of it is sown or from
before its sowing; the rest is the judge's own arithmetic with the seasons to come.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from afterrains.errors import Finding, InputError
from afterrains.evidence.gap_noise import standard_errors
from afterrains.evidence.ground import Ground
from afterrains.evidence.growth import DEFAULT_GROWTH, GrowthCurve, blend, ramp
from afterrains.evidence.matching import Match
from afterrains.evidence.panel import read_panel
from afterrains.evidence.spending import boundary_levels, spent
from afterrains.evidence.verdicts import detectable

__all__ = ["detectable_gain", "draw_by_lot", "first_answer"]

_CONTROLS = (3, 5, 10, 20, 30, 60)
_SITES = (1, 3, 10)


def detectable_gain(
    panel: pd.DataFrame,
    sowing: pd.DataFrame | None = None,
    *,
    controls: Sequence[int] = _CONTROLS,
    sites: Sequence[int] = _SITES,
    seasons_before: int | None = None,
    judged_seasons: int = 12,
    growth: GrowthCurve | None = None,
    error_rate: float = 0.05,
) -> pd.DataFrame:
    """Smallest gain that can be seen with 80 % power, by controls, sites and seasons.

    Parameters
    ----------
    panel : DataFrame
        The record of the ground, as `afterrains.contrast.judge` takes it; three sites at least.
    sowing : DataFrame or None
        `site_id`, `sown_on`; what a sown site did after its sowing is left out.
    controls, sites : sequence of int
        Numbers of controls, and of sown sites whose mean gain is asked for, to tabulate.
    seasons_before : int or None
        Dry seasons on record when the seed is sown; None is those on record now.
    judged_seasons, growth, error_rate
        As in `judge`.

    Returns
    -------
    DataFrame
        `controls, sites, seasons_since_sowing, expected_share, detectable_gain`: the smallest mean
        gain in that season, in units of the value; infinite where that season may spend nothing;
        `expected_share` is the share of the full gain that the growth curve expects by then.

    Raises
    ------
    InputError
        Where the tables are at fault or hold fewer than three sites with three seasons.
    """
    growth = growth or DEFAULT_GROWTH
    noise_ground, last = _unsown_ground(panel, sowing, growth)
    noise, series = noise_ground.control_noise(last)
    before = last if seasons_before is None else seasons_before
    if before < 2:
        raise ValueError(f"seasons_before is {before}; the judge needs at least 2")
    age = np.arange(-before + 1.0, judged_seasons + 1)
    since = np.maximum(age, 0)
    errors = standard_errors(
        noise, series.season, (since > 0).astype(float), ramp(since, growth), before
    )
    newly = np.diff(spent(np.arange(judged_seasons + 1) / judged_seasons, error_rate / 2))
    levels = boundary_levels(errors**-2.0, newly, np.empty(0))
    looks = np.arange(1.0, judged_seasons + 1)
    df = float(noise.weight @ noise.df) + before + looks - 2
    rows = []
    for many in controls:
        for count in sites:
            # `standard_errors` is of a site alone; the controls' mean adds 1/J, whoever is sown.
            se = errors * blend(looks, growth) * np.sqrt(1 / count + 1 / many)
            for look, smallest in enumerate(detectable(se, df, levels), start=1):
                share = float(ramp(np.array([float(look)]), growth)[0])
                rows.append((many, count, look, share, smallest))
    names = ["controls", "sites", "seasons_since_sowing", "expected_share", "detectable_gain"]
    return pd.DataFrame(rows, columns=names)


def first_answer(table: pd.DataFrame, full_gain: float) -> pd.DataFrame:
    """First season in which a full gain of this size, grown as expected, would be seen.

    Parameters
    ----------
    table : DataFrame
        From `detectable_gain`.
    full_gain : float
        The gain once grown, in units of the value.

    Returns
    -------
    DataFrame
        `controls, sites, first_season`; empty where it is not seen within the judged seasons.
    """
    if full_gain <= 0:
        raise ValueError(f"full_gain is {full_gain}; it must be above zero")
    seen = table["detectable_gain"] <= full_gain * table["expected_share"]
    season = table["seasons_since_sowing"].where(seen)
    by = [table["controls"], table["sites"]]
    out = season.groupby(by).min().astype("Int64").rename("first_season").reset_index()
    return out


def draw_by_lot(
    sites: pd.DataFrame, share: float, seed: int, *, strata: str = "stratum"
) -> pd.DataFrame:
    """Draw by lot, within strata, which ground to sow first; the rest is its control until sown.

    Sowing by lot is the cleanest proof: nothing but chance then sets sown and unsown ground apart.

    Parameters
    ----------
    sites : DataFrame
        `site_id` and, if there are any, the column of strata.
    share : float
        Share of the sites of each stratum to sow first; at least one and not all of them.
    seed : int
        To be written down, so that anyone can draw the same lots.

    Returns
    -------
    DataFrame
        `site_id, stratum, lot (order drawn), sow_first`, sorted by site; a stratum of one site has
        no lot to draw and is not sown first.
    """
    if not 0 < share < 1:
        raise ValueError(f"share is {share}; it must lie between 0 and 1")
    frame = pd.DataFrame({"site_id": sites["site_id"].astype(str)})
    frame["stratum"] = sites[strata].fillna("").astype(str) if strata in sites else ""
    frame = frame.sort_values("site_id", ignore_index=True)
    rng = np.random.default_rng(seed)
    frame["lot"] = rng.permutation(len(frame)) + 1
    rank = frame.groupby("stratum")["lot"].rank()
    size = frame.groupby("stratum")["lot"].transform("size")
    wanted = np.clip(np.round(share * size), 1, size - 1)
    frame["sow_first"] = rank <= wanted
    return frame


def _unsown_ground(
    panel: pd.DataFrame, sowing: pd.DataFrame | None, growth: GrowthCurve
) -> tuple[Ground, int]:
    """All ground as controls, without what happened after a sowing, and its number of seasons."""
    none = pd.DataFrame({"site_id": pd.Series(dtype=str), "sown_on": pd.Series(dtype=str)})
    if sowing is not None and len(sowing):
        first = pd.to_datetime(sowing["sown_on"]).groupby(sowing["site_id"].astype(str)).min()
        limit = panel["site_id"].astype(str).map(first)
        panel = panel[~(pd.to_datetime(panel["time"]) > limit)]
    arrays = read_panel(panel.assign(role="control"), none)
    enough = np.isfinite(arrays.dry.values).sum(axis=1) >= 3
    if enough.sum() < 3:
        what = f"holds {int(enough.sum())} unsown site(s) with three dry seasons or more"
        mend = "add comparable ground or a longer record; three such sites are needed"
        raise InputError([Finding("error", "panel", "", what, mend, "too-little-ground")])
    rows = np.flatnonzero(enough)
    empty = np.empty(0, dtype=np.intp)
    match = Match(
        np.empty((0, 1), dtype=np.intp), np.empty((0, 1)), np.empty(0), (), np.empty((0, 0))
    )
    last = len(arrays.dry.seasons)
    return Ground(arrays.dry, arrays, match, empty, rows, growth, 0), last
