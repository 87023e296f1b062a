"""Bytes, time and memory of reading polygons from a server: `python benchmarks/reading/run.py`.

Four dates and six bands of 10 980-pixel scenes in 512-pixel blocks (DEFLATE, predictor 2) lie
behind a local server that answers each request after 50 ms, then without latency; 60 polygons of
5 to 50 hectares are read from each file. Every reader runs in a fresh process, in turn, `--repeats`
times; the medians are told, the CPU seconds beside them, and the peak memory (Linux). The floor
asks for the same blocks one by one, inflates each where it came as far as the last row that a
polygon needs, and does nothing else; a reader that asks for neighbours together, or decodes beside
the requests, can pass it. All readers must give the same pixels.

The server speaks plain HTTP, over which our reader inflates each block to its end and compares its
checksum. Over TLS, as catalogues on the open net speak, it stops at the last row needed; "as over
TLS" measures that on the same line (TLS itself would cost all readers alike).

`--readers` and `--latencies` choose what is run. Needs `pip install odc-stac`. The scenes (2.6 GB)
take one to two minutes to write and go at the end, unless `--folder` says where they are kept for
the next time; three repeats take about six more on a quiet machine of two processors.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import multiprocessing
import os
import resource
import signal
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import cache
from pathlib import Path

import rasterio
import rivals
import urllib3
from isal import isal_zlib
from odc.geo.geobox import GeoBox
from server import range_server

from afterrains.scenes import BlockStore, WindowReader
from afterrains.scenes.plan import Block, blocks_under
from scenes import BANDS, BLOCK, CRS, DATES, LEFT, PIXEL_M, TOP, Ground, lay_ground

IN_FLIGHT = 64


@cache
def needed(ground: Ground) -> dict[str, list[Block]]:
    """The blocks under the polygons, by file."""
    found = {}
    for date in DATES:
        for band in BANDS:
            with rasterio.open(ground.folder / date / f"{band}.tif") as file:
                found[f"{date}/{band}.tif"] = blocks_under(file, ground.windows())
    return found


@cache
def last_rows(ground: Ground) -> dict[tuple[int, int], int]:
    """How many rows of a block must be inflated to have all that polygons need."""
    found: dict[tuple[int, int], int] = {}
    for window in ground.windows():
        bottom, right = window.row_off + window.height, window.col_off + window.width
        for row in range(window.row_off // BLOCK, -(-bottom // BLOCK)):
            for column in range(window.col_off // BLOCK, -(-right // BLOCK)):
                rows = min(bottom - row * BLOCK, BLOCK)
                found[row, column] = max(found.get((row, column), 0), rows)
    return found


def floor(address: str, ground: Ground, _store: Path) -> rivals.Pixels:
    """Fetch the blocks that hold the polygons, known beforehand, and inflate what is needed."""
    jobs = [(path, block) for path, blocks in needed(ground).items() for block in blocks]
    pool = urllib3.PoolManager(maxsize=IN_FLIGHT)

    def one(job: tuple[str, Block]) -> None:
        path, block = job
        part = {"Range": f"bytes={block.offset}-{block.offset + block.length - 1}"}
        raw = pool.request("GET", f"{address}/{path}", headers=part).data
        rows = last_rows(ground)[block.row, block.column]
        isal_zlib.decompressobj().decompress(raw, 2 * BLOCK * rows)

    with ThreadPoolExecutor(IN_FLIGHT) as threads:
        list(threads.map(one, jobs))
    return {}


def ours(
    address: str, ground: Ground, store: Path | None, *, as_over_tls: bool = False
) -> rivals.Pixels:
    """Our reader; `as_over_tls` lets it take the line for one on which no bit can turn unseen."""
    boxes = []
    for window in ground.windows():
        corner = rasterio.Affine(
            PIXEL_M, 0, LEFT + PIXEL_M * window.col_off, 0, -PIXEL_M, TOP - PIXEL_M * window.row_off
        )
        boxes.append(GeoBox((window.height, window.width), corner, CRS))
    files = {f"{address}/{date}/{band}.tif": (date, band) for date in DATES for band in BANDS}
    found: rivals.Pixels = {}
    kept = BlockStore(store) if store else None
    with WindowReader(kept, in_flight=IN_FLIGHT) as reader:
        if as_over_tls:
            plain = reader.client.get
            reader.client.get = lambda *asked: replace(plain(*asked), sealed=True)
        for href, reading in reader.start_all(list(files), boxes).items():
            for number, window_reading in enumerate(reading.result()):
                assert window_reading is not None
                found[*files[href], number] = window_reading.numbers
    return found


READERS: dict[str, Callable[[str, Ground, Path], rivals.Pixels]] = {
    "floor": floor,
    "ours, no store": lambda address, ground, _: ours(address, ground, None),
    "ours, as over TLS": lambda address, ground, _: ours(address, ground, None, as_over_tls=True),
    "ours": ours,
    "ours, again": ours,
    "rasterio, 8 threads": lambda address, ground, _: rivals.with_rasterio(address, ground),
    "odc-stac": lambda address, ground, _: rivals.with_odc_stac(address, ground),
}


def _run(name: str, address: str, folder: Path, store: Path) -> tuple[float, float, float, str]:
    """Wall and CPU seconds, peak MB and a digest of the pixels; in a process of its own."""
    ground = lay_ground(folder)
    if name == "floor":
        needed(ground), last_rows(ground)  # known beforehand
    started, worked = time.perf_counter(), time.process_time()
    pixels = READERS[name](address, ground, store)
    wall, cpu = time.perf_counter() - started, time.process_time() - worked
    digest = hashlib.sha256()
    for key in sorted(pixels):
        digest.update(repr(key).encode() + pixels[key].tobytes())
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return wall, cpu, peak_mb, digest.hexdigest() if pixels else ""


def measure(folder: Path, latency_s: float, repeats: int, names: list[str]) -> dict[str, dict]:
    """Every reader in turn, `repeats` times; the medians, and what the server counted."""
    taken: dict[str, list[tuple[float, float, float, str]]] = {name: [] for name in names}
    counted = {}
    with range_server(folder, latency_s) as server:
        for _ in range(repeats):
            with tempfile.TemporaryDirectory(prefix="afterrains-store-") as store:
                for name in names:
                    server.count()
                    asked = name, server.address, folder, Path(store)
                    with multiprocessing.get_context("spawn").Pool(1) as fresh:
                        taken[name].append(fresh.apply(_run, asked))
                    counted[name] = server.count()
                    wall, cpu, *_ = taken[name][-1]
                    print(f"  {name}: {wall:.2f} s, CPU {cpu:.2f} s", file=sys.stderr, flush=True)
    digests = {run[3] for runs in taken.values() for run in runs} - {""}
    assert len(digests) == 1, "the readers do not give the same pixels"
    return {
        name: {
            "wall_s": statistics.median(run[0] for run in runs),
            "cpu_s": statistics.median(run[1] for run in runs),
            "peak_mb": max(run[2] for run in runs),
            "requests": counted[name].requests,
            "bytes": counted[name].sent_bytes,
        }
        for name, runs in taken.items()
    }


def main() -> None:
    """Measure and tell."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, help="where the scenes are kept")
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--readers", nargs="+", choices=list(READERS), default=list(READERS))
    parser.add_argument("--latencies", nargs="+", type=int, default=[50, 0], metavar="MS")
    parser.add_argument("--json", type=Path, help="where the figures are kept too")
    chosen = parser.parse_args()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # what is temporary goes then too
    with tempfile.TemporaryDirectory(prefix="afterrains-reading-") as temporary:
        compare(chosen, lay_ground(chosen.folder or Path(temporary)))


