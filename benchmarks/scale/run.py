"""What a run takes as a programme grows, and against a script of an afternoon.

    python benchmarks/scale/run.py [--sites 10 100 1000] [--rival-sites 100] [--repeats 3]

Simulated scenes of several tiles behind a local range server (see `world`). Printed for each size:
seconds and bytes per site, the peak memory of the largest process, whether one worker and two give
the same files; for one size also what Dask takes over a plain loop, how much two workers gain on
one, and the whole job against `rival.py` on the same scenes: time, memory, polygon means. Ratios
are of runs side by side, medians of `--repeats`.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import psutil

sys.path.insert(0, str(Path(__file__).parent.parent / "reading"))

from server import RangeServer, range_server
from world import tiles_for, write_programme, write_templates

_HERE = Path(__file__).parent
_PLAIN_LOOP = """
import sys, time
from pathlib import Path
from afterrains.stages.cellwork import perform
from afterrains.stages.ledger import Ledger
from afterrains.stages.prepare import prepare
prepared = prepare(Path(sys.argv[1]))
ledger = Ledger(prepared.programme.output_folder / ".store")
perform(prepared.tasks[0], Ledger(prepared.programme.output_folder / ".warm"))
began = time.perf_counter()
for task in prepared.tasks:
    perform(task, ledger)
print(time.perf_counter() - began)
"""


@dataclass(frozen=True)
class Took:
    """What a process and its children took."""

    seconds: float
    peak_mb: float
    """Of the process that took most, resident."""
    all_mb: float
    """Of all at once, at the worst moment."""
    text: str


def watched(command: list[str]) -> Took:
    """Run a command to its end and watch its memory."""
    began = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    peak = together = 0.0
    over = threading.Event()

    def watch() -> None:
        nonlocal peak, together
        whole = psutil.Process(process.pid)
        while not over.wait(0.05):
            try:
                held = [each.memory_info().rss for each in [whole, *whole.children(recursive=True)]]
            except psutil.Error:
                continue
            peak, together = max(peak, *held), max(together, sum(held))

    watcher = threading.Thread(target=watch, daemon=True)
    watcher.start()
    out, told = process.communicate()
    took = time.perf_counter() - began
    over.set()
    watcher.join()
    if process.returncode:
        raise RuntimeError(told[-2000:])
    return Took(took, peak / 1e6, together / 1e6, out)


def run(programme: Path, workers: int) -> Took:
    """The main job from nothing."""
    shutil.rmtree(programme.parent / "out", ignore_errors=True)
    command = [sys.executable, "-m", "afterrains.cli", "run", str(programme)]
    return watched([*command, "--workers", str(workers), "--json"])


def results(programme: Path) -> dict[str, str]:
    """Digests of the tables and rasters."""
    folder = programme.parent / "out" / "scale"
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.suffix in (".csv", ".tif", ".parquet") and ".store" not in path.parts
    }


def stage(programme: Path, name: str) -> float:
    """Seconds of a stage of the last run."""
    manifest = programme.parent / "out" / "scale" / "manifest.json"
    return float(json.loads(manifest.read_text())["times"]["seconds"][name])


def grow(folder: Path, sizes: list[int], server: RangeServer, workers: int) -> None:
    """Time, bytes and memory by size."""
    print("sites  tiles  seconds  s/site  MB from server  MB/site  peak MB of a process")
    for sites in sizes:
        programme = write_programme(folder / f"sites-{sites}", sites, server.address)
        server.count()
        took = run(programme, workers)
        pulled = server.count().sent_bytes / 1e6
        print(
            f"{sites:5d}  {tiles_for(sites):5d}  {took.seconds:7.1f}  {took.seconds / sites:6.3f}"
            f"  {pulled:14.0f}  {pulled / sites:7.2f}  {took.peak_mb:20.0f}",
            flush=True,
        )
        shutil.rmtree(programme.parent)


def dask_and_workers(folder: Path, sites: int, server: RangeServer, repeats: int) -> None:
    """Dask over a plain loop, and two workers over one, on the reading stage."""
    programme = write_programme(folder / "dask", sites, server.address)
    loop, one, two, same = [], [], [], True
    for _ in range(repeats):
        shutil.rmtree(programme.parent / "out", ignore_errors=True)
        loop.append(float(watched([sys.executable, "-c", _PLAIN_LOOP, str(programme)]).text))
        run(programme, 1)
        one.append(stage(programme, "reading"))
        alone = results(programme)
        run(programme, 2)
        two.append(stage(programme, "reading"))
        same &= results(programme) == alone
    over = statistics.median(b / a - 1 for a, b in zip(loop, one, strict=True))
    gained = statistics.median(a / b for a, b in zip(one, two, strict=True))
    print(
        f"reading stage of {sites} sites: plain loop {statistics.median(loop):.1f} s, one worker "
        f"{statistics.median(one):.1f} s ({over:+.1%}, its start included), two workers "
        f"{statistics.median(two):.1f} s ({gained:.2f} x one); files "
        + ("equal" if same else "DIFFER")
    )
    shutil.rmtree(programme.parent)


def against_rival(folder: Path, sites: int, server: RangeServer, repeats: int) -> None:
    """The whole job beside the afternoon's script."""
    programme = write_programme(folder / "rival", sites, server.address)
    ours, theirs = [], []
    table = folder / "rival.parquet"
    for _ in range(repeats):
        ours.append(run(programme, os.cpu_count() or 1))
        theirs.append(
            watched([sys.executable, str(_HERE / "rival.py"), str(programme.parent), str(table)])
        )
    faster = statistics.median(b.seconds / a.seconds for a, b in zip(ours, theirs, strict=True))
    leaner = statistics.median(a.all_mb / b.all_mb for a, b in zip(ours, theirs, strict=True))
    mine = pd.read_parquet(programme.parent / "out" / "scale" / "series.parquet")
    both = mine.assign(date=pd.to_datetime(mine["date"])).merge(
        pd.read_parquet(table), on=["site_id", "date"], suffixes=("", "_rival")
    )
    off = (both["ndvi"] - both["ndvi_rival"]).abs().max()
    print(
        f"whole job, {sites} sites: {statistics.median(t.seconds for t in ours):.1f} s and "
        f"{statistics.median(t.all_mb for t in ours):.0f} MB in all processes; afternoon's script "
        f"{statistics.median(t.seconds for t in theirs):.1f} s and "
        f"{statistics.median(t.all_mb for t in theirs):.0f} MB: {faster:.1f} x as fast, "
        f"{leaner:.2f} of the memory; {len(both)} polygon means, largest difference {off:.1e}"
    )
    shutil.rmtree(programme.parent)


def main() -> None:
    """Run all; see the module's text."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sites", type=int, nargs="*", default=[10, 100, 1000])
    parser.add_argument("--rival-sites", type=int, default=100)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--latency-ms", type=float, default=0.0)
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="afterrains-scale-") as name:
        folder = Path(name)
        templates = write_templates(folder / "templates")
        with range_server(folder, wanted.latency_ms / 1e3, stand_ins=templates) as server:
            grow(folder, wanted.sites, server, os.cpu_count() or 1)
            if wanted.rival_sites:
                dask_and_workers(folder, wanted.rival_sites, server, wanted.repeats)
                against_rival(folder, wanted.rival_sites, server, wanted.repeats)


if __name__ == "__main__":
    main()
