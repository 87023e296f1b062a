"""Panels with known truth: what a programme's record might look like, and the gain hidden in it.

Units: the noise of a typical control in one season has standard deviation 1. A panel has sown
sites and controls with levels far apart, common good and bad seasons, and whatever else the
setting adds. `covariance` gives the oracle the true covariance of one site.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Setting:
    """One kind of programme; the defaults are the plain case."""

    name: str
    sown: int = 12
    controls: int = 10
    before: int = 8
    after: int = 8
    correlation: float = 0.3
    season_sd: float = 3.0  # common good and bad seasons
    sensitivity_sd: float = 0.0  # spread of the sites' response to them
    drift_sd: float = 0.0  # of the sites' straight drifts, per season
    measured: bool = False  # half of the noise variance varies with clear dates and area
    sown_noise: float = 1.0  # standard deviation of sown sites' noise, relative to controls
    tails: float = 0.0  # degrees of freedom of t noise; 0 is normal
    missing: float = 0.0
    staggered: bool = False
    bad_control: str = ""  # "cleared" or "sown": one control in ten (at least one)
    bad_size: float = 6.0
    chosen: str = ""  # "low level" or "newest low"
    local: str = (
        ""  # "mixed": sites share local shocks; "controls": controls share one of their own
    )
    local_share: float = 0.3
    apart: float = 0.0  # drift of sown against control ground, per season
    weighted: bool = field(default=True)  # precision columns are handed to the judge

    def but(self, **changes: object) -> Setting:
        """The same setting with changes."""
        return replace(self, **changes)


@dataclass(frozen=True)
class Simulated:
    """One panel: arrays (sites, seasons), sown sites first."""

    values: Floats
    variance: Floats
    first: NDArray[np.intp]  # column of the first season after sowing, one a sown site
    season: Floats
    covariance: Floats  # (sites, seasons, seasons)
    x: Floats
    setting: Setting


GROWTHS = {"none": None, "step": "step", "slow": "slow"}


def curve(shape: str, since: Floats) -> Floats:
    """True growth of a gain: a step, or lag one season and full after four."""
    if shape == "step":
        return (since > 0).astype(float)
    return np.clip((since - 1) / 3, 0, 1)


def simulate(setting: Setting, rng: np.random.Generator, gain: Floats, shape: str) -> Simulated:
    """Draw one panel; `gain` (sown,) is each site's full gain."""
    s, n, seasons = setting.sown, setting.sown + setting.controls, setting.before + setting.after
    first = np.full(s, setting.before)
    if setting.staggered:
        first = rng.integers(setting.before - 2, setting.before + 3, size=s)
    lag = np.abs(np.subtract.outer(np.arange(seasons), np.arange(seasons)))
    autocorrelated = setting.correlation**lag if setting.correlation else np.eye(seasons)
    variance = np.ones((n, seasons))
    if setting.measured:
        clear = rng.integers(1, 9, size=(n, seasons))
        area = rng.choice([4.0, 10.0, 25.0], size=(n, 1))
        variance = 4.0 / clear * np.sqrt(10.0 / area)
    scale = np.ones(n)
    scale[:s] = setting.sown_noise
    season = setting.season_sd * rng.normal(size=seasons)
    time = np.arange(seasons) - (seasons - 1) / 2
    white = 0.5 if setting.measured else 0.0
    covariance = scale[:, None, None] ** 2 * (
        (1 - white) * autocorrelated
        + white * variance[:, :, None] * np.eye(seasons)
        + setting.drift_sd**2 * np.outer(time, time)
    )
    covariance = covariance + setting.sensitivity_sd**2 * np.outer(season, season)
    factor = np.linalg.cholesky(covariance)
    draw = rng.normal(size=(n, seasons))
    if setting.tails:
        draw = rng.standard_t(setting.tails, size=(n, seasons)) / np.sqrt(
            setting.tails / (setting.tails - 2)
        )
    noise = np.einsum("ntu,nu->nt", factor, draw)
    x = rng.uniform(0, 1000, size=n)
    if setting.local:
        place = np.floor(x / 250).astype(int)
        if setting.local == "controls":
            place = np.where(np.arange(n) < s, np.arange(n) + 1, 0)
            x = np.where(place == 0, 0.0, 500.0 * place)
        shocks = rng.normal(size=(n + 1, seasons)) @ np.linalg.cholesky(autocorrelated).T
        share = setting.local_share
        keep = np.sqrt(1 - share)
        noise = keep * noise + np.sqrt(share) * shocks[place]
    level = 10 * rng.normal(size=n)
    values = level[:, None] + season + noise
    values[:s] += setting.apart * np.arange(seasons)
    if setting.chosen:
        values, noise = _choose(setting, values, rng, season, factor[0], level)
    for bad in range(max(1, round(setting.controls / 10)) if setting.bad_control else 0):
        since = int(rng.integers(setting.before - 1, setting.before + 3))
        sign = -1.0 if setting.bad_control == "cleared" else 1.0
        grown = np.ones(seasons - since)
        if setting.bad_control == "sown":
            grown = curve("slow", np.arange(1.0, seasons - since + 1))
        values[s + bad, since:] += sign * setting.bad_size * grown
    since_sowing = np.arange(seasons)[None, :] - first[:, None] + 1.0
    values[:s] += gain[:, None] * curve(shape, np.maximum(since_sowing, 0))
    if setting.missing:
        values[rng.random(values.shape) < setting.missing] = np.nan
    return Simulated(values, variance, first, season, covariance, x, setting)