def compare(chosen: argparse.Namespace, ground: Ground) -> None:
    """Measure all that is chosen, and tell."""
    touched = sum(block.length for blocks in needed(ground).values() for block in blocks)
    print(f"blocks touched: {touched / 1e6:.0f} MB; load of the machine {os.getloadavg()[0]:.1f}")
    figures = {}
    for latency_ms in chosen.latencies:
        found = measure(ground.folder, latency_ms / 1000, chosen.repeats, chosen.readers)
        figures[f"{latency_ms} ms"] = found
        print(f"\nlatency {latency_ms} ms    wall s   CPU s  peak MB  requests  MB sent  of blocks")
        for name, row in found.items():
            print(
                f"{name:20}{row['wall_s']:8.2f}{row['cpu_s']:8.2f}{row['peak_mb']:9.0f}"
                f"{row['requests']:10}{row['bytes'] / 1e6:9.0f}{row['bytes'] / touched:11.3f}"
            )
        for name in ("ours, no store", "ours, as over TLS", "ours"):
            for what in ("wall_s", "cpu_s"):
                fewer = {
                    rival: found[rival][what] / found[name][what]
                    for rival in ("odc-stac", "rasterio, 8 threads", "floor")
                    if rival in found and name in found
                }
                told = ", ".join(f"{times:.2f} x {rival}" for rival, times in fewer.items())
                print(f"{name}, {what[:-2]}: {told}")
    if chosen.json:
        chosen.json.write_text(json.dumps(figures, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
