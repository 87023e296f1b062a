"""A small sample programme and one undisturbed run of it, shared by the tests of the main job."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from afterrains.delivery.shared_copy import share
from afterrains.jobs.run import RunSummary, run_programme
from afterrains.sample import write_sample


@pytest.fixture(scope="session")
def small_sample(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of the small sample programme; read only."""
    folder = tmp_path_factory.mktemp("small-sample")
    write_sample(folder, size="small", workers=1)
    return folder


@pytest.fixture(scope="session")
def undisturbed(small_sample: Path) -> RunSummary:
    """One run of the small sample programme, start to end."""
    return run_programme(small_sample / "programme.yaml", workers=2)


@pytest.fixture(scope="session")
def shared(undisturbed: RunSummary, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The shared copy of the small sample's results; read only."""
    folder = tmp_path_factory.mktemp("shared") / "copy"
    share(undisturbed.output, folder)
    return folder


@pytest.fixture
def programme_copy(small_sample: Path, tmp_path: Path) -> Path:
    """The programme file of a copy of the small sample, to be changed or run anew."""
    folder = tmp_path / "programme"
    shutil.copytree(small_sample, folder, ignore=shutil.ignore_patterns("out"))
    return folder / "programme.yaml"


@pytest.fixture(scope="session")
def digests() -> Callable[[Path], dict[str, str]]:
    """SHA-256 of every result in an output folder; of the manifest without its times."""

    def of(folder: Path) -> dict[str, str]:
        found = {}
        for path in sorted(folder.rglob("*")):
            inside = path.relative_to(folder)
            if path.is_dir() or any(part.startswith(".") for part in inside.parts):
                continue
            content = path.read_bytes()
            if inside.name == "manifest.json":
                manifest = json.loads(content)
                manifest.pop("times", None)  # a season kept under history has none
                content = json.dumps(manifest, sort_keys=True).encode()
            found[str(inside)] = hashlib.sha256(content).hexdigest()
        return found

    return of
