"""The package as it is installed: built as a wheel, unpacked apart from the checkout, and run."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import sysconfig
import zipfile
from pathlib import Path

import pytest

_PROJECT = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the wheel's files alone."""
    pytest.importorskip("hatchling")
    built, place = tmp_path_factory.mktemp("wheel"), tmp_path_factory.mktemp("installed")
    build = "import sys; from hatchling.build import build_wheel; print(build_wheel(sys.argv[1]))"
    subprocess.run([sys.executable, "-c", build, str(built)], cwd=_PROJECT, check=True)
    (wheel,) = built.glob("*.whl")
    with zipfile.ZipFile(wheel) as packed:
        packed.extractall(place)
    return place


def _afterrains(installed: Path, folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    # The libraries' folder is named, not visited, so the checkout's own entry there stays unread.
    path = os.pathsep.join([str(installed), sysconfig.get_paths()["purelib"]])
    return subprocess.run(
        [sys.executable, "-I", "-c", _START, path, *arguments],
        cwd=folder,
        capture_output=True,
        text=True,
    )


_START = """
import os, sys
sys.path[:0] = sys.argv[1].split(os.pathsep)
sys.argv[1:] = sys.argv[2:]
import afterrains
assert afterrains.__file__.startswith(sys.path[0]), afterrains.__file__
from afterrains.cli import main
main()
"""


def test_the_wheel_holds_what_the_package_needs(installed: Path) -> None:
    package = installed / "afterrains"
    for place in ("configs/catalogues/sentinel-2-l2a.yaml", "delivery/page/texts/en.yaml"):
        assert (package / place).is_file(), place
    listed = subprocess.run(
        ["git", "ls-files", "pipeline/afterrains"], cwd=_PROJECT, capture_output=True, text=True
    )
    if listed.returncode == 0:
        for line in listed.stdout.splitlines():
            assert (installed / Path(line).relative_to("pipeline")).is_file(), line
    (licence,) = installed.glob("*.dist-info/licenses/LICENSE")
    assert licence.stat().st_size > 500


def test_the_wheel_runs_apart_from_the_checkout(installed: Path, tmp_path: Path) -> None:
    told = _afterrains(installed, tmp_path, "--help")
    assert told.returncode == 0, told.stderr
    assert "Which sown dryland sites regenerate" in told.stdout
    programme = _PROJECT / "sample_scenes" / "programme.yaml"
    checked = _afterrains(installed, tmp_path, "check", str(programme))
    # The sample's scenes may not be written; every other input is in the checkout.
    assert checked.returncode in (0, 2), checked.stderr
    assert "Traceback" not in checked.stderr


def test_every_library_of_the_lock_is_on_the_page_of_licences() -> None:
    lock = (_PROJECT / "requirements.lock").read_text(encoding="utf-8")
    page = (_PROJECT / "docs" / "licences.md").read_text(encoding="utf-8")
    names = {line.split("==")[0] for line in lock.splitlines() if re.match(r"[a-z0-9].*==", line)}
    told = {line.split(" | ")[0].removeprefix("| ") for line in page.splitlines()[7:]}
    assert len(names) > 50
    assert told == names
