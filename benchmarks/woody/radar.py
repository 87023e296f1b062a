"""What radar adds to a woody-cover model, on simulated ground with known cover.

    python benchmarks/woody/radar.py [--seeds 1] [--size small] [--folder FOLDER]

As in `run.py` the ground is cut into eight quarters, and each is predicted by a model fitted to the
plots of the other seven, once without and once with radar: VH and VH/VV of the one track that comes
every dry season. Both have the same plots, circles and sites, those that have radar. What radar
looks like is made up (`afterrains/sample/backscatter.py`); the table says how the tool uses it, not
what it is worth on real ground. One process, one thread.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import warnings
from dataclasses import replace
from pathlib import Path

for _pool in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ.setdefault(_pool, "1")

import pandas as pd  # noqa: E402
from choose import change  # noqa: E402
from run import judge, rmse  # noqa: E402
from samples import Samples, samples_of  # noqa: E402

from afterrains.woody import DEFAULT_FEATURES, FeatureStack, fit  # noqa: E402
from afterrains.woody.features import radar_features  # noqa: E402
from afterrains.woody.radar import try_radar  # noqa: E402

TRACK = "descending-154"
WITHOUT = list(DEFAULT_FEATURES)
WITH = [*WITHOUT, *radar_features([TRACK])]
SETS = {"without radar": WITHOUT, "with VH": WITH[:-1], "with VH and VH/VV": WITH}


def main() -> None:
    """Run the seeds and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1])
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--size", choices=["full", "small"], default="full")
    asked = parser.parse_args()
    found: dict[str, list[tuple[pd.DataFrame, pd.DataFrame]]] = {name: [] for name in SETS}
    with tempfile.TemporaryDirectory() as temporary:
        for seed in asked.seeds:
            here = samples_of(seed, asked.folder or Path(temporary), WITH, asked.size)
            for name, features in SETS.items():
                sites, circles = judge(only(here, features), features)
                found[name].append((sites.assign(seed=seed), circles.assign(seed=seed)))
            base = fit(here.plots, here.features, names=WITHOUT)
            print(f"seed {seed}: {try_radar(base, here.plots, here.features, [TRACK]).radar}")
    table = {
        name: tell(pd.concat([s for s, _ in parts]), pd.concat([c for _, c in parts]))
        for name, parts in found.items()
    }
    print(pd.DataFrame(table).round(2).to_string())


def only(here: Samples, names: list[str]) -> Samples:
    """The samples with these features of their sites alone."""
    return replace(
        here,
        sites=tuple(
            replace(
                each,
                stack=FeatureStack(
                    tuple(names), each.stack.values[[each.stack.names.index(n) for n in names]]
                ),
            )
            for each in here.sites
        ),
    )


def tell(sites: pd.DataFrame, circles: pd.DataFrame) -> dict[str, float]:
    """Errors of one set of features, percentage points."""
    off = circles["ours"] - circles["cover"]
    low = circles["cover"] < 10
    sites = sites.dropna(subset=["woody_percent"])
    wrong = sites["woody_percent"] - sites["true"]
    held = (sites["woody_low"] <= sites["true"]) & (sites["true"] <= sites["woody_high"])
    columns = ["site_id", "season", "true", "kind"]
    changes = pd.concat(
        change(part[columns].assign(found=part["woody_percent"]))
        for _, part in sites.groupby("seed")
    )
    grass = changes[changes["kind"] == "grass-only"]
    beyond = grass["found"] - grass["true"]
    return {
        "circles": len(circles),
        "RMSE": rmse(off),
        "RMSE below 10 %": rmse(off[low]),
        "bias below 10 %": off[low].mean(),
        "site means, RMSE": rmse(wrong),
        "site means, bias": wrong.mean(),
        "intervals of 95 % hold, %": 100 * held.mean(),
        "their width": (sites["woody_high"] - sites["woody_low"]).mean(),
        "site change, RMSE": rmse(changes["found"] - changes["true"]),
        "controls' SD": changes.loc[changes["kind"] == "control", "found"].std(),
        "rested ground, mean over truth": beyond.mean(),
        "rested ground, worst": beyond.max(),
    }


if __name__ == "__main__":
    warnings.simplefilter("ignore", FutureWarning)
    main()
