"""An estimate against what a server then counts, and a budget that stops a run."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from range_server import RangeServer

from afterrains.errors import InputError
from afterrains.jobs.estimate import estimate
from afterrains.jobs.run import run_programme
from afterrains.sample import SamplePaths

pytestmark = pytest.mark.slow


def write_programme(sample: SamplePaths, server: RangeServer, folder: Path, more: str = "") -> Path:
    """The sample's programme of its last year and a half, its scenes behind an address."""
    folder.mkdir()
    for path in (sample.sites, sample.sowing, sample.rain):
        shutil.copy(path, folder / path.name)
    text = sample.programme.read_text(encoding="utf-8")
    text = text.replace("scenes/catalog.json", f"{server.address}/scenes/catalog.json")
    text = text.replace("start: 2016-01-01", f"start: 2022-06-01{more}")
    programme = folder / "programme.yaml"
    programme.write_text(text, encoding="utf-8")
    return programme


def test_bytes_and_requests_are_what_the_server_counts(
    sample: SamplePaths, sample_server: RangeServer, tmp_path: Path
) -> None:
    """Within a third: blocks of other days are smaller or larger than those looked into, and of
    scenes that are all cloud no band is read.
    """
    programme = write_programme(sample, sample_server, tmp_path / "programme")
    told = estimate(programme, workers=1)
    assert told.store_bytes == 0
    before_requests, before_bytes = sample_server.requests, sample_server.bytes_sent
    done = run_programme(programme, workers=1)
    documents = sample.catalogue.parent.glob("**/*.json")
    catalogue = sum(path.stat().st_size for path in documents)
    pulled = sample_server.bytes_sent - before_bytes - catalogue
    assert told.pulled_bytes == pytest.approx(pulled, rel=0.33)
    asked = sample_server.requests - before_requests
    assert told.requests == pytest.approx(asked, rel=0.5)
    assert told.local_bytes == 0
    manifest = json.loads((done.output / "manifest.json").read_text(encoding="utf-8"))
    kept = manifest["times"]["local_store_bytes"]
    assert kept == done.store_bytes == estimate(programme, workers=1).store_bytes
    assert kept == pytest.approx(pulled, rel=0.02)  # and a digest for each part


def test_a_budget_stops_a_run_before_an_image_is_pulled(
    sample: SamplePaths, sample_server: RangeServer, tmp_path: Path
) -> None:
    """A megabyte for some ten: told with both figures, and nothing is written."""
    programme = write_programme(
        sample, sample_server, tmp_path / "programme", "\n  budget_gb: 0.001"
    )
    with pytest.raises(InputError, match=r"would pull about 0\.0\d+ GB from servers") as caught:
        run_programme(programme, workers=1)
    assert caught.value.exit_status == 2
    assert not list(programme.parent.glob("out/*/*.csv"))
