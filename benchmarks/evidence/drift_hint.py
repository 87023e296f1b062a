"""What holding a common drift against gains stops, and what it costs: a paired trial of rules.

    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python benchmarks/evidence/drift_hint.py [--panels 40]

The same simulated programmes are judged with no allowance for a drift, with one held against every
record, and with one held only where all sown sites together hint at it (`common_drift.HINT`, the
rule in use). Printed for each: sites ever called `gain` and, where sites gain, that share over the
oracle's. A minute a setting.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from measure import judged
from oracle import oracle_calls, oracle_z
from settings import PLAIN
from simulate import Setting, simulate

from afterrains.evidence import common_drift

_SEED = 77
_RULES = {"no allowance": 0.0, "in use": common_drift.HINT, "every record": 1.0}
"""Two-sided level of a hint: none ever, that in use, and always."""
_CASES: tuple[tuple[Setting, str, float], ...] = (
    (PLAIN.but(name="trends apart (0.2 a season)", apart=0.2), "step", 0.0),
    (PLAIN.but(name="trends apart, 4 seasons before", apart=0.2, before=4), "step", 0.0),
    (PLAIN, "step", 1.9),
    (PLAIN, "slow", 2.1),
    (PLAIN.but(name="5 controls", controls=5), "slow", 2.2),
    (PLAIN.but(name="4 seasons before", before=4), "slow", 2.4),
)


def main() -> None:
    """Judge each case under each rule."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--panels", type=int, default=40)
    panels = parser.parse_args().panels
    for setting, shape, size in _CASES:
        rng = np.random.default_rng(_SEED)
        called: dict[str, int] = dict.fromkeys(_RULES, 0)
        oracle = 0
        for _ in range(panels):
            simulated = simulate(setting, rng, np.full(setting.sown, size), shape)
            if size > 0:
                z, se = oracle_z(simulated, shape)
                oracle += int(oracle_calls(simulated, z, se, 0.05).sum())
            for rule, level in _RULES.items():
                common_drift.HINT = level
                called[rule] += _ever_gain(judged(simulated))
        sites = panels * setting.sown
        told = [f"{rule} {100 * count / sites:.1f} %" for rule, count in called.items()]
        if oracle:
            told = [
                f"{each} ({count / oracle:.2f})"
                for each, count in zip(told, called.values(), strict=True)
            ]
        print(f"{setting.name}, {shape} {size:g}, {sites} sites: " + ", ".join(told), flush=True)


def _ever_gain(history: Any) -> int:
    return int((history["verdict"] == "gain").groupby(history["site_id"]).any().sum())


if __name__ == "__main__":
    main()
