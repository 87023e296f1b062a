"""Measure the judge on panels with known truth and write docs/evidence.md and its figure.

    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python benchmarks/evidence/run.py

Results of each setting are kept in benchmarks/evidence/results.json and made again only with
`--fresh`, when the judging rule has changed since, or when more panels are asked for; `--panels N`
sets the number of panels without a gain (12 sown sites each).
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

import report  # noqa: E402
from measure import mixed_discoveries, rule_now, run, telling_size  # noqa: E402
from rivals import RIVALS  # noqa: E402
from settings import PLAIN, SETTINGS, UNANSWERABLE  # noqa: E402
from simulate import Setting, simulate  # noqa: E402

OTHERS = ("placebo", "second_look")  # kept by the scripts of these names
POWERS = (0.5, 0.8, 0.95)


def measure(setting: Setting, panels: int, *, with_gain: bool) -> dict[str, object]:
    """All figures of one setting."""
    start = time.monotonic()
    null = run(setting, "step", 0.0, panels, seed=1)
    out: dict[str, object] = {
        "name": setting.name,
        "sites": null.sites,
        "panels": panels,
        "rule": rule_now(),
        "false_gain": null.gains / null.sites,
        "false_gain_error": float(np.std(null.by_panel) / np.sqrt(panels)),
        "false_gain_last": null.last_gains / null.sites,
        "false_loss": null.losses / null.sites,
        "refused": null.refused / null.sites,
        "coverage": null.covered / max(null.intervals, 1),
        "bias": null.bias / max(null.intervals, 1),
        "raw": null.crossed / null.sites,
    }
    if with_gain:
        # Most panels at the gain that the oracle sees with 80 % power.
        few = [max(panels // part, 4) for part in (20, 7, 20)]
        for shape in ("step", "slow"):
            sizes = [telling_size(setting, shape, power) for power in POWERS]
            found = [
                run(setting, shape, size, count, 2, count)
                for size, count in zip(sizes, few, strict=True)
            ]
            out[shape] = {
                "sizes": sizes,
                "power": [each.gains / each.sites for each in found],
                "oracle": [each.oracle / each.oracle_sites for each in found],
                "coverage": [each.covered / max(each.intervals, 1) for each in found],
                "bias": [each.bias / max(each.intervals, 1) for each in found],
                "refused": [each.refused / each.sites for each in found],
                "sites": found[1].sites,
            }
    out["seconds"] = round(time.monotonic() - start)
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


def main() -> None:
    """Measure what is not measured yet, then write the report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--panels", type=int, default=170)
    parser.add_argument("--fresh", action="store_true")
    parser.add_argument("--report-only", action="store_true")
    options = parser.parse_args()
    store = HERE / "results.json"
    results = json.loads(store.read_text()) if store.exists() else {}
    if options.fresh:
        results = {key: found for key, found in results.items() if key in OTHERS}
    for setting in () if options.report_only else SETTINGS + UNANSWERABLE:
        # What was measured on fewer panels than now asked for, or by another rule, is done again.
        known = results.get(setting.name, {})
        if known.get("panels", 0) < options.panels or known.get("rule") != rule_now():
            found = measure(setting, options.panels, with_gain=setting in SETTINGS)
            found["rivals"] = rival_calls(setting, max(options.panels // 8, 4))
            results[setting.name] = found
            store.write_text(json.dumps(results, indent=1))
            print(setting.name, found["false_gain"], found["seconds"], flush=True)
    stale = results.get("discoveries", {}).get("rule") != rule_now()
    if stale and not options.report_only:
        found = mixed_discoveries(PLAIN, max(options.panels // 4, 4))
        results["discoveries"] = found | {"rule": rule_now()}
        store.write_text(json.dumps(results, indent=1))
    names, refused = [s.name for s in SETTINGS], [s.name for s in UNANSWERABLE]
    report.write(results, names, refused, rule_now())


if __name__ == "__main__":
    main()
