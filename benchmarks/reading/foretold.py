"""What `estimate` foretells against what a run then takes: `python benchmarks/reading/foretold.py`.

The small sample programme's last years lie behind a local server that answers each request after 50
ms. The estimate is asked for, then the run is done with as many processes, `--repeats` times; told
are the seconds of reading, foretold and taken, and their ratio (aim: within a factor of 1.5), and
the bytes. About two minutes on a quiet machine.
"""

from __future__ import annotations

import argparse
import json
import statistics
import tempfile
from pathlib import Path

from server import range_server

from afterrains.jobs.estimate import estimate
from afterrains.jobs.run import run_programme
from afterrains.sample import write_sample


def main() -> None:
    """Measure and tell."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--latency-ms", type=float, default=50.0)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--start", default="2021-01-01")
    chosen = parser.parse_args()
    ratios = []
    with tempfile.TemporaryDirectory(prefix="afterrains-foretold-") as folder:
        sample = write_sample(Path(folder) / "sample", size="small", workers=1)
        text = sample.programme.read_text(encoding="utf-8")
        with range_server(sample.folder, chosen.latency_ms / 1000) as server:
            for repeat in range(chosen.repeats):
                programme = sample.folder / f"programme-{repeat}.yaml"
                changed = text.replace(
                    "scenes/catalog.json", f"{server.address}/scenes/catalog.json"
                )
                changed = changed.replace("start: 2016-01-01", f"start: {chosen.start}")
                changed = changed.replace("output: out", f"output: out-{repeat}")
                programme.write_text(changed, encoding="utf-8")
                told = estimate(programme, workers=chosen.workers)
                server.count()
                done = run_programme(programme, workers=chosen.workers)
                sent = server.count().sent_bytes
                manifest = json.loads((done.output / "manifest.json").read_text(encoding="utf-8"))
                taken = manifest["times"]["seconds"]["reading"]
                ratios.append(told.seconds / taken)
                print(
                    f"reading foretold {told.seconds:6.1f} s, taken {taken:6.1f} s, ratio "
                    f"{ratios[-1]:.2f}; pulled foretold {told.pulled_bytes / 1e6:.1f} MB, sent "
                    f"{sent / 1e6:.1f} MB with the catalogue"
                )
    print(f"median ratio {statistics.median(ratios):.2f}")


if __name__ == "__main__":
    main()