def _choose(
    setting: Setting,
    values: Floats,
    rng: np.random.Generator,
    season: Floats,
    factor: Floats,
    level: Floats,
) -> tuple[Floats, Floats]:
    """Sown sites are the lowest fifth of five times as many candidates."""
    s, seasons = setting.sown, values.shape[1]
    spread = 10.0 if setting.chosen == "low level" else 1.0
    candidates = (
        spread * rng.normal(size=(5 * s, 1))
        + season
        + (rng.normal(size=(5 * s, seasons)) @ factor.T)
    )
    seen = (
        slice(0, setting.before)
        if setting.chosen == "low level"
        else (slice(setting.before - 1, setting.before))
    )
    lowest = np.argsort(candidates[:, seen].mean(axis=1))[:s]
    values[:s] = candidates[lowest]
    if setting.chosen == "newest low":
        values[s:] += (spread - 10) / 10 * level[s:, None]
    return values, candidates


def tables(simulated: Simulated) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The panel and sowing tables that the judge takes."""
    setting = simulated.setting
    n, seasons = simulated.values.shape
    names = np.array(
        [f"s{i:05d}" for i in range(setting.sown)] + [f"c{i:05d}" for i in range(setting.controls)]
    )
    years = 2000 + np.arange(seasons)
    time = np.array([f"{year + 1}-02-01" for year in years], dtype="datetime64[D]")
    panel = pd.DataFrame(
        {
            "site_id": np.repeat(names, seasons),
            "role": np.repeat(np.where(np.arange(n) < setting.sown, "sown", "control"), seasons),
            "season": np.tile([f"{year}-dry" for year in years], n),
            "kind": "dry",
            "time": np.tile(time, n),
            "value": simulated.values.ravel(),
        }
    )
    if setting.measured and setting.weighted:
        panel["weight"] = (1 / simulated.variance).ravel()
    if setting.local:
        panel["x"], panel["y"] = np.repeat(simulated.x, seasons), 0.0
    sowing = pd.DataFrame(
        {
            "site_id": names[: setting.sown],
            "sown_on": np.array([f"{2000 + f}-07-01" for f in simulated.first], "datetime64[D]"),
        }
    )
    return panel, sowing
