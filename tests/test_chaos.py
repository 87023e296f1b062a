"""Kills at seeded moments change no byte; the benchmark does many more of them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

_BENCHMARK = Path(__file__).resolve().parent.parent / "benchmarks" / "chaos" / "run.py"


@pytest.mark.slow
def test_killed_runs_workers_and_servers_leave_the_results_as_they_were() -> None:
    done = subprocess.run(
        [sys.executable, str(_BENCHMARK), "--kills", "5", "--seed", "7"],
        capture_output=True,
        text=True,
        timeout=1500,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "no byte differs" in done.stdout
