"""What a run takes as a programme grows, and against a script of an afternoon.

    python benchmarks/scale/run.py [--sites 10 100 1000] [--rival-sites 100] [--repeats 3]
        [--scattered]

Simulated scenes of several tiles behind a local range server (see `world`). Printed for each size:
seconds, processor seconds and bytes per site, and the peak memory of the largest process; for one
size also whether one worker and two give the same files, what Dask adds to the tasks, how
much two workers gain on one, and the whole job against `rival.py` on the same scenes, in the
faster of its two ways: time, memory, polygon means. Each bar that is aimed at is printed with what
was found. Ratios are of runs side by side, medians of `--repeats`; the seconds count for nothing on
a machine that does other work beside, the processor seconds for a little.

How time and memory are taken: `watching`.
"""

from __future__ import annotations

import argparse
import os
import shutil
import signal
import statistics
import sys
import tempfile
from pathlib import Path

import pandas as pd

sys.path.insert(0, str(Path(__file__).parent.parent / "reading"))

from server import RangeServer, range_server
from watching import machine_gain, redrawn, results, run, stage, watched
from world import DENSE, SCATTERED, Layout, tiles_for, write_programme, write_templates

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


_COUNTED = """
import sys, time
from functools import partial
from pathlib import Path
if __name__ == "__main__":
    from afterrains.stages.ready import get_ready
    get_ready()  # as the command does, before all else is loaded
import afterrains.stages.pull as pull
from afterrains.jobs.run import run_programme
from afterrains.stages.cellwork import perform

def counted(task, ledger, log):
    began = time.perf_counter()
    done = perform(task, ledger)
    with open(log, "a") as told:
        told.write(f"{time.perf_counter() - began}\\n")
    return done

if __name__ == "__main__":
    log = Path(sys.argv[1]).parent / "seconds-of-tasks"
    log.unlink(missing_ok=True)
    pull.perform = partial(counted, log=str(log))
    run_programme(Path(sys.argv[1]), workers=1)
    print(sum(map(float, log.read_text().split())))
"""


_REDRAWN = 4
"""Times that maps are drawn for each repeat: it takes seconds only, which vary by a fifth."""
_FLAT, _DASK, _GAIN, _FASTER, _LEANER = 0.15, 0.05, 1.7, 5.0, 0.5
"""The bars: growth of the peak from the first size to the last, Dask's part, two workers over one,
the afternoon's script over ours in time, ours over it in memory."""


def bar(what: str, found: float, wanted: float, *, at_least: bool = False) -> None:
    """Print whether a bar was met."""
    met = found >= wanted if at_least else found <= wanted
    aim = "at least" if at_least else "at most"
    print(f"  bar: {what} {found:.2f}, {aim} {wanted:g}: {'met' if met else 'NOT MET'}", flush=True)


def grow(folder: Path, sizes: list[int], layout: Layout, server: RangeServer, workers: int) -> None:
    """Time, bytes and memory by size."""
    print(
        "sites  tiles  seconds  s/site  cpu s/site  MB from server  MB/site  peak MB of a process"
    )
    peaks = []
    for sites in sizes:
        programme = write_programme(folder / f"sites-{sites}", sites, layout, server.address)
        server.count()
        took = run(programme, workers)
        pulled = server.count().sent_bytes / 1e6
        print(
            f"{sites:5d}  {tiles_for(sites):5d}  {took.seconds:7.1f}  {took.seconds / sites:6.3f}"
            f"  {took.cpu_seconds / sites:10.3f}  {pulled:14.0f}  {pulled / sites:7.2f}"
            f"  {took.peak_mb:20.0f}",
            flush=True,
        )
        peaks.append(took.peak_mb)
        shutil.rmtree(programme.parent)
    if len(peaks) > 1:
        bar("growth of the peak from the first size to the last", peaks[-1] / peaks[0] - 1, _FLAT)


