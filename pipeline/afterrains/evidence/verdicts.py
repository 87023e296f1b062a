"""From gains and their uncertainty to the six words, season after season.

Each row is a site at a season, with what was known then. The words, strongest first:
not-assessable, loss, gain, grass-only, no-gain, too-early (contract section 4).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import scipy
from numpy.typing import NDArray

from afterrains.evidence.changed_ground import FLUSH_DOUBT
from afterrains.evidence.common_drift import HINT
from afterrains.evidence.growth import ramp
from afterrains.evidence.levels import Levels
from afterrains.evidence.reasons import reasons
from afterrains.evidence.rules import FRAGILE, Rules

__all__ = ["VERDICTS", "decide", "detectable", "future_season"]

Floats = NDArray[np.float64]

VERDICTS = ("gain", "loss", "no-gain", "grass-only", "too-early", "not-assessable")
POWER = 0.8
STILL_DOWN = 0.2
"""One-sided p-value of a loss up to which a site that fell suddenly has not come back."""


def detectable(se: Floats, df: Floats, level: Floats) -> Floats:
    """Smallest true gain that a one-sided t-test at `level` sees with 80 % power.

    By the normal approximation to the non-central t distribution, within 2 % of the exact value
    from 2 degrees of freedom on (`afterrains.outlook.detectable_effect`); infinite at level 0.

    References
    ----------
    Abramowitz, M. & Stegun, I. A. (1964). Handbook of Mathematical Functions, 26.7.10.
    """
    with np.errstate(invalid="ignore"):
        critical = scipy.stats.t.isf(level, df)
        wide = np.sqrt(1 + critical**2 / (2 * df))
        out: Floats = se * (critical * (1 - 1 / (4 * df)) + scipy.stats.norm.ppf(POWER) * wide)
    return np.where(level > 0, out, np.inf)


def future_season(seasons: tuple[str, ...], ahead: int) -> str:
    """Id of the dry season `ahead` seasons after the last of `seasons`.

    The names of the last year's dry seasons repeat: '2025-dry' is followed by '2026-dry',
    '2025-dry-1' by '2025-dry-2' where a year has two.
    """
    if ahead == 0:
        return seasons[-1]
    year, name = int(seasons[-1][:4]), seasons[-1][5:]
    cycle: list[str] = []
    for season in reversed(seasons):
        if season[5:] in cycle:
            break
        cycle.insert(0, season[5:])
    order = sorted(cycle)
    place = order.index(name) + ahead
    return f"{year + place // len(order)}-{order[place % len(order)]}"


def decide(facts: pd.DataFrame, levels: Levels, rules: Rules, seasons: tuple[str, ...]) -> None:
    """Write `verdict`, `reason`, `detectable_gain`, `answer_by`, `break_season` into the facts.

    Parameters
    ----------
    facts : DataFrame
        Rows sorted by site and season, with `site_id, as_of, seasons_since_sowing`, the gains and
        p-values of `SiteGains`, `q_value, grass_p, grass_crossed, weakest_p, weakest_control,
        refusal`.
    levels : Levels
        Of this season and those to come, one row each.
    rules : Rules
    seasons : tuple of str
        All dry seasons so far, in order.
    """
    since = facts["seasons_since_sowing"].to_numpy()
    level = levels.gain[:, 0]
    refused = (facts["refusal"] != "").to_numpy()
    se, df = facts["se"].to_numpy(), facts["df"].to_numpy()
    half = rules.error_rate / 2
    q = facts["q_value"].fillna(1.0).to_numpy()
    p_gain, p_loss = facts["p_gain"].fillna(1.0).to_numpy(), facts["p_loss"].fillna(1.0).to_numpy()
    discovered = q <= rules.false_discovery_rate
    site = pd.factorize(facts["site_id"])[0]
    # Half of the error rate of a loss goes to the slow kind, half to the sudden one.
    crossed_gain = (p_gain <= level) & discovered & ~refused
    crossed_loss = (p_loss <= levels.loss[:, 0]) & discovered & ~refused
    drop_level = half / 2 / rules.judged_seasons
    fell = (facts["p_drop"].fillna(1.0).to_numpy() <= drop_level) & ~refused
    fell &= since <= rules.judged_seasons
    # What one control carries alone is no verdict.
    fragile = facts["weakest_p"].to_numpy() > FRAGILE
    crossed_gain &= ~fragile
    crossed_loss &= ~fragile
    gain = crossed_gain | (
        _ever(crossed_gain, site) & (p_gain <= half) & discovered & ~fragile & ~refused
    )
    lost = crossed_loss | (_ever(crossed_loss, site) & (p_loss <= half) & discovered & ~refused)
    # A site that fell suddenly is lost until it has plainly come back.
    fallen = _ever(fell, site) & (p_loss <= STILL_DOWN) & ~refused
    loss = lost | ((fell | fallen) & ~gain)
    gain &= ~loss
    # Not the spent level but a mere suspicion: here a flush that is overlooked is the worse error.
    greener = facts["grass_p"].fillna(1.0).to_numpy() <= FLUSH_DOUBT
    flush = facts["grass_crossed"].to_numpy() & ~refused
    # Grass answers the first rains; trees grow. Only where growth can be told from a rise at once.
    at_once = (
        rules.doubt_at_once
        & (facts["p_step"].fillna(1.0).to_numpy() <= FLUSH_DOUBT)
        & (facts["p_ramp"].fillna(0.0).to_numpy() > rules.error_rate)
    )
    # The shortwave infrared says whether crowns or dead grass made the dry season greener.
    swir_known = facts["crowns_p"].notna().to_numpy()
    crowns_p = facts["crowns_p"].fillna(1.0).to_numpy()
    shown = _ever(crowns_p <= level, site)
    crowns = (crowns_p <= level) | (shown & (crowns_p <= half))
    # A season too cloudy to ask the shortwave infrared takes back no crowns, and proves none.
    unasked = ~swir_known & swir_known.any() if rules.woody_model else np.zeros(len(facts), bool)
    crowns |= unasked & shown
    dead_grass = facts["dead_grass_p"].fillna(1.0).to_numpy() <= FLUSH_DOUBT
    # Where crowns are shown, a flush weighs only when it is beyond chance, not on suspicion.
    flush_rose = facts["grass_p"].fillna(1.0).to_numpy() <= rules.error_rate
    greener = np.where(swir_known & crowns, flush_rose, greener)
    grassy = greener | np.where(swir_known, dead_grass, at_once)
    # A woody-cover model answers the flush, but dead grass passes it by a few points.
    unsure = gain & (dead_grass & swir_known & ~crowns if rules.woody_model else grassy)
    untold = gain & ~unsure & (swir_known | unasked) & ~crowns
    # A gain but for a drift that began before sowing: waiting does not tell the two apart.
    drifting = (facts["p_no_drift"].fillna(1.0).to_numpy() <= level) & (p_gain > level) & ~gain
    drifting &= facts["drift_p"].to_numpy() <= HINT
    expected = ramp(since.astype(float), rules.growth)
    equivalent = (
        (facts["gain_high"].to_numpy() < rules.meaningful_gain) & (expected >= 1) & ~refused
    )
    equivalent &= ~gain & ~loss
    grass = unsure | (flush & ~gain & ~loss)
    seen_from = detectable(se, df, level)
    facts["detectable_gain"] = np.where(np.isfinite(seen_from), seen_from, np.nan)
    answer = _answers(facts, levels, rules, seasons)
    verdict = np.select(
        [refused | untold, loss, gain & ~unsure, grass, equivalent, drifting],
        ["not-assessable", "loss", "gain", "grass-only", "no-gain", "not-assessable"],
        "too-early",
    )
    over = (verdict == "too-early") & (since >= rules.judged_seasons)
    verdict = np.where(over, "not-assessable", verdict)
    facts["verdict"] = verdict
    facts["answer_by"] = np.where((verdict == "too-early"), answer, "")
    fall = facts["as_of"].where(fell).groupby(site).ffill().fillna("")
    facts["break_season"] = fall.where(fell | fallen, "")
    facts["untold"] = untold
    facts["drifting"] = drifting & (verdict == "not-assessable") & ~refused & ~untold
    facts["dead_grass"] = dead_grass & swir_known
    facts["reason"] = reasons(facts, rules, unsure, crossed_gain, over, expected)


def _ever(flag: NDArray[np.bool_], site: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Whether the flag was raised at this or an earlier season of the same site."""
    out: NDArray[np.bool_] = pd.Series(flag).groupby(site).cummax().to_numpy()
    return out


def _answers(
    facts: pd.DataFrame, levels: Levels, rules: Rules, seasons: tuple[str, ...]
) -> NDArray[np.object_]:
    """First season to come in which a meaningful gain, grown as expected, would be seen."""
    since = facts["seasons_since_sowing"].to_numpy()
    se, df = facts["se"].to_numpy(), facts["df"].to_numpy()
    out = np.full(len(facts), "", dtype=object)
    steps = np.zeros(len(facts), dtype=int)
    for step in range(1, levels.ahead.shape[1]):
        then = since + step
        seen_from = detectable(se * levels.ahead[:, step], df + step, levels.gain[:, step])
        found = (seen_from <= rules.meaningful_gain * ramp(then.astype(float), rules.growth)) & (
            then <= rules.judged_seasons
        )
        steps = np.where((steps == 0) & found, step, steps)
    place = facts["as_of"].map({season: n for n, season in enumerate(seasons)}).to_numpy()
    for last, step in {(int(a), int(b)) for a, b in zip(place, steps, strict=True) if b > 0}:
        out[(place == last) & (steps == step)] = future_season(seasons[: last + 1], step)
    return out
