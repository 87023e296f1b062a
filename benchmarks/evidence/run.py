"""Measure the judge on panels with known truth and write docs/evidence.md and its figure.

    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python benchmarks/evidence/run.py

Results of each setting are kept in benchmarks/evidence/results.json and made again only with
`--fresh`, when the judging rule has changed since, or when more panels are asked for; `--panels N`
sets the number of panels without a gain (12 sown sites each), `--workers N` the processes.
`--seed N` draws other panels without a gain, prints what they show and keeps nothing: the rule was
set with an eye on the panels of the table.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
import time
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

import report  # noqa: E402
from measure import mixed_discoveries, rule_now, run, telling_sizes  # noqa: E402
from rivals import RIVALS  # noqa: E402
from settings import PLAIN, SETTINGS, UNANSWERABLE  # noqa: E402
from simulate import Setting, simulate  # noqa: E402

OTHERS = ("placebo", "second_look")  # kept by the scripts of these names
POWERS = (0.5, 0.8, 0.95)
Found = dict[str, object]


def without_gain(setting: Setting, panels: int, seed: int = 1) -> Found:
    """Figures of one setting in which nothing gains, with the rivals' false calls."""
    null = run(setting, "step", 0.0, panels, seed)
    return {
        "name": setting.name,
        "sites": null.sites,
        "panels": panels,
        "rule": rule_now(),
        "false_gain": null.gains / null.sites,
        "false_gain_error": float(np.std(null.by_panel) / np.sqrt(panels)),
        "false_gain_last": null.last_gains / null.sites,
        "false_loss": null.losses / null.sites,
        "refused": null.refused / null.sites,
        "coverage": null.covered / null.intervals if null.intervals else None,
        "coverage_error": null.coverage_error() if null.intervals else None,
        "bias": null.bias / max(null.intervals, 1),
        "raw": null.crossed / null.sites,
        "rivals": rival_calls(setting, max(panels // 8, 4)),
    }


def with_gain(setting: Setting, panels: int) -> Found:
    """Figures of one setting in which every sown site gains, by the curve of the gain."""
    out: Found = {"panels": panels, "rule": rule_now()}
    # Most panels at the gain that the oracle sees with 80 % power.
    few = [max(panels // part, 4) for part in (20, 3, 20)]
    for shape in ("step", "slow"):
        sizes = telling_sizes(setting, shape, POWERS)
        found = [
            run(setting, shape, size, count, 2, count)
            for size, count in zip(sizes, few, strict=True)
        ]
        out[shape] = {
            "sizes": sizes,
            "power": [each.gains / each.sites for each in found],
            "oracle": [each.oracle / each.oracle_sites for each in found],
            "coverage": [each.covered / max(each.intervals, 1) for each in found],
            "coverage_error": found[1].coverage_error(),
            "bias": [each.bias / max(each.intervals, 1) for each in found],
            "refused": [each.refused / each.sites for each in found],
            "relative": found[1].relative(),
            "sites": found[1].sites,
        }
    return out


def rival_calls(setting: Setting, panels: int) -> dict[str, float]:
    """False calls of the rivals in one look at the end."""
    rng = np.random.default_rng(3)
    calls = {name: 0 for name in RIVALS}
    for _ in range(panels):
        simulated = simulate(setting, rng, np.zeros(setting.sown), "step")
        for name, rival in RIVALS.items():
            calls[name] += int(rival(simulated).sum())
    return {name: count / (panels * setting.sown) for name, count in calls.items()}


def discoveries(setting: Setting, panels: int) -> Found:
    """False discoveries where half of the sites gain."""
    return mixed_discoveries(setting, max(panels // 4, 4)) | {"panels": panels, "rule": rule_now()}


MEASURES = {"null": without_gain, "gain": with_gain, "discoveries": discoveries}


def measured(task: tuple[str, Setting, int]) -> tuple[str, str, Found, float]:
    """One task done: its kind, its setting, what was found and the seconds it took."""
    kind, setting, panels = task
    start = time.monotonic()
    found = MEASURES[kind](setting, panels)
    return kind, setting.name, found, time.monotonic() - start


def main() -> None:
    """Measure what is not measured yet, then write the report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--panels", type=int, default=170)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--fresh", action="store_true")
    parser.add_argument("--report-only", action="store_true")
    parser.add_argument("--seed", type=int)
    options = parser.parse_args()
    if options.seed is not None:
        with multiprocessing.get_context("spawn").Pool(options.workers) as pool:
            drawn = [(setting, options.panels, options.seed) for setting in SETTINGS]
            for found in pool.starmap(without_gain, drawn, chunksize=1):
                print(
                    f"{found['name']}: false gain {found['false_gain']:.4f}, "
                    f"coverage {found['coverage']:.4f} +- {found['coverage_error']:.4f}",
                    flush=True,
                )
        return
    store = HERE / "results.json"
    results = json.loads(store.read_text()) if store.exists() else {}
    if options.fresh:
        results = {key: found for key, found in results.items() if key in OTHERS}
    tasks = [("null", each) for each in (*UNANSWERABLE, *SETTINGS)] + [("discoveries", PLAIN)]
    tasks += [("gain", each) for each in SETTINGS]
    # What was measured on fewer panels than now asked for, or by another rule, is done again.
    due = []
    for kind, setting in [] if options.report_only else tasks:
        known = results.get(kind, {}).get(setting.name, {})
        if known.get("panels", 0) < options.panels or known.get("rule") != rule_now():
            due.append((kind, setting, options.panels))
    with multiprocessing.get_context("spawn").Pool(options.workers) as pool:
        for kind, name, found, seconds in pool.imap_unordered(measured, due):
            results.setdefault(kind, {})[name] = found
            store.write_text(json.dumps(results, indent=1))
            print(kind, name, found.get("false_gain", ""), f"{seconds:.0f} s", flush=True)
    names, refused = [s.name for s in SETTINGS], [s.name for s in UNANSWERABLE]
    report.write(results, names, refused, rule_now())


if __name__ == "__main__":
    main()
