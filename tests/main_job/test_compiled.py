"""Machine code of the kernels that is kept between processes: used, safe to lose, never stale.

Checked against what Numba itself says of each kernel: how often it was loaded and how often it had
to be compiled.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from afterrains import compiled

_ASK = """
import json, sys
from pathlib import Path
import numpy as np
from afterrains import compiled
from afterrains.scenes.leftover import leftovers

cube = np.ones((9, 2, 2), np.float32)
cube[3, 1, 1] = 9.0
compiled._folder = lambda: Path(sys.argv[1])
compiled.with_kept_code(lambda: leftovers(cube, np.arange(9)))
print(json.dumps({
    "loaded": sum(sum(k.machine.stats.cache_hits.values()) for k in compiled._kernels),
    "compiled": sum(sum(k.machine.stats.cache_misses.values()) for k in compiled._kernels),
    "found": np.argwhere(leftovers(cube, np.arange(9)).outlier).tolist(),
}))
"""
_RUN = """
import sys
from pathlib import Path
import afterrains.stages.in_hand
from afterrains import compiled

before = {kernel: list(kernel.machine.signatures) for kernel in compiled._kernels}
from afterrains.stages.cellwork import perform
from afterrains.stages.drawing import map_tasks
from afterrains.stages.ledger import Ledger
from afterrains.stages.maps import draw
from afterrains.stages.prepare import prepare

prepared = prepare(Path(sys.argv[1]))
(maps,) = map_tasks(prepared)[:1]
ledger = Ledger(Path(sys.argv[2]) / ".store")
for task in prepared.tasks:
    if task.cell.cell_id == maps.cell.cell_id:
        perform(task, ledger)
draw(maps, ledger, Path(sys.argv[2]))
new = [k.function.__name__ for k, known in before.items() if list(k.machine.signatures) != known]
print(new)
"""


def _answer(code: str, *arguments: object) -> str:
    command = [sys.executable, "-c", code, *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    return done.stdout.strip().splitlines()[-1]


def test_code_is_compiled_once_and_what_is_spoilt_is_compiled_anew(tmp_path: Path) -> None:
    """The first process compiles, the second loads; broken files change no figure."""
    folder = tmp_path / "kernels-a"
    first, second = (json.loads(_answer(_ASK, folder)) for _ in range(2))
    assert first["loaded"] == 0 < first["compiled"]
    assert second["compiled"] == 0 < second["loaded"]
    kept = [*folder.rglob("*.nbc"), *folder.rglob("*.nbi")]
    assert kept
    for path in kept:
        path.write_bytes(path.read_bytes()[:100])
    third = json.loads(_answer(_ASK, folder))
    assert third["loaded"] == 0
    assert first["found"] == second["found"] == third["found"] == [[3, 1, 1]]


def test_what_an_earlier_version_kept_goes(tmp_path: Path) -> None:
    """Its folder has another name; folders that are not of this kind stay."""
    older, other = tmp_path / "kernels-0", tmp_path / "else"
    for each in (older, other):
        each.mkdir()
    compiled._forget_others(tmp_path / "kernels-1")
    assert not older.exists()
    assert other.exists()


def test_where_code_is_kept(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """With Python's own compiled modules, and nowhere where it keeps none."""
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    monkeypatch.setattr(sys, "pycache_prefix", str(tmp_path))
    folder = compiled._folder()
    assert folder is not None
    assert folder.is_relative_to(tmp_path)
    assert not list(tmp_path.iterdir())
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    assert compiled._folder() is None


@pytest.mark.parametrize(
    ("module", "heavy"),
    [
        (
            "afterrains.jobs.run",
            (
                "numba",
                "scipy.stats",
                "scipy.linalg",
                "scipy.ndimage",
                "statsmodels",
                "sklearn",
                "xarray",
            ),
        ),
        (
            "afterrains.stages.in_hand",
            ("scipy.stats", "statsmodels", "sklearn", "pyogrio", "xarray"),
        ),
    ],
)
def test_a_process_loads_no_library_that_it_may_not_need(
    module: str, heavy: tuple[str, ...]
) -> None:
    """Each of these takes tens of megabytes, in every worker or while others read."""
    code = f"import sys, {module}; print([name for name in {heavy} if name in sys.modules])"
    assert _answer(code) == "[]"


def test_a_worker_has_all_in_hand_that_reading_and_mapping_call(
    small_sample: Path, tmp_path: Path
) -> None:
    """A kernel called with other types than it was readied for would be compiled in each worker."""
    assert _answer(_RUN, small_sample / "programme.yaml", tmp_path) == "[]"
