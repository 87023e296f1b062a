"""Workers: how many fit, what their death costs, and a cluster that gives the same results."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

import dask
import pytest

from afterrains.errors import OutputError, ServiceError
from afterrains.jobs.run import RunSummary, Silent, run_programme
from afterrains.stages.workers import connect, in_turn, on_all, processes_for, recorded_to


def test_fewer_processes_start_where_memory_is_short() -> None:
    assert processes_for(400_000_000, 4, None) == 4
    assert processes_for(400_000_000, 4, 4.0) == 4
    assert processes_for(400_000_000, 4, 2.5) == 2
    with pytest.raises(OutputError, match=r"takes 0\.9 GB"):
        processes_for(400_000_000, 4, 0.8)


def _squared(number: int) -> int:
    if number == 3:
        os._exit(1)  # as the kernel ends a process that wants too much memory
    return number * number


@pytest.mark.filterwarnings("ignore::UserWarning")
def test_a_worker_that_dies_costs_its_task_alone() -> None:
    done = []
    with connect(None, 1) as client:
        with pytest.raises(ServiceError, match="workers died over 1 of the"):
            for result in in_turn(client, _squared, range(6)):
                done.append(result)
    assert sorted(done) == [0, 1, 4, 16, 25]


def _signs(folder: Path) -> None:
    (folder / str(os.getpid())).touch()


def test_what_is_asked_of_all_reaches_each_and_minds_no_lost_cluster(tmp_path: Path) -> None:
    """Two workers sign; once they are gone nothing is raised, for the next task tells of it."""
    with connect(None, 2) as client:
        on_all(client, partial(_signs, tmp_path))
    assert len(list(tmp_path.iterdir())) == 2
    on_all(client, partial(_signs, tmp_path))
    assert len(list(tmp_path.iterdir())) == 2


def _is_watched() -> bool:
    return bool(dask.config.get("distributed.worker.profile.enabled"))


@pytest.mark.parametrize("wanted", [False, True])
def test_dask_looks_into_threads_only_where_its_account_is_wanted(wanted: bool) -> None:
    """Looking can lock a process of Python 3.11 for good: a fault of `sys._current_frames`."""
    with connect(None, 1, watched=wanted) as client:
        assert list(client.run(_is_watched).values()) == [wanted]


def test_dask_s_account_is_written_or_what_it_needs_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = tmp_path / "dask.html"
    with connect(None, 1, watched=True) as client, recorded_to(page):
        assert sorted(in_turn(client, abs, [-1, 2])) == [1, 2]
    assert "<html" in page.read_text(encoding="utf-8")[:200]
    monkeypatch.setattr("afterrains.stages.workers.find_spec", lambda name: None)
    with pytest.raises(OutputError, match="pip install bokeh"):
        recorded_to(page)


def _dask(part: str, address_file: Path, *options: str) -> list[str]:
    module = f"distributed.cli.dask_{part}"
    shared = ["--no-dashboard", "--scheduler-file", str(address_file)]
    return [sys.executable, "-m", module, *shared, *options]


@contextmanager
def _cluster(folder: Path, workers: int) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """A scheduler and workers started as an existing cluster's are, each a process of its own."""
    address_file = folder / "scheduler.json"
    # As docs/how-to/cluster.md has it for Python 3.11.
    unwatched = {**os.environ, "DASK_DISTRIBUTED__WORKER__PROFILE__ENABLED": "false"}
    started = [
        subprocess.Popen(
            _dask("scheduler", address_file, "--host", "127.0.0.1", "--port", "0"),
            cwd=folder,
            stderr=subprocess.DEVNULL,
        )
    ]
    try:
        end = time.monotonic() + 60
        while not address_file.is_file() and time.monotonic() < end:
            time.sleep(0.1)
        for number in range(workers):
            place = folder / f"worker-{number}"
            started.append(
                subprocess.Popen(
                    _dask(
                        "worker",
                        address_file,
                        "--no-nanny",
                        "--nthreads",
                        "1",
                        "--local-directory",
                        str(place),
                    ),
                    cwd=folder,
                    env=unwatched,
                    stderr=subprocess.DEVNULL,
                )
            )
        found = re.search(r'"address":\s*"(tcp://[^"]+)"', address_file.read_text())
        assert found is not None
        yield found[1], started[1:]
    finally:
        for process in reversed(started):
            process.kill()
            process.wait()


class _KillOnce(Silent):
    """Ends a worker without a word once the run is under way."""

    def __init__(self, worker: subprocess.Popen[bytes]) -> None:
        self.worker, self.killed_at = worker, 0

    def step(self, stage: str, done: int, total: int) -> None:
        if done == 2 and not self.killed_at:
            self.killed_at = done
            self.worker.send_signal(signal.SIGKILL)


def test_a_cluster_gives_the_same_results_though_a_worker_is_lost(
    programme_copy: Path,
    undisturbed: RunSummary,
    digests: Callable[[Path], dict[str, str]],
    tmp_path: Path,
) -> None:
    with _cluster(tmp_path, workers=2) as (address, workers):
        witness = _KillOnce(workers[0])
        found = run_programme(programme_copy, scheduler=address, reporter=witness)
        assert witness.killed_at
        assert workers[0].wait(10) == -signal.SIGKILL
    assert digests(found.output) == digests(undisturbed.output)


def test_a_scheduler_that_is_not_there_is_said_so(programme_copy: Path) -> None:
    with pytest.raises(ServiceError, match="no Dask scheduler answers"):
        run_programme(programme_copy, scheduler="tcp://127.0.0.1:9")
