"""Measures of one setting: false calls, coverage, bias, power against the oracle."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from oracle import oracle_calls, oracle_z
from scipy import stats
from settings import PLAIN
from simulate import Setting, Simulated, curve, simulate, tables

from afterrains.contrast import judge
from afterrains.evidence.growth import RampGrowth
from afterrains.evidence.rules import Rules
from afterrains.evidence.specification import specification

GROWTH = RampGrowth(1.0, 4.0)
ERROR_RATE = 0.05
MEANINGFUL = 3.0
FALSE_DISCOVERY_RATE = 0.10


@dataclass(frozen=True)
class Counts:
    """Sums over the sites of the panels of one kind."""

    sites: int
    gains: int
    losses: int
    refused: int
    crossed: int
    last_gains: int
    covered: int
    intervals: int
    bias: float
    oracle: int
    oracle_sites: int
    by_panel: tuple[float, ...]
    """Share of each panel's sites ever called a gain."""
    oracle_by_panel: tuple[float, ...]
    coverage_by_panel: tuple[float, ...]
    """Share of each panel's intervals that hold the truth; panels without an interval left out."""

    def coverage_error(self) -> float:
        """Monte-Carlo standard error of the coverage."""
        return float(np.std(self.coverage_by_panel) / np.sqrt(max(len(self.coverage_by_panel), 1)))

    def relative(self) -> tuple[float, float]:
        """Power over the oracle's on the same panels, and its error, by leaving out each panel."""
        mine = np.array(self.by_panel[: len(self.oracle_by_panel)])
        theirs = np.array(self.oracle_by_panel)
        without = (mine.sum() - mine) / (theirs.sum() - theirs)
        spread = (len(mine) - 1) * float(np.var(without))
        return float(mine.sum() / theirs.sum()), float(np.sqrt(spread))


def rule_now() -> str:
    """Digest of the judging rule, so that figures of an earlier one can be told."""
    rules = Rules(ERROR_RATE, PLAIN.after, GROWTH, MEANINGFUL, FALSE_DISCOVERY_RATE, True)
    return str(specification(rules, 0.0)["digest"])


def judged(simulated: Simulated, growth: RampGrowth = GROWTH) -> pd.DataFrame:
    """The judge's history of a panel, with its last season the last judged one."""
    panel, sowing = tables(simulated)
    return judge(
        panel,
        sowing,
        ERROR_RATE,
        simulated.setting.after,
        growth,
        meaningful_gain=MEANINGFUL,
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
    counts = dict.fromkeys(Counts.__annotations__, 0)
    bias, shares, oracle_shares, held = 0.0, [], [], []
    for number in range(panels):
        simulated = simulate(setting, rng, np.full(setting.sown, size), shape)
        history = judged(simulated, growth)
        truth = size * curve(shape, history["seasons_since_sowing"].to_numpy(float))
        site = history["site_id"]
        ever = (history["verdict"] == "gain").groupby(site).any()
        newest = history.groupby("site_id").tail(1)
        known = history["gain"].notna().to_numpy()
        low, high = history["gain_low"].to_numpy(), history["gain_high"].to_numpy()
        counts["sites"] += len(ever)
        counts["gains"] += int(ever.sum())
        counts["losses"] += int((history["verdict"] == "loss").groupby(site).any().sum())
        # What one look at 5 % every season would have called.
        often = (history["p_value"] <= ERROR_RATE) & (history["gain"] > 0)
        counts["crossed"] += int(often.groupby(site).any().sum())
        refused = (newest["verdict"] == "not-assessable") & newest["gain"].isna()
        counts["refused"] += int(refused.sum())
        counts["last_gains"] += int((newest["verdict"] == "gain").sum())
        inside = ((low <= truth) & (truth <= high))[known]
        counts["covered"] += int(inside.sum())
        held += [float(inside.mean())] if known.any() else []
        counts["intervals"] += int(known.sum())
        # Relative to the width of the interval, about four standard errors.
        bias += float((4 * (history["gain"].to_numpy() - truth) / (high - low))[known].sum())
        shares.append(float(ever.mean()))
        if number < oracle_panels:
            z, se = oracle_z(simulated, shape)
            calls = oracle_calls(simulated, z, se, ERROR_RATE)
            counts["oracle"] += int(calls.sum())
            counts["oracle_sites"] += setting.sown
            oracle_shares.append(float(calls.mean()))
    panels_found = {
        "by_panel": tuple(shares),
        "oracle_by_panel": tuple(oracle_shares),
        "coverage_by_panel": tuple(held),
    }
    return Counts(**(counts | {"bias": bias} | panels_found))


def mixed_discoveries(setting: Setting, panels: int) -> dict[str, float]:
    """False discoveries where half of the sown sites gain: among the sites with q at most 0.1.

    The mean over panels and seasons of the share of false ones among those found, 0 where none is.
    """
    rng = np.random.default_rng(4)
    size = telling_sizes(setting, "step", (0.95,))[0]
    shares, false_gains, sites = [], 0, 0
    for _ in range(panels):
        gain = np.where(np.arange(setting.sown) < setting.sown // 2, size, 0.0)
        history = judged(simulate(setting, rng, gain, "step"))
        real = history["site_id"].str[1:].astype(int) < setting.sown // 2
        found = history["q_value"] <= 0.1
        for _, rows in history[found].groupby("as_of"):
            shares.append(float((~real[rows.index]).mean()))
        shares += [0.0] * (setting.after - history.loc[found, "as_of"].nunique())
        wrong = (history["verdict"] == "gain") & ~real
        false_gains += int(wrong.groupby(history["site_id"]).any().sum())
        sites += setting.sown - setting.sown // 2
    return {
        "false_discovery_rate": float(np.mean(shares)),
        "error": float(np.std(shares) / np.sqrt(panels)),
        "false_gain_among_gains": false_gains / sites,
        "sites": sites,
    }


def telling_sizes(setting: Setting, shape: str, powers: tuple[float, ...]) -> list[float]:
    """Gains that the oracle sees in the last season with about these powers."""
    rng = np.random.default_rng(99)
    errors = [
        np.nanmedian(
            oracle_z(simulate(setting, rng, np.zeros(setting.sown), shape), shape)[1][:, -1]
        )
        for _ in range(3)
    ]
    # About what the last of eight looks is tested at.
    level = stats.norm.isf(0.02)
    return [float(np.median(errors) * (level + stats.norm.ppf(power))) for power in powers]
