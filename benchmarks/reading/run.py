"""Bytes, time and memory of reading polygons from a server: `python benchmarks/reading/run.py`.

Four dates and six bands of 10 980-pixel scenes in 512-pixel blocks (DEFLATE, predictor 2) lie
behind a local server that answers each request after 50 ms, then without latency; 60 polygons of
5 to 50 hectares are read from each file. Every reader runs in a fresh process, in turn, `--repeats`
times; the medians are told, the CPU seconds beside them, and the peak memory (Linux). The floor
asks for the same blocks one by one and inflates each where it came, and does nothing else; a reader
that asks for neighbours together, or decodes beside the requests, can pass it. All readers must
give the same pixels.

Needs `pip install odc-stac`. The scenes (2.6 GB) are written once to `--folder`, which takes one to
two minutes; three repeats take about six more on a quiet machine of two processors.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import multiprocessing
import os
import resource
import shutil
import statistics
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
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


def floor(address: str, ground: Ground, _store: Path) -> rivals.Pixels:
    """Fetch the blocks that hold the polygons, known beforehand, and inflate them."""
    jobs = [(path, block) for path, blocks in needed(ground).items() for block in blocks]
    pool = urllib3.PoolManager(maxsize=IN_FLIGHT)

    def one(job: tuple[str, Block]) -> None:
        path, block = job
        part = {"Range": f"bytes={block.offset}-{block.offset + block.length - 1}"}
        isal_zlib.decompress(
            pool.request("GET", f"{address}/{path}", headers=part).data, bufsize=2 * BLOCK**2
        )

    with ThreadPoolExecutor(IN_FLIGHT) as threads:
        list(threads.map(one, jobs))
    return {}


def ours(address: str, ground: Ground, store: Path | None) -> rivals.Pixels:
    """Our reader."""
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
        for href, reading in reader.start_all(list(files), boxes).items():
            for number, window_reading in enumerate(reading.result()):
                assert window_reading is not None
                found[*files[href], number] = window_reading.numbers
    return found


READERS: dict[str, Callable[[str, Ground, Path], rivals.Pixels]] = {
    "floor": floor,
    "ours, no store": lambda address, ground, _: ours(address, ground, None),
    "ours": ours,
    "ours, again": ours,
    "rasterio, 8 threads": lambda address, ground, _: rivals.with_rasterio(address, ground),
    "odc-stac": lambda address, ground, _: rivals.with_odc_stac(address, ground),
}


def _run(name: str, address: str, folder: Path, store: Path) -> tuple[float, float, float, str]:
    """Wall and CPU seconds, peak MB and a digest of the pixels; in a process of its own."""
    ground = lay_ground(folder)
    if name == "floor":
        needed(ground)  # known beforehand
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
            store = Path(tempfile.mkdtemp(prefix="afterrains-store-"))
            for name in names:
                server.count()
                with multiprocessing.get_context("spawn").Pool(1) as fresh:
                    taken[name].append(fresh.apply(_run, (name, server.address, folder, store)))
                counted[name] = server.count()
            shutil.rmtree(store)
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
    parser.add_argument(
        "--folder", type=Path, default=Path(tempfile.gettempdir()) / "afterrains-reading"
    )
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--json", type=Path, help="where the figures are kept too")
    chosen = parser.parse_args()
    ground = lay_ground(chosen.folder)
    touched = sum(block.length for blocks in needed(ground).values() for block in blocks)
    print(f"blocks touched: {touched / 1e6:.0f} MB; load of the machine {os.getloadavg()[0]:.1f}")
    figures = {}
    for latency_ms in (50, 0):
        found = measure(chosen.folder, latency_ms / 1000, chosen.repeats, list(READERS))
        figures[f"{latency_ms} ms"] = found
        print(f"\nlatency {latency_ms} ms    wall s   CPU s  peak MB  requests  MB sent  of blocks")
        for name, row in found.items():
            print(
                f"{name:20}{row['wall_s']:8.2f}{row['cpu_s']:8.2f}{row['peak_mb']:9.0f}"
                f"{row['requests']:10}{row['bytes'] / 1e6:9.0f}{row['bytes'] / touched:11.3f}"
            )
        for name in ("ours, no store", "ours"):
            faster = {
                rival: found[rival]["wall_s"] / found[name]["wall_s"]
                for rival in ("odc-stac", "rasterio, 8 threads", "floor")
            }
            told = ", ".join(f"{times:.2f} x {rival}" for rival, times in faster.items())
            print(f"{name}: speed {told}")
    if chosen.json:
        chosen.json.write_text(json.dumps(figures, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
