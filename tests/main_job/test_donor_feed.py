"""What donors get: figures that trace back, layers that open, and no place in the shared copy."""

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
import shapely
from frictionless import Package

from afterrains.delivery.shared_copy import share
from afterrains.errors import OutputError
from afterrains.jobs.run import RunSummary


@pytest.fixture(scope="session")
def shared(undisturbed: RunSummary, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The shared copy of the small sample's results."""
    folder = tmp_path_factory.mktemp("shared") / "copy"
    share(undisturbed.output, folder)
    return folder


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


def _true_coordinates(output: Path, programme: Path) -> tuple[set[str], list[float]]:
    """Every corner and middle, in degrees and in metres, as text and as numbers."""
    degrees = gpd.read_parquet(output / "sites.parquet")
    metres = degrees.to_crs(degrees.estimate_utm_crs())
    points = [
        value
        for layer in (degrees, metres)
        for shapes in (layer.geometry, layer.geometry.centroid)
        for value in shapely.get_coordinates(shapes.to_numpy()).ravel()
    ]
    texts = {f"{value:.3f}" for value in points if abs(value) < 360}
    texts |= {f"{int(value)}" for value in points if abs(value) >= 360}
    return texts, points


@pytest.mark.filterwarnings("ignore:Geometry is in a geographic CRS")
def test_no_place_is_left_in_the_shared_copy(
    shared: Path, undisturbed: RunSummary, small_sample: Path
) -> None:
    """Every file is searched for every true corner and middle to three decimals, and for names."""
    texts, points = _true_coordinates(undisturbed.output, small_sample)
    assert len(texts) > 50
    names = {name for name in pd.read_csv(undisturbed.output / "verdicts.csv")["name"].dropna()}
    true = gpd.read_parquet(undisturbed.output / "sites.parquet")
    longitudes = sorted({round(x, 3) for x in shapely.get_coordinates(true.geometry)[:, 0]})
    number = re.compile(r"(?<![\w.])-?\d+\.\d{3,}|(?<![\w.])\d{6,7}(?![\w])")
    found = 0
    for file in sorted(path for path in shared.rglob("*") if path.is_file()):
        found += 1
        data = file.read_bytes()
        for name in names:
            assert name.encode() not in data, (file.name, name)
        assert b"X-Amz" not in data
        assert not re.search(rb"https?://[^\s\"'<>]*\?[^\s\"'<>]*(sig|token|se)=", data)
        if file.suffix == ".parquet":
            table = pq.read_table(file)
            for column in table.schema.names:
                _no_true_number(table[column].to_pylist(), longitudes, file.name, column)
            continue
        text = data.decode("utf-8")
        for told in number.findall(text):
            if "." in told:
                assert f"{float(told):.3f}" not in texts, (file.name, told)
            else:
                assert told not in texts, (file.name, told)
    assert found > 10
    assert not list(shared.rglob("*.tif"))
    assert points


def _no_true_number(values: list[object], longitudes: list[float], file: str, column: str) -> None:
    for value in values:
        if isinstance(value, bytes):
            for x in shapely.get_coordinates(shapely.from_wkb(value))[:, 0]:
                assert round(float(x), 1) == pytest.approx(x), (file, column)
        elif isinstance(value, dict):
            for each in value.values():
                assert round(float(each), 3) not in longitudes, (file, column)


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
