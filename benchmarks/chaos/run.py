"""Kill a run, its workers and its server at seeded moments; in the end no byte may differ.

    python benchmarks/chaos/run.py [--kills 50] [--seed 1]

The small sample programme is read over HTTP. First it is run once undisturbed. Then it is run
again and again into another folder while something is killed (SIGKILL) at every turn: the run
itself, which is then started anew; one of its workers; or the server, which comes back after a
moment. When a run comes to its end all the same, its results are compared and the next begins
from nothing. After the last kill a run is left to end, and compared.

Exits with 1 if a result differs (but for the manifest's times), a process or a draft is left.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import re
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections import Counter
from contextlib import ExitStack, suppress
from pathlib import Path

import psutil

sys.path.insert(0, str(Path(__file__).parent.parent / "reading"))

from server import RangeServer, range_server

from afterrains.sample import write_sample

_VICTIMS = ("run", "run", "worker", "server")
_MARK = "AFTERRAINS_CHAOS"
"""In the environment of every process of a run, so that none is overlooked in the end."""
_LONGEST_RUN_S = 1200.0
_ENDS = {0, 1, 3}
"""Done, done but for reads that failed, a service failed: each can be run again."""


class BrokenError(Exception):
    """What must not happen has happened."""


def digests(folder: Path) -> dict[str, str]:
    """SHA-256 of every result; of the manifest without its times."""
    found = {}
    for path in sorted(folder.rglob("*")):
        inside = path.relative_to(folder)
        if path.is_dir() or any(part.startswith(".") for part in inside.parts):
            continue
        content = path.read_bytes()
        if inside.name == "manifest.json":
            content = json.dumps({**json.loads(content), "times": 0}, sort_keys=True).encode()
        found[str(inside)] = hashlib.sha256(content).hexdigest()
    return found


class Programme:
    """The sample programme over HTTP in a folder of its own, and its run as a process."""

    def __init__(self, sample: Path, folder: Path, catalogue: str) -> None:
        shutil.copytree(sample, folder, ignore=shutil.ignore_patterns("scenes", "out"))
        self.file = folder / "programme.yaml"
        text = self.file.read_text(encoding="utf-8")
        lines = [
            f"  catalogue: {catalogue}" if line.strip().startswith("catalogue:") else line
            for line in text.splitlines()
        ]
        self.file.write_text("\n".join(lines) + "\n", encoding="utf-8")
        self.out = folder / "out"
        self._environment = {**os.environ, _MARK: str(folder.parent)}

    def start(self) -> subprocess.Popen[bytes]:
        """Begin a run."""
        command = [sys.executable, "-m", "afterrains.cli", "run", str(self.file), "--workers", "2"]
        quiet = subprocess.DEVNULL
        return subprocess.Popen(command, stdout=quiet, stderr=quiet, env=self._environment)

    def results(self) -> dict[str, str]:
        """Digests of what it wrote."""
        drafts = [path for path in self.out.rglob("*") if ".draft-" in path.name]
        if drafts:
            raise BrokenError(f"drafts are left: {drafts[:3]}")
        (folder,) = (path for path in self.out.iterdir() if path.is_dir())
        return digests(folder)


def ended_with(process: subprocess.Popen[bytes]) -> int:
    """The exit status of a run that is left alone."""
    status = process.wait(_LONGEST_RUN_S)
    if status not in _ENDS:
        raise BrokenError(f"a run ended with {status}")
    return status


def disturb(
    programme: Programme, server: Server, kills: int, chance: random.Random
) -> Counter[str]:
    """Kill until `kills` are done; compare whenever a run gets to its end."""
    told: Counter[str] = Counter()
    process = programme.start()
    while sum(told[victim] for victim in set(_VICTIMS)) < kills:
        try:
            process.wait(chance.uniform(0.5, 12.0))
        except subprocess.TimeoutExpired:
            told[_kill_one(chance.choice(_VICTIMS), process, server, chance)] += 1
        status = process.poll()
        if status == 0:
            told["compared"] += 1
            server.compare(programme)
            shutil.rmtree(programme.out)
        elif status is not None and status not in {*_ENDS, -signal.SIGKILL}:
            raise BrokenError(f"a run ended with {status}")
        if status is not None:
            process = programme.start()
    for _ in range(5):
        if ended_with(process) == 0:
            break
        process = programme.start()
    else:
        raise BrokenError("the run never ended well")
    told["compared"] += 1
    server.compare(programme)
    return told


_START = re.compile("forkserver|spawn_main")
"""In the command of a worker, and of the process that workers are copies of while it has none."""


def _kill_one(
    victim: str, process: subprocess.Popen[bytes], server: Server, chance: random.Random
) -> str:
    """Kill; returns what was killed."""
    if victim == "worker":
        workers = [
            child
            for child in psutil.Process(process.pid).children(recursive=True)
            if child.children() == [] and _START.search(" ".join(child.cmdline()))
        ]
        if workers:
            chance.choice(sorted(workers, key=lambda child: child.pid)).kill()
            return victim
    if victim == "server":
        server.fail_for(chance.uniform(0.2, 3.0))
        return victim
    process.kill()
    process.wait()
    return "run"


class Server:
    """The range server, on one port whenever it runs; keeps what the undisturbed run gave."""

    def __init__(self, folder: Path, stack: ExitStack) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self._folder, self._stack = folder, stack
        self._running = self._start()
        self.expected: dict[str, str] = {}

    def _start(self) -> RangeServer:
        return self._stack.enter_context(range_server(self._folder, 0.0, self.port))

    def fail_for(self, seconds: float) -> None:
        """Be dead for a while."""
        self._running.kill()
        time.sleep(seconds)
        self._running = self._start()

    def compare(self, programme: Programme) -> None:
        """The results must be those of the undisturbed run."""
        found = programme.results()
        odd = {
            name
            for name in found.keys() | self.expected.keys()
            if found.get(name) != self.expected.get(name)
        }
        if odd:
            raise BrokenError(f"{len(odd)} results differ: {sorted(odd)[:5]}")


def ours(marker: str) -> list[psutil.Process]:
    """Processes of our runs that are there."""
    found = []
    for process in psutil.process_iter():
        with suppress(psutil.Error):
            if process.environ().get(_MARK) == marker:
                found.append(process)
    return found


def left_over(marker: str) -> list[str]:
    """Those that are still there after a moment to end by themselves, in words."""
    end = time.monotonic() + 30
    while ours(marker) and time.monotonic() < end:
        time.sleep(1)
    told = []
    for process in ours(marker):
        with suppress(psutil.Error):
            told.append(f"{process.pid} {' '.join(process.cmdline())[:80]}")
    return told


def end_all(marker: str) -> None:
    """End those that are there when this one is ended itself."""
    for process in ours(marker):
        with suppress(psutil.Error):
            process.kill()


def main() -> int:
    """Run it; see the module's text."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    wanted = parser.parse_args()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # what is temporary goes then too
    with tempfile.TemporaryDirectory(prefix="afterrains-chaos-") as name, ExitStack() as stack:
        folder = Path(name)
        stack.callback(end_all, str(folder))
        sample = folder / "sample"
        write_sample(sample, size="small", workers=2)
        server = Server(sample, stack)
        catalogue = f"http://127.0.0.1:{server.port}/scenes/catalog.json"
        try:
            calm = Programme(sample, folder / "calm", catalogue)
            began = time.monotonic()
            if ended_with(calm.start()) != 0:
                raise BrokenError("the undisturbed run did not end well")
            took = time.monotonic() - began
            server.expected = calm.results()
            disturbed = Programme(sample, folder / "disturbed", catalogue)
            told = disturb(disturbed, server, wanted.kills, random.Random(wanted.seed))
            left = left_over(str(folder))
            if left:
                raise BrokenError(f"processes are left: {left}")
        except BrokenError as error:
            print(f"BROKEN: {error}")
            return 1
        killed = ", ".join(f"{told[victim]} x {victim}" for victim in sorted(set(_VICTIMS)))
        print(
            f"{len(server.expected)} results of a run of {took:.0f} s; killed {killed} "
            f"(seed {wanted.seed}); {told['compared']} finished runs compared, no byte differs"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
