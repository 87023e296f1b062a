"""Measures of one setting: false calls, coverage, bias, power against the oracle."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from oracle import oracle_calls, oracle_z
from scipy import stats
from simulate import Setting, Simulated, curve, simulate, tables

from afterrains.contrast import judge
from afterrains.evidence.growth import RampGrowth

GROWTH = RampGrowth(1.0, 4.0)
ERROR_RATE = 0.05


@dataclass(frozen=True)
class Counts:
    """Sums over the sites of the panels of one kind."""

    sites: int
    gains: int
    losses: int
    refused: int
    last_gains: int
    covered: float
    intervals: int
    bias: float
    oracle: int
    oracle_sites: int
    by_panel: tuple[float, ...]


def judged(simulated: Simulated, growth: RampGrowth = GROWTH) -> pd.DataFrame:
    """The judge's history of a panel, with its last season the last judged one."""
    panel, sowing = tables(simulated)
    return judge(
        panel,
        sowing,
        ERROR_RATE,
        simulated.setting.after,
        growth,
        meaningful_gain=3.0,
        woody_model=True,
    )


def run(
    setting: Setting,
    shape: str,
    size: float,
    panels: int,
    seed: int,
    oracle_panels: int = 0,
    growth: RampGrowth = GROWTH,
) -> Counts:
    """Judge `panels` panels in which every sown site gains `size`."""
    rng = np.random.default_rng(seed)
    total = dict.fromkeys(("sites", "gains", "losses", "refused", "last", "covered", "n"), 0.0)
    bias, oracle, oracle_sites, shares = 0.0, 0, 0, []
    for number in range(panels):
        simulated = simulate(setting, rng, np.full(setting.sown, size), shape)
        history = judged(simulated, growth)
        truth = size * curve(shape, history["seasons_since_sowing"].to_numpy(float))
        called = history["verdict"] == "gain"
        ever = called.groupby(history["site_id"]).any()
        newest = history.groupby("site_id").tail(1)
        known = history["gain"].notna().to_numpy()
        low, high = history["gain_low"].to_numpy(), history["gain_high"].to_numpy()
        total["sites"] += len(ever)
        total["gains"] += ever.sum()
        total["losses"] += (history["verdict"] == "loss").groupby(history["site_id"]).any().sum()
        total["refused"] += ((newest["verdict"] == "not-assessable") & newest["gain"].isna()).sum()
        total["last"] += (newest["verdict"] == "gain").sum()
        total["covered"] += ((low <= truth) & (truth <= high))[known].sum()
        total["n"] += known.sum()
        # Relative to the width of the interval, about four standard errors.
        bias += (4 * (history["gain"].to_numpy() - truth) / (high - low))[known].sum()
        shares.append(float(ever.mean()))
        if number < oracle_panels:
            z, se = oracle_z(simulated, shape)
            oracle += int(oracle_calls(z, se, ERROR_RATE).sum())
            oracle_sites += setting.sown
    return Counts(
        int(total["sites"]),
        int(total["gains"]),
        int(total["losses"]),
        int(total["refused"]),
        int(total["last"]),
        total["covered"],
        int(total["n"]),
        bias,
        oracle,
        oracle_sites,
        tuple(shares),
    )


def telling_size(setting: Setting, shape: str, power: float = 0.8) -> float:
    """Gain that the oracle sees in the last season with about this power."""
    rng = np.random.default_rng(99)
    errors = [
        np.nanmedian(
            oracle_z(simulate(setting, rng, np.zeros(setting.sown), shape), shape)[1][:, -1]
        )
        for _ in range(3)
    ]
    # About what the last of eight looks is tested at.
    return float(np.median(errors) * (stats.norm.isf(0.02) + stats.norm.ppf(power)))
