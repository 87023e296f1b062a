"""The main job over an HTTP server that fails every tenth request: the same bytes, or told why not.

The sample programme of the last years, its catalogue and scenes behind a server with byte ranges.
"""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path

import pandas as pd
import pytest
from range_server import KINDS, FaultPlan, RangeServer

from afterrains.jobs.run import RunSummary, run_programme
from afterrains.sample import SamplePaths

pytestmark = pytest.mark.slow

FIRST_DAY = "2022-06-01"  # a dry season and the rains on either side: scenes enough for every fault


def write_programme(sample: SamplePaths, catalogue: str, folder: Path) -> Path:
    """The sample's programme from `FIRST_DAY` on, its scenes behind an address."""
    folder.mkdir(parents=True)
    for path in (sample.sites, sample.sowing, sample.rain):
        shutil.copy(path, folder / path.name)
    lines = []
    for line in sample.programme.read_text(encoding="utf-8").splitlines():
        if line.strip().startswith("catalogue:"):
            line = f"  catalogue: {catalogue}"
        if line.strip().startswith("start:"):
            line = f"  start: {FIRST_DAY}"
        lines.append(line)
    programme = folder / "programme.yaml"
    programme.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return programme


def digests(folder: Path, *without: str) -> dict[str, str]:
    """SHA-256 of every result; of the manifest without its times."""
    found = {}
    for path in sorted(folder.rglob("*")):
        inside = path.relative_to(folder)
        if path.is_dir() or any(part.startswith(".") for part in inside.parts):
            continue
        content = path.read_bytes()
        if inside.name == "manifest.json":
            manifest = json.loads(content)
            for key in ("times", *without):
                manifest.pop(key, None)  # a season kept under history has no times
            content = json.dumps(manifest, sort_keys=True).encode()
        found[str(inside)] = hashlib.sha256(content).hexdigest()
    return found


@pytest.fixture(scope="module")
def catalogue(sample: SamplePaths, sample_server: RangeServer) -> str:
    """The sample's catalogue with the items from `FIRST_DAY` on alone."""
    scenes = sample.catalogue.parent
    whole = json.loads((scenes / "sentinel-2-l2a" / "collection.json").read_text(encoding="utf-8"))
    links = [
        {**link, "href": f"../sentinel-2-l2a/{link['href']}"}
        for link in whole["links"]
        if link["rel"] == "item" and link["href"].split("_")[2] >= FIRST_DAY.replace("-", "")
    ]
    assert len(links) > 30
    recent = scenes / "recent"
    recent.mkdir()
    (recent / "collection.json").write_text(json.dumps({**whole, "links": links}))
    root = {"type": "Catalog", "stac_version": "1.0.0", "id": "recent", "description": "Recent."}
    root["links"] = [{"rel": "child", "href": "./collection.json"}]
    (recent / "catalog.json").write_text(json.dumps(root))
    return f"{sample_server.address}/scenes/recent/catalog.json"


@pytest.fixture(scope="module")
def undisturbed(
    sample: SamplePaths, catalogue: str, tmp_path_factory: pytest.TempPathFactory
) -> RunSummary:
    """One run over HTTP without a fault."""
    programme = write_programme(sample, catalogue, tmp_path_factory.mktemp("clean") / "programme")
    return run_programme(programme, workers=2)


def test_every_tenth_request_failing_changes_no_byte(
    sample: SamplePaths,
    sample_server: RangeServer,
    catalogue: str,
    undisturbed: RunSummary,
    tmp_path: Path,
) -> None:
    """Slow, cut, short, lying about length, 403, 404, 429, 500, by a seeded plan."""
    assert undisturbed.exit_status == 0
    programme = write_programme(sample, catalogue, tmp_path / "programme")
    plan = FaultPlan(seed=7)
    before = sample_server.requests
    sample_server.plan = plan
    try:
        disturbed = run_programme(programme, workers=2)
    finally:
        sample_server.plan = None
    asked = sample_server.requests - before
    assert set(plan.done) == set(KINDS), "the plan did not come to every kind of fault"
    assert 0.07 < plan.done.total() / asked < 0.13
    assert disturbed.exit_status == 0
    assert digests(disturbed.output) == digests(undisturbed.output)


def test_a_scene_that_can_never_be_read_is_named_and_all_else_stands(
    sample: SamplePaths,
    sample_server: RangeServer,
    catalogue: str,
    undisturbed: RunSummary,
    tmp_path: Path,
) -> None:
    """Its files answer 500 for ever: exit status 1, and every other look and season as before."""
    series = pd.read_csv(undisturbed.output / "series.csv")
    rains = series["date"].str[5:7].isin(["07", "08", "09"])
    scene = series.loc[rains & (series["clear_fraction"] == 1), "scene_id"].iloc[0]
    programme = write_programme(sample, catalogue, tmp_path / "programme")
    sample_server.plan = FaultPlan(
        every=2**60, always={f"/{scene}/{scene}": "", f"/{scene}/": "500"}
    )
    try:
        hurt = run_programme(programme, workers=2)
    finally:
        sample_server.plan = None
    assert hurt.exit_status == 1
    assert {read[0] for read in hurt.unreadable} == {scene}
    manifest = json.loads((hurt.output / "manifest.json").read_text(encoding="utf-8"))
    assert {read["scene_id"] for read in manifest["unreadable_reads"]} == {scene}
    expected = series[series["scene_id"] != scene].reset_index(drop=True)
    pd.testing.assert_frame_equal(pd.read_csv(hurt.output / "series.csv"), expected)
    now, then = digests(hurt.output), digests(undisturbed.output)
    dry_rasters = {name for name in then if name.startswith("rasters/")}
    assert dry_rasters
    assert {name: now[name] for name in dry_rasters} == {name: then[name] for name in dry_rasters}
