"""What donors get: figures that trace back, layers that open, a shared copy that is whole."""

from __future__ import annotations

import hashlib
import json
import re
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pystac
import pytest
from frictionless import Package

from afterrains.delivery.shared_copy import share
from afterrains.errors import OutputError
from afterrains.jobs.run import RunSummary


def test_a_verdict_traces_back_to_its_scenes(undisturbed: RunSummary) -> None:
    """Verdict, seasons, series, scenes, manifest, rule: each step by the keys in the tables."""
    output = undisturbed.output
    manifest = json.loads((output / "manifest.json").read_text(encoding="utf-8"))
    verdict = pd.read_csv(output / "verdicts.csv").dropna(subset="gain").iloc[0]
    seasons = pd.read_csv(output / "seasons.csv", parse_dates=["start", "end"])
    mine = seasons[seasons["site_id"] == verdict["site_id"]].sort_values("start")
    [as_of] = mine[mine["season"] == verdict["as_of"]].to_dict("records")
    assert as_of["kind"] == "dry"
    series = pd.read_csv(output / "series.csv", parse_dates=["date"])
    looks = series[
        (series["site_id"] == verdict["site_id"])
        & series["date"].between(as_of["start"], as_of["end"])
    ]
    assert len(looks) >= verdict["clear_dates"] > 0
    told = {scene["scene_id"]: scene for scene in manifest["scenes_used"]}
    for look in looks.to_dict("records"):
        for scene_id in look["scene_id"].split(";"):
            assert told[scene_id]["acquired"][:10] == f"{look['date']:%Y-%m-%d}"
            assert told[scene_id]["files"]
    # RFC 8785 order of keys; our own digest made a second time.
    rule = manifest["specification"]["content"]
    text = json.dumps(rule, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert hashlib.sha256(text.encode()).hexdigest() == manifest["specification"]["sha256"]
    assert manifest["inputs"]["scenes"][verdict["site_id"]][verdict["as_of"]]
    for entry in manifest["files"]:
        data = (output / entry["path"]).read_bytes()
        assert hashlib.sha256(data).hexdigest() == entry["sha256"]


def test_an_analyst_opens_every_file_as_the_guide_says(
    undisturbed: RunSummary, tmp_path: Path
) -> None:
    """The Python of docs/donors.md as printed: every table, the sites, the maps of one site."""
    guide = (Path(__file__).parents[2] / "docs" / "donors.md").read_text(encoding="utf-8")
    examples = re.findall(r"<!-- analyst -->\n```python\n(.*?)^```$", guide, re.M | re.S)
    (tmp_path / "sample_scenes").mkdir()
    (tmp_path / "sample_scenes" / "out").symlink_to(undisturbed.output.parent)
    for code in examples:
        told = subprocess.run(
            [sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, timeout=120
        )
        assert told.returncode == 0, told.stderr
    assert len(examples) == 2 and "NDVI a year" in told.stdout


def test_costs_agree_across_tables(undisturbed: RunSummary) -> None:
    """costs.csv, what_works.csv and verdicts.csv name one price."""
    output = undisturbed.output
    costs = pd.read_csv(output / "costs.csv")
    works = pd.read_csv(output / "what_works.csv")
    both = costs.merge(works, on=["factor", "level"], suffixes=("", "_works"))
    assert len(both) == len(works)
    np.testing.assert_allclose(both["cost_per_gained_ha"], both["cost_per_gained_ha_works"])
    verdicts = pd.read_csv(output / "verdicts.csv")
    gained = verdicts[verdicts["verdict"] == "gain"]
    np.testing.assert_allclose(
        gained["cost_per_gained_ha"], gained["cost"] / gained["area_ha"], rtol=1e-4
    )


def test_sites_open_as_geoparquet(undisturbed: RunSummary) -> None:
    """Geopandas and pyarrow read it; version, CRS and ground are those of GeoParquet 1.1."""
    file = undisturbed.output / "sites.parquet"
    layer = gpd.read_parquet(file)
    plain = gpd.read_file(undisturbed.output / "sites.geojson")
    assert layer.crs == "OGC:CRS84" or layer.crs == "EPSG:4326"
    assert layer["site_id"].tolist() == plain["site_id"].tolist()
    assert layer.geometry.geom_equals(plain.geometry).all()
    meta = json.loads(pq.read_schema(file).metadata[b"geo"])
    assert meta["version"] == "1.1.0"
    assert meta["columns"]["geometry"]["encoding"] == "WKB"
    verdicts = pd.read_csv(undisturbed.output / "verdicts.csv").set_index("site_id")
    sown = layer[layer["role"] == "sown"].set_index("site_id")
    assert sown["verdict"].to_dict() == verdicts["verdict"].to_dict()
    np.testing.assert_allclose(sown["gain"], verdicts["gain"].reindex(sown.index))
    assert layer.loc[layer["role"] == "control", "verdict"].isna().all()


def test_the_shared_copy_is_whole(shared: Path, undisturbed: RunSummary) -> None:
    """It opens as the results do: package, catalogue, layers, page, manifest; verdicts unmoved."""
    report = Package(str(shared / "datapackage.json")).validate()
    assert report.valid, report.flatten(["title", "rowNumber", "fieldName", "message"])[:10]
    items = list(pystac.Catalog.from_file(str(shared / "catalog.json")).get_items())
    assert [item.id for item in items] == ["sites"]
    for asset in items[0].assets.values():
        assert Path(asset.get_absolute_href() or "").is_file()
    cells = gpd.read_parquet(shared / "sites.parquet")
    inside = gpd.read_parquet(undisturbed.output / "sites.parquet").representative_point()
    assert cells.geometry.covers(inside).all()
    west, south, east, north = cells.total_bounds
    assert min(east - west, north - south) >= 0.1 - 1e-9
    assert (shared / "report" / "index.html").is_file()
    manifest = json.loads((shared / "manifest.json").read_text(encoding="utf-8"))
    assert {entry["path"] for entry in manifest["files"]} == {
        path.relative_to(shared).as_posix()
        for path in shared.rglob("*")
        if path.is_file() and path != shared / "manifest.json"
    }
    before = pd.read_csv(undisturbed.output / "verdicts.csv").drop(columns="name")
    pd.testing.assert_frame_equal(pd.read_csv(shared / "verdicts.csv").drop(columns="name"), before)


def test_a_copy_never_covers_what_is_there(shared: Path, undisturbed: RunSummary) -> None:
    """A folder in use, and a cell too fine to hide anything, are refused."""
    with pytest.raises(OutputError, match="holds something already"):
        share(undisturbed.output, shared)
    with pytest.raises(OutputError, match="too fine"):
        share(undisturbed.output, shared / "x", cell_degrees=0.01)


def test_the_commands(undisturbed: RunSummary, tmp_path: Path) -> None:
    """`share` asks for the flag; `compare` of a run with its own kept season finds nothing new."""

    def afterrains(*arguments: object) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "afterrains.cli", *map(str, arguments)]
        return subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)

    refused = afterrains("share", undisturbed.output, tmp_path / "copy")
    assert refused.returncode == 2
    assert "--coarse-locations" in refused.stderr
    assert not (tmp_path / "copy").exists()
    kept = undisturbed.output / "history" / undisturbed.as_of
    ran = afterrains("compare", kept, undisturbed.output, "--to", tmp_path, "--json")
    assert ran.returncode == 0, ran.stderr
    told = json.loads(ran.stdout)
    assert {row["causes"] for row in told["changes"]} == {""}
    assert not any(row["verdict_changed"] for row in told["changes"])
    assert (tmp_path / "changes.csv").is_file()
    inside = afterrains("compare", kept, undisturbed.output, "--to", undisturbed.output)
    assert inside.returncode != 0
    assert "holds the results of a run" in " ".join(inside.stderr.split())
