"""What will be seen: how many controls, sites and seasons a gain of so many points needs.

The noise is learned from the record of the ground itself, as long as none of it is sown or from
before its sowing; the rest is the judge's own arithmetic with the seasons to come.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from afterrains.errors import Finding, InputError
from afterrains.evidence.gap_noise import standard_errors
from afterrains.evidence.gap_series import GapSeries
from afterrains.evidence.ground import Ground
from afterrains.evidence.growth import GrowthCurve, blend, growth_curve, ramp
from afterrains.evidence.learning import Noise
from afterrains.evidence.matching import Match
from afterrains.evidence.panel import read_panel
from afterrains.evidence.spending import boundary_levels, spent
from afterrains.evidence.verdicts import detectable

__all__ = ["detectable_gain", "draw_by_lot", "first_answer", "site_reach"]

Floats = NDArray[np.float64]

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
    growth: GrowthCurve | Mapping[str, float] | None = None,
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
    growth = growth_curve(growth)
    noise_ground, last, _ = _unsown_ground(panel, sowing, growth)
    noise, series = noise_ground.control_noise(last)
    before = last if seasons_before is None else seasons_before
    looks = _Looks.of(noise, series, before, judged_seasons, growth, error_rate)
    rows = []
    for many in controls:
        for count in sites:
            # `standard_errors` is of a site alone; the controls' mean adds 1/J, whoever is sown.
            for row in zip(*looks.smallest(1 / count + 1 / many), strict=True):
                rows.append((many, count, *row))
    names = ["controls", "sites", "seasons_since_sowing", "expected_share", "detectable_gain"]
    return pd.DataFrame(rows, columns=names)


def site_reach(
    panel: pd.DataFrame,
    sowing: pd.DataFrame | None,
    sites: pd.DataFrame,
    *,
    judged_seasons: int = 12,
    growth: GrowthCurve | Mapping[str, float] | None = None,
    error_rate: float = 0.05,
) -> pd.DataFrame:
    """Smallest gain that each site by itself can show with 80 % power, by seasons since sowing.

    Parameters
    ----------
    panel, sowing, judged_seasons, growth, error_rate
        As in `detectable_gain`.
    sites : DataFrame
        `site_id`, `controls` (it will be compared with), `seasons_before` (dry seasons on record
        when it is sown).

    Returns
    -------
    DataFrame
        `site_id, controls, seasons_before, seasons_since_sowing, expected_share, detectable_gain,
        noise_ratio`. The last is the site's own noise in units of the usual one's standard
        deviation: from its record so far, drawn towards 1 the shorter that is. A site with fewer
        than two seasons before or two controls has no row: nothing can be said of it.

    Raises
    ------
    InputError
        As in `detectable_gain`.
    """
    growth = growth_curve(growth)
    ground, last, ids = _unsown_ground(panel, sowing, growth)
    noise, series = ground.control_noise(last)
    prior = float(noise.weight @ noise.df)
    seen = np.isfinite(ground.control_values[:, :last])
    ratios = dict(zip(ids, _noise_ratios(series.gap, seen, prior), strict=True))
    known: dict[int, _Looks] = {}
    parts = []
    told = zip(
        sites["site_id"].astype(str), sites["controls"], sites["seasons_before"], strict=True
    )
    for site_id, many, before in told:
        if before < 2 or many < 2:
            continue
        if before not in known:
            known[before] = _Looks.of(
                noise, series, int(before), judged_seasons, growth, error_rate
            )
        ratio = float(ratios.get(site_id, 1.0))
        looks, share, smallest = known[before].smallest(ratio**2 + 1 / many)
        part = {"site_id": site_id, "controls": int(many), "seasons_before": int(before)}
        part |= {"seasons_since_sowing": looks, "expected_share": share}
        parts.append(pd.DataFrame(part | {"detectable_gain": smallest, "noise_ratio": ratio}))
    columns = ["site_id", "controls", "seasons_before", "seasons_since_sowing"]
    columns += ["expected_share", "detectable_gain", "noise_ratio"]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


@dataclass(frozen=True)
class _Looks:
    """Standard error, degrees of freedom and level of each look after one sowing."""

    se: Floats
    df: Floats
    levels: Floats
    growth: GrowthCurve

    @classmethod
    def of(
        cls,
        noise: Noise,
        series: GapSeries,
        before: int,
        judged_seasons: int,
        growth: GrowthCurve,
        error_rate: float,
    ) -> _Looks:
        """Looks at a site sown after `before` seasons, as long as it is judged."""
        if before < 2:
            raise ValueError(f"seasons_before is {before}; the judge needs at least 2")
        age = np.arange(-before + 1.0, judged_seasons + 1)
        since = np.maximum(age, 0)
        errors = standard_errors(
            noise, series.season, (since > 0).astype(float), ramp(since, growth), before
        )
        newly = np.diff(spent(np.arange(judged_seasons + 1) / judged_seasons, error_rate / 2))
        looks = np.arange(1.0, judged_seasons + 1)
        return cls(
            errors * blend(looks, growth),
            float(noise.weight @ noise.df) + before + looks - 2,
            boundary_levels(errors**-2.0, newly, np.empty(0)),
            growth,
        )

    def smallest(self, variance: float) -> tuple[NDArray[np.intp], Floats, Floats]:
        """Look, expected share and smallest gain seen, for a variance in units of one site's."""
        looks = np.arange(1, self.se.size + 1)
        share = ramp(looks.astype(float), self.growth)
        return looks, share, detectable(self.se * np.sqrt(variance), self.df, self.levels)


def _noise_ratios(gap: Floats, seen: NDArray[np.bool_], prior: float) -> Floats:
    """Each site's noise over the usual one, standard deviations, drawn towards 1."""
    count = np.maximum(seen.sum(axis=1, keepdims=True), 1)
    centred = np.where(seen, gap - np.where(seen, gap, 0.0).sum(axis=1, keepdims=True) / count, 0.0)
    squares, df = (centred**2).sum(axis=1), np.maximum(count[:, 0] - 1.0, 0.0)
    usual = squares.sum() / max(float(df.sum()), 1.0)
    if usual <= 0:
        return np.ones(gap.shape[0])
    out: Floats = np.sqrt((prior + squares / usual) / (prior + df))
    return out


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
    # An array: a Series would take 1 for a stratum of one site, where the least exceeds the most.
    sizes = size.to_numpy()
    wanted = np.clip(np.round(share * sizes), 1, sizes - 1)
    frame["sow_first"] = rank <= wanted
    return frame


def _unsown_ground(
    panel: pd.DataFrame, sowing: pd.DataFrame | None, growth: GrowthCurve
) -> tuple[Ground, int, list[str]]:
    """All ground as controls, without what came after a sowing; its number of seasons, its ids."""
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
    ground = Ground(arrays.dry, arrays, match, empty, rows, growth, 0)
    return ground, last, [str(name) for name in arrays.site_ids[rows]]
