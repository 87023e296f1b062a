"""Time and memory of judging a large programme.

    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python benchmarks/evidence/speed.py [SITES CONTROLS]

10,000 sown sites, 5,000 controls, 20 dry seasons, 2 % missing, sown over eight seasons; the bar is
60 s and 2 GB on two cores.
"""

from __future__ import annotations

import resource
import sys
import time

import numpy as np
from simulate import Setting, Simulated, tables

from afterrains.contrast import judge_programme


def main() -> None:
    """Invent the programme, judge it, print seconds and peak memory."""
    sown, controls = (int(text) for text in sys.argv[1:3]) if len(sys.argv) > 2 else (10_000, 5_000)
    seasons, rng = 20, np.random.default_rng(0)
    shape = (sown + controls, seasons)
    values = 10 * rng.normal(size=(shape[0], 1)) + 3 * rng.normal(size=seasons)
    values = values + rng.normal(size=shape)
    values[rng.random(shape) < 0.02] = np.nan
    first = rng.integers(8, 16, size=sown)
    setting = Setting("large", sown=sown, controls=controls, before=12, after=8)
    nothing = np.empty(0)
    panel, sowing = tables(
        Simulated(values, np.ones(shape), first, nothing, nothing, nothing, setting)
    )
    panel["x"] = np.repeat(rng.uniform(0, 1e5, shape[0]), seasons)
    panel["y"] = np.repeat(rng.uniform(0, 1e5, shape[0]), seasons)
    start, used = time.perf_counter(), time.process_time()
    judgement = judge_programme(panel, sowing, woody_model=True)
    seconds, used = time.perf_counter() - start, time.process_time() - used
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    gains = (judgement.history["verdict"] == "gain").groupby(judgement.history["site_id"]).any()
    print(f"{sown} sites, {controls} controls, {seasons} seasons: {seconds:.1f} s, {peak:.0f} MB")
    print(f"{used:.1f} s of one processor's time, which is what counts on a busy machine")
    print(f"{len(judgement.history)} rows; sites ever called gain (none is): {gains.mean():.4f}")


if __name__ == "__main__":
    main()