def dask_and_workers(
    folder: Path, sites: int, layout: Layout, server: RangeServer, repeats: int
) -> None:
    """What Dask adds to the reading stage; two workers over one on it and on mapping.

    Dask's part is what of the stage, its start included, its one worker does not spend in tasks; a
    plain loop over the tasks stands beside. Mapping only computes; reading waits for the server
    too, and one worker decodes on every core.
    """
    programme = write_programme(folder / "dask", sites, layout, server.address)
    loop, one, two, same = [], [], [], True
    outside = []
    for _ in range(repeats):
        shutil.rmtree(programme.parent / "out", ignore_errors=True)
        loop.append(float(watched([sys.executable, "-c", _PLAIN_LOOP, str(programme)]).text))
        shutil.rmtree(programme.parent / "out", ignore_errors=True)
        counted = watched([sys.executable, "-c", _COUNTED, str(programme)])
        outside.append((stage(programme, "reading") - float(counted.text)) / counted.seconds)
        run(programme, 1)
        one.append(stage(programme, "reading"))
        alone = results(programme)
        run(programme, 2)
        two.append(stage(programme, "reading"))
        same &= results(programme) == alone
    over = statistics.median(b / a - 1 for a, b in zip(loop, one, strict=True))
    gained = statistics.median(a / b for a, b in zip(one, two, strict=True))
    maps: dict[int, list[float]] = {1: [], 2: []}
    machine = []
    for _ in range(_REDRAWN * repeats):
        for workers, taken in maps.items():
            taken.append(redrawn(programme, workers))
        machine.append(machine_gain())
    mapped = statistics.median(a / b for a, b in zip(maps[1], maps[2], strict=True))
    print(
        f"reading stage of {sites} sites: plain loop {statistics.median(loop):.1f} s, one worker "
        f"{statistics.median(one):.1f} s ({over:+.1%}, its start included), two workers "
        f"{statistics.median(two):.1f} s ({gained:.2f} x one); files "
        + ("equal" if same else "DIFFER")
    )
    print(
        f"mapping: one worker {statistics.median(maps[1]):.1f} s, two "
        f"{statistics.median(maps[2]):.1f} s ({mapped:.2f} x one; two processes that share nothing "
        f"{statistics.median(machine):.2f} x)"
    )
    part = statistics.median(outside)
    bar("Dask's part, its start included, of the whole job's time with one worker", part, _DASK)
    bar("two workers over one on mapping, which only computes", mapped, _GAIN, at_least=True)
    shutil.rmtree(programme.parent)


def against_rival(
    folder: Path, sites: int, layout: Layout, server: RangeServer, repeats: int
) -> None:
    """The whole job beside the afternoon's script."""
    programme = write_programme(folder / "rival", sites, layout, server.address)
    table = folder / "rival.parquet"
    script = [sys.executable, str(_HERE / "rival.py"), str(programme.parent), str(table)]
    tried = {by: watched([*script, by]) for by in ("tile", "site")}
    best = min(tried, key=lambda by: tried[by].seconds)
    print(
        "afternoon's script, a cube for each: "
        + ", ".join(
            f"{by} {each.seconds:.1f} s, {each.all_mb:.0f} MB" for by, each in tried.items()
        ),
        flush=True,
    )
    ours, theirs = [], []
    for _ in range(repeats):
        ours.append(run(programme, os.cpu_count() or 1))
        theirs.append(watched([*script, best]))
    faster = statistics.median(b.seconds / a.seconds for a, b in zip(ours, theirs, strict=True))
    leaner = statistics.median(a.all_mb / b.all_mb for a, b in zip(ours, theirs, strict=True))
    worked = [statistics.median(each.cpu_seconds for each in side) for side in (ours, theirs)]
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
        f"{leaner:.2f} of the memory; processor seconds {worked[0]:.0f} and {worked[1]:.0f}; "
        f"{len(both)} polygon means, largest difference {off:.1e}"
    )
    bar("the afternoon's script over ours in time", faster, _FASTER, at_least=True)
    bar("ours over the afternoon's script in memory", leaner, _LEANER)
    shutil.rmtree(programme.parent)


def main() -> None:
    """Run all; see the module's text."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sites", type=int, nargs="*", default=[10, 100, 1000])
    parser.add_argument("--rival-sites", type=int, default=100)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--latency-ms", type=float, default=0.0)
    parser.add_argument("--scattered", action="store_true", help="sites 8 to 10 km apart")
    wanted = parser.parse_args()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # what is temporary goes then too
    layout = SCATTERED if wanted.scattered else DENSE
    with tempfile.TemporaryDirectory(prefix="afterrains-scale-") as name:
        folder = Path(name)
        templates = write_templates(folder / "templates", layout)
        with range_server(folder, wanted.latency_ms / 1e3, stand_ins=templates) as server:
            grow(folder, wanted.sites, layout, server, os.cpu_count() or 1)
            if wanted.rival_sites:
                dask_and_workers(folder, wanted.rival_sites, layout, server, wanted.repeats)
                against_rival(folder, wanted.rival_sites, layout, server, wanted.repeats)


if __name__ == "__main__":
    main()
