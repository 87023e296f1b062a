"""False gains where sown and control ground lie in different rain, with and without rain known.

    python benchmarks/rain/in_contrast.py [--panels 100]

Invented panels with known truth: nothing was gained. Sown sites lie in three rain zones, controls
in a fourth; the ground answers rain with `response` noise deviations for each deviation of
rain. Rain of the zones runs together only in part, wanders, and may shift where the
sowing began. Prints, for each setting, the share of sites ever called gain with the panel's rain
and without, the share of 95 % intervals that cover the truth, and the power for a true gain.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from afterrains.contrast import judge
from afterrains.evidence.growth import RampGrowth

GROWTH = RampGrowth(1.0, 4.0)
MEAN_MM, SPREAD_MM = 400.0, 100.0


@dataclass(frozen=True)
class Zones:
    """One kind of programme in different rain; noise of a site in a season has deviation 1."""

    name: str
    response: float = 2.0  # noise deviations for each deviation of rain
    shared: float = 0.5  # correlation of rain between zones
    lag: float = 0.5  # correlation of a zone's own rain from one year to the next
    shift: float = 0.0  # deviations by which rain of the sown zones rises with the sowing
    unequal: float = 0.3  # spread of the sites' responses, as a share
    sown: int = 12
    controls: int = 10
    before: int = 8
    after: int = 6


SETTINGS = (
    Zones("one rain, wandering apart"),
    Zones("rain rises where it was sown", shift=1.0),
    Zones("short record", shift=1.0, before=5),
    Zones("no response to rain", response=0.0, shift=1.0),
    Zones("nearly one rain", shared=0.99),
)


def draw(zones: Zones, rng: np.random.Generator, gain: float) -> tuple[pd.DataFrame, pd.DataFrame]:
    """A panel with `rain_mm`, and its sowing table."""
    seasons, sites = zones.before + zones.after, zones.sown + zones.controls
    lag = zones.lag ** np.abs(np.subtract.outer(np.arange(seasons), np.arange(seasons)))
    common = rng.normal(size=seasons)
    own = rng.normal(size=(4, seasons)) @ np.linalg.cholesky(lag).T
    rain = np.sqrt(zones.shared) * common + np.sqrt(1 - zones.shared) * own
    rain[:3, zones.before :] += zones.shift
    zone = np.where(np.arange(sites) < zones.sown, np.arange(sites) % 3, 3)
    noise_lag = 0.3 ** np.abs(np.subtract.outer(np.arange(seasons), np.arange(seasons)))
    noise = rng.normal(size=(sites, seasons)) @ np.linalg.cholesky(noise_lag).T
    response = zones.response * (1 + zones.unequal * rng.normal(size=(sites, 1)))
    value = 20 + 3 * rng.normal(size=(sites, 1)) + response * rain[zone] + noise
    grown = np.clip((np.arange(seasons) - zones.before) / 3, 0, 1)
    value[: zones.sown] += gain * grown
    return _tables(value, MEAN_MM + SPREAD_MM * rain[zone], zones)


def _tables(
    value: NDArray[np.float64], rain_mm: NDArray[np.float64], zones: Zones
) -> tuple[pd.DataFrame, pd.DataFrame]:
    sites, seasons = value.shape
    names = [f"s{i:02d}" if i < zones.sown else f"c{i:02d}" for i in range(sites)]
    years = 2000 + np.arange(seasons)
    panel = pd.DataFrame(
        {
            "site_id": np.repeat(names, seasons),
            "role": np.repeat(["sown" if n[0] == "s" else "control" for n in names], seasons),
            "season": np.tile([f"{year}-dry" for year in years], sites),
            "kind": "dry",
            "time": np.tile([f"{year + 1}-02-01" for year in years], sites),
            "value": value.ravel(),
            "rain_mm": rain_mm.ravel(),
        }
    )
    sowing = pd.DataFrame(
        {"site_id": names[: zones.sown], "sown_on": f"{years[zones.before]}-07-01"}
    )
    return panel, sowing


@dataclass(frozen=True)
class Shares:
    """Of the sown sites of all panels; `error` is the standard error of `gains` over panels."""

    gains: float
    error: float
    covered: float


def shares(zones: Zones, panels: int, seed: int, *, with_rain: bool, gain: float = 0.0) -> Shares:
    """Share of sites ever called gain, and of newest intervals that cover the truth."""
    rng = np.random.default_rng(seed)
    called, covered = [], []
    for _ in range(panels):
        panel, sowing = draw(zones, rng, gain)
        if not with_rain:
            panel = panel.drop(columns="rain_mm")
        history = judge(
            panel, sowing, 0.05, zones.after, GROWTH, meaningful_gain=3.0, woody_model=True
        )
        called.append((history["verdict"] == "gain").groupby(history["site_id"]).any().mean())
        newest = history.groupby("site_id").tail(1)
        newest = newest[newest["gain"].notna()]
        if len(newest):
            inside = (newest["gain_low"] <= gain) & (newest["gain_high"] >= gain)
            covered.append(inside.mean())
    error = float(np.std(called) / np.sqrt(panels))
    return Shares(float(np.mean(called)), error, float(np.mean(covered)))


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--panels", type=int, default=100)
    panels = parser.parse_args().panels
    print("setting | rain | false gain | coverage | power, full gain of 6 noise deviations")
    for zones in SETTINGS:
        for with_rain in (False, True):
            none = shares(zones, panels, 1, with_rain=with_rain)
            some = shares(zones, max(panels // 4, 1), 2, with_rain=with_rain, gain=6.0)
            print(
                f"{zones.name} | {'known' if with_rain else 'unknown'} | {none.gains:.3f} "
                f"± {none.error:.3f} | {none.covered:.3f} | {some.gains:.2f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
