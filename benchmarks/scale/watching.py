"""Runs of the main job as processes: their time and memory, and what they left.

Memory of one process is the largest that its resident set ever was, where the system tells; of all
together, shared pages counted once (proportional set), as local workers are copies of one process.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
import sys
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import psutil

__all__ = ["Took", "machine_gain", "redrawn", "results", "run", "stage", "watched"]

_ALONE = """
import numpy as np
values = np.random.default_rng(0).random((512, 512), dtype=np.float32)
for _ in range(120):
    np.sort(values, axis=0)
    np.sqrt(values * values + values)
"""
"""What only computes, in arrays as large as a map's: how much two of it gain is the machine's."""


@dataclass(frozen=True)
class Took:
    """What a process and its children took."""

    seconds: float
    cpu_seconds: float
    peak_mb: float
    """Of the process that took most, resident."""
    all_mb: float
    """Of all at once, at the worst moment, shared pages once."""
    text: str


def highest(pid: int) -> int:
    """The most that a process ever held resident, in bytes; 0 where the system does not tell."""
    with suppress(OSError):
        for line in Path(f"/proc/{pid}/status").read_text().splitlines():
            if line.startswith("VmHWM:"):
                return int(line.split()[1]) * 1024
    return 0


def watched(command: list[str]) -> Took:
    """Run a command to its end and watch its memory."""
    began = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    peak = together = 0.0
    worked: dict[int, float] = {}
    over = threading.Event()

    def watch() -> None:
        nonlocal peak, together
        whole = psutil.Process(process.pid)
        # Counting a process's pages holds it up for a while.
        while not over.wait(0.5):
            held = 0.0
            with suppress(psutil.Error):
                for each in (whole, *whole.children(recursive=True)):
                    with suppress(psutil.Error):
                        memory = each.memory_full_info()
                        peak = max(peak, highest(each.pid) or memory.rss)
                        held += getattr(memory, "pss", memory.rss)
                        worked[each.pid] = sum(each.cpu_times()[:2])
            together = max(together, held)

    watcher = threading.Thread(target=watch, daemon=True)
    watcher.start()
    try:
        out, told = process.communicate()
        took = time.perf_counter() - began
    finally:
        if process.poll() is None:
            process.terminate()
            process.wait()
        over.set()
        watcher.join()
    if process.returncode:
        raise RuntimeError(told[-2000:])
    return Took(took, sum(worked.values()), peak / 1e6, together / 1e6, out)


def run(programme: Path, workers: int) -> Took:
    """The main job from nothing."""
    shutil.rmtree(programme.parent / "out", ignore_errors=True)
    return run_on(programme, workers)


def run_on(programme: Path, workers: int) -> Took:
    """The main job from what it finds."""
    command = [sys.executable, "-m", "afterrains.cli", "run", str(programme)]
    return watched([*command, "--workers", str(workers), "--json"])


def redrawn(programme: Path, workers: int) -> float:
    """Seconds of mapping from what a run has read and kept."""
    for path in (programme.parent / "out" / "scale").iterdir():
        if path.is_dir() and path.name != ".store":
            shutil.rmtree(path)
        elif path.is_file():
            path.unlink()
    run_on(programme, workers)
    return stage(programme, "mapping")


def results(programme: Path) -> dict[str, str]:
    """Digests of the tables and rasters."""
    folder = programme.parent / "out" / "scale"
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.suffix in (".csv", ".tif", ".parquet") and ".store" not in path.parts
    }


def machine_gain() -> float:
    """What two processes over one gain on this machine, where they share nothing."""

    def seconds(processes: int) -> float:
        began = time.perf_counter()
        running = [subprocess.Popen([sys.executable, "-c", _ALONE]) for _ in range(processes)]
        if any(process.wait() for process in running):
            raise RuntimeError("the plain computation failed")
        return time.perf_counter() - began

    return 2 * seconds(1) / seconds(2)


def stage(programme: Path, name: str) -> float:
    """Seconds of a stage of the last run."""
    manifest = programme.parent / "out" / "scale" / "manifest.json"
    return float(json.loads(manifest.read_text())["times"]["seconds"][name])
