"""What learning the course of gains from the other sites brings, and risks: a paired trial.

    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python benchmarks/evidence/learned_course.py

The same simulated programmes are judged with every contrast the blend that holds beforehand, and
with the rule in use (`growth_shown`). Printed for both: sites ever called `gain`, apart for those
that gain and those that do not, that share over the oracle's, and the coverage of the 95 %
intervals. In some cases the sites do not gain alike. About half a minute a case for 40 panels.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from measure import judged, telling_sizes
from oracle import oracle_calls, oracle_z
from settings import PLAIN
from simulate import Floats, Setting, curve, simulate

from afterrains.evidence import ground
from afterrains.evidence.growth import STEP_SHARE

_SEED = 7001
_HALF = np.arange(PLAIN.sown) < PLAIN.sown // 2
_SETTINGS = (
    PLAIN,
    PLAIN.but(name="5 controls", controls=5),
    PLAIN.but(name="4 seasons before, 5 controls", before=4, controls=5),
    PLAIN.but(name="serial correlation 0", correlation=0.0),
    PLAIN.but(name="serial correlation 0.7", correlation=0.7),
    PLAIN.but(name="precision not told", measured=True, weighted=False),
)
_IN_USE = ground.step_shares
_RULES: dict[str, Callable[..., Floats]] = {
    "blend": lambda model, series, noise: np.full(series.gap.shape[0], STEP_SHARE),
    "in use": _IN_USE,
}
Case = tuple[str, Setting, Floats, Floats]
"""Name, setting, each site's full gain, and whether each grows by a step (the rest slowly)."""


def cases() -> list[Case]:
    """Sites that gain alike, that do not gain, and that gain unlike one another."""
    every, none = np.ones(PLAIN.sown), np.zeros(PLAIN.sown)
    out: list[Case] = []
    for setting in _SETTINGS:
        out.append((f"{setting.name}, no gain", setting, none, none))
        for shape, stepped in (("step", every), ("slow", none)):
            size = telling_sizes(setting, shape, (0.8,))[0]
            out.append((f"{setting.name}, {shape}", setting, size * every, stepped))
    step, slow = (telling_sizes(PLAIN, shape, (0.8,))[0] for shape in ("step", "slow"))
    out.append(("half gain, step", PLAIN, step * _HALF, every))
    out.append(("half gain, slow", PLAIN, slow * _HALF, none))
    both = np.where(_HALF, step, slow)
    out.append(("half by a step, half slowly", PLAIN, both, _HALF.astype(float)))
    return out


def trial(case: Case, panels: int) -> str:
    """Judge the panels of one case under each rule; a line of what was found."""
    name, setting, gain, stepped = case
    rng = np.random.default_rng(_SEED)
    called: dict[str, list[Any]] = {rule: [] for rule in _RULES}
    covered: dict[str, list[Any]] = {rule: [] for rule in _RULES}
    oracle = []
    seasons = np.arange(setting.before + setting.after)
    since = np.maximum(seasons - setting.before + 1.0, 0.0)
    shape = np.where(stepped[:, None] > 0, curve("step", since), curve("slow", since))
    rise = gain[:, None] * shape
    alike = bool((gain > 0).all()) and np.ptp(stepped) == 0
    for _ in range(panels):
        simulated = simulate(setting, rng, np.zeros(setting.sown), "step")
        simulated.values[: setting.sown] += rise
        if alike:
            kind = "step" if stepped[0] else "slow"
            oracle.append(oracle_calls(simulated, *oracle_z(simulated, kind), 0.05).mean())
        for rule, shares in _RULES.items():
            ground.step_shares = shares
            history = judged(simulated)
            truth = rise[:, setting.before :].ravel()
            known = history["gain"].notna().to_numpy()
            inside = (history["gain_low"] <= truth) & (truth <= history["gain_high"])
            covered[rule].append(inside[known].mean())
            called[rule].append((history["verdict"] == "gain").groupby(history["site_id"]).any())
    ground.step_shares = _IN_USE
    told = []
    for rule in _RULES:
        ever = np.array([each.to_numpy() for each in called[rule]])
        parts = [f"{rule}: cover {100 * np.mean(covered[rule]):.1f} %"]
        if (gain > 0).any():
            power = ever[:, gain > 0].mean()
            over = f" ({power / np.mean(oracle):.2f})" if oracle else ""
            parts.append(f"gains seen {100 * power:.1f} %{over}")
        if (gain == 0).any():
            parts.append(f"false {100 * ever[:, gain == 0].mean():.1f} %")
        told.append(", ".join(parts))
    return f"{name}, {panels * setting.sown} sites | " + " | ".join(told)


def main() -> None:
    """Run every case."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--panels", type=int, default=40)
    panels = parser.parse_args().panels
    for case in cases():
        print(trial(case, panels), flush=True)


if __name__ == "__main__":
    main()
