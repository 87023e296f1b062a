"""A run with a woody-cover model that needs radar: figures, a season without, a broken file."""

from __future__ import annotations

import json
import os
import shutil
from dataclasses import dataclass, replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
from rasterio.features import geometry_mask

from afterrains.errors import InputError
from afterrains.jobs.estimate import reckon
from afterrains.jobs.run import RunSummary, run_programme
from afterrains.register import read_plots
from afterrains.sample.district import GROUNDS
from afterrains.sample.ground import GroundModel
from afterrains.sample.products import write_product
from afterrains.sample.radar_scenes import RADAR_COLLECTION, RadarPass, radar_passes
from afterrains.sample.weather import make_weather
from afterrains.stages.ledger import Ledger
from afterrains.stages.prepare import Prepared, check_programme, prepare
from afterrains.stages.radarwork import perform_radar
from afterrains.stages.woodywork import load_with_radar
from afterrains.woody import DEFAULT_FEATURES, CardFacts, fit, gather, save
from afterrains.woody.features import radar_features
from afterrains.woody.model import RadarTrial

_TRACK = "descending-154"
_WITHOUT = "2019-dry"
"""A season with too few passes, as where a satellite was lost."""


@dataclass(frozen=True)
class RadarRun:
    """Two runs of one programme: with a radar file that breaks off, and mended."""

    programme: Path
    planned: Prepared
    """For fitting a model."""
    broken: RunSummary
    broken_scene: str
    seasons: pd.DataFrame
    whole: RunSummary


def _passes() -> list[RadarPass]:
    """The descending passes of the season's end, but two alone in spring 2020; some ascending."""
    found = []
    for look in radar_passes("small"):
        poor = look.acquired.year == 2020 and look.acquired.month != 6
        if look.acquired.month >= 3 and not poor and look.direction == "descending":
            found.append(look)
    return found + [look for look in radar_passes("small") if look.direction == "ascending"][:4]


@pytest.fixture(scope="module")
def programme(small_sample: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small sample's own optical scenes, and radar beside them."""
    folder = tmp_path_factory.mktemp("radar")
    scenes = folder / "scenes"
    (scenes / RADAR_COLLECTION).mkdir(parents=True)
    weather = make_weather(1, 2023)
    grounds = {name: GroundModel(name, "small", 1, weather) for name in GROUNDS}
    items = [write_product(look, scenes, 1, grounds) for look in _passes()]
    collection = {
        "type": "Collection", "stac_version": "1.0.0", "id": RADAR_COLLECTION, "license": "MIT",
        "description": "radar", "stac_extensions": [],
        "extent": {"spatial": {"bbox": [[-180, -90, 180, 90]]},
                   "temporal": {"interval": [["2016-01-01T00:00:00Z", None]]}},
        "links": [{"rel": "item", "href": f"./{item}/{item}.json"} for item in items],
    }  # fmt: skip
    (scenes / RADAR_COLLECTION / "collection.json").write_text(json.dumps(collection))
    optical = os.path.relpath(small_sample / "scenes" / "sentinel-2-l2a", scenes)
    children = [f"{optical}/collection.json", f"./{RADAR_COLLECTION}/collection.json"]
    root = {
        "type": "Catalog", "stac_version": "1.0.0", "id": "both", "description": "both",
        "links": [{"rel": "child", "href": href} for href in children],
    }  # fmt: skip
    (scenes / "catalog.json").write_text(json.dumps(root))
    for name in ("sites.geojson", "sowing.csv", "rain.csv", "plots.csv", "programme.yaml"):
        shutil.copy(small_sample / name, folder / name)
    path = folder / "programme.yaml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("[sentinel-2-l2a]", "[sentinel-2-l2a, sentinel-1-rtc]"))
    return path


def test_radar_that_nothing_uses_is_named_and_changes_nothing(
    programme: Path, small_sample: Path
) -> None:
    """Equal keys are equal results: every task of the run is that of the run without radar."""
    plain, named = prepare(small_sample / "programme.yaml"), prepare(programme)
    assert [task.key for task in named.tasks] == [task.key for task in plain.tasks]
    assert (named.radar, named.bands, named.indices) == ((), plain.bands, plain.indices)
    assert named.scenes == plain.scenes
    refused = [each for each in named.refused if each.collection == RADAR_COLLECTION]
    assert {each.reason for each in refused} == {"radar-unused"}
    assert len(refused) == len(_passes())
    assert [each.code for each in check_programme(programme)] == ["radar-unused"]
    found = reckon(named, named.tasks, timed=False)
    assert (found.radar_scenes, found.refused["radar-unused"]) == (0, len(refused))


@pytest.fixture(scope="module")
def radar_run(programme: Path, undisturbed: RunSummary) -> RadarRun:
    """A model of optical features and radar, whatever it is worth; one scene cannot be read."""
    out = programme.parent / "out" / "dune-edge"
    shutil.copytree(undisturbed.output / ".store", out / ".store")
    ledger = Ledger(out / ".store")
    planned = prepare(programme, training=True)
    assert planned.radar_tracks == (_TRACK,)
    for task in planned.radar:
        perform_radar(task, ledger)
    keys = {(task.cell.cell_id, task.season): task.key for task in planned.tasks}
    radar = {(task.cell.cell_id, task.season): task.key for task in planned.radar}
    gathered = gather(
        read_plots(programme.parent / "plots.csv"),
        {cell.cell_id: cell.geobox for cell in planned.cells},
        planned.calendar,
        lambda *place: load_with_radar(ledger, keys.get(place), radar.get(place)),
        names=(*DEFAULT_FEATURES, *radar_features([_TRACK])),
    )
    model = fit(gathered.plots, gathered.features)
    trial = RadarTrial((_TRACK,), len(model.scores), 3.0, 2.0, True, "for this test")
    save(replace(model, radar=trial), programme.parent / "models" / "r", CardFacts("r", "MIT"))
    text = programme.read_text(encoding="utf-8")
    programme.write_text(text + "woody: {model: models/r}\n", encoding="utf-8")
    look = planned.radar[-1].overpasses[2].scenes[0]
    file = Path(look.bands["vh"].href)
    sound = file.read_bytes()
    for task in planned.radar:
        if any(scene == look for each in task.overpasses for scene in each.scenes):
            ledger.forget(task.key)
    file.write_bytes(sound[: len(sound) // 2])
    broken = run_programme(programme, workers=1)
    file.write_bytes(sound)
    whole = run_programme(programme, workers=1)
    seasons = pd.read_csv(whole.output / "seasons.csv")
    programme.write_text(text, encoding="utf-8")
    return RadarRun(programme, planned, broken, look.scene_id, seasons, whole)


def test_an_estimate_counts_radar(radar_run: RadarRun) -> None:
    """Sizes on the disk: the cells hold nearly all of the files of the passes that are read."""
    planned = radar_run.planned
    scenes = {s.scene_id: s for t in planned.radar for look in t.overpasses for s in look.scenes}
    files = [Path(asset.href) for scene in scenes.values() for asset in scene.bands.values()]
    found = reckon(planned, planned.radar, timed=False)
    whole = sum(file.stat().st_size for file in files)
    assert (found.radar_scenes, found.files) == (len(scenes), len(files))
    assert 0.9 * whole < found.local_bytes < 1.1 * whole
    assert found.tasks == len(planned.radar)


def test_a_radar_file_that_cannot_be_read_is_named(radar_run: RadarRun) -> None:
    """Contract section 5: status 1; mended, the same command reads it alone."""
    assert radar_run.broken.exit_status == 1
    assert {scene for scene, _, _ in radar_run.broken.unreadable} == {radar_run.broken_scene}
    assert {band for _, band, _ in radar_run.broken.unreadable} == {"vh"}
    assert radar_run.whole.exit_status == 0
    assert 1 <= radar_run.whole.tasks_done <= 2  # cells that the scene reaches


def test_cover_from_radar_is_judged_and_a_season_without_is_a_gap(radar_run: RadarRun) -> None:
    """Woody figures in every season but the one with too few passes; most verdicts in points."""
    dry = radar_run.seasons[radar_run.seasons["kind"] == "dry"]
    share = dry.groupby("season")["woody_percent"].apply(lambda v: v.notna().mean())
    complete = share.drop(_WITHOUT)[share.drop(_WITHOUT) > 0]
    assert share[_WITHOUT] == 0
    assert len(complete) >= 6
    assert complete.min() > 0.7
    seen, inside = _seen_and_inside(radar_run)
    # No ground drops out of the domain for its radar. What puts a site on greenness is the season
    # without radar and one more that clouds hid: four in five of eight seasons are seven.
    assert inside.groupby("site_id").mean().min() > 0.75
    others = seen.drop(columns=_WITHOUT).min(axis="columns")
    unit = radar_run.whole.verdicts.set_index("site_id")["gain_unit"]
    clear, hidden = others[others > 0.55].index, others[others < 0.45].index
    assert len(clear) >= 9
    assert set(unit[unit.index.isin(clear)]) == {"points"}
    assert set(unit[unit.index.isin(hidden)]) == {"ndvi"}
    block = next(radar_run.whole.output.glob(f"rasters/*/woody_percent_{_WITHOUT}.tif"))
    with rasterio.open(block) as cover:
        assert np.isnan(cover.read(1)).all()


def _seen_and_inside(run: RadarRun) -> tuple[pd.DataFrame, pd.Series]:
    """Of each sown site, from the rasters: share with cover by season, and of that in the domain.

    One pixel of rim is left out, as the run leaves out.
    """
    rows = []
    for path in run.whole.output.glob("rasters/*/woody_percent_*.tif"):
        with rasterio.open(path) as raster:
            cover, domain = raster.read(1), raster.read(4)
            sites = gpd.read_file(run.programme.parent / "sites.geojson").to_crs(raster.crs)
            sites = sites[sites["role"] == "sown"]
            for site_id, outline in zip(sites["site_id"], sites.buffer(-10), strict=True):
                within = geometry_mask([outline], cover.shape, raster.transform, invert=True)
                known = within & np.isfinite(cover)
                if within.any():
                    share = known.sum() / within.sum()
                    season = path.stem.removeprefix("woody_percent_")
                    rows.append((site_id, season, share, domain[known].mean() if share else np.nan))
    table = pd.DataFrame(rows, columns=["site_id", "season", "seen", "inside"])
    table = table.groupby(["site_id", "season"]).max()
    return table["seen"].unstack(), table["inside"]


def test_the_manifest_counts_radar_apart_from_looks(
    radar_run: RadarRun, undisturbed: RunSummary
) -> None:
    """Every radar scene is used or refused with its reason; series and looks hold none."""
    output = radar_run.whole.output
    told = json.loads((output / "manifest.json").read_text(encoding="utf-8"))
    used = [each for each in told["scenes_used"] if each["collection"] == RADAR_COLLECTION]
    refused = [each for each in told["scenes_refused"] if each["collection"] == RADAR_COLLECTION]
    assert len(used) + len(refused) == len(_passes())
    assert {each["reason"] for each in refused} >= {"radar-other-track"}
    assert told["specification"]["content"]["woody_model"]["radar_tracks"] == [_TRACK]
    for name in ("series.csv", "looks.csv"):
        assert (output / name).read_bytes() == (undisturbed.output / name).read_bytes()
    dates = radar_run.whole.verdicts["clear_dates"].to_list()
    assert dates == undisturbed.verdicts["clear_dates"].to_list()


def test_a_model_that_needs_radar_the_scenes_lack_is_refused(radar_run: RadarRun) -> None:
    """Not silently greenness: the collection is left out of the programme file."""
    path = radar_run.programme.parent / "without.yaml"
    text = radar_run.programme.read_text(encoding="utf-8").replace(", sentinel-1-rtc]", "]")
    path.write_text(text + "woody: {model: models/r}\n", encoding="utf-8")
    with pytest.raises(InputError, match="needs radar of descending-154, which the scenes do not"):
        prepare(path)


@pytest.mark.parametrize(
    ("collections", "code", "words"),
    [
        ("[sentinel-1-rtc]", "radar-alone", "tells no greenness"),
        ("[sentinel-2-l2a, sentinel-1-rtc, sentinel1-rtc-aws]", "radar-twice", "are both radar"),
    ],
)
def test_radar_that_cannot_serve_is_refused_with_its_mend(
    programme_copy: Path, collections: str, code: str, words: str
) -> None:
    """As `afterrains check` tells it."""
    text = programme_copy.read_text(encoding="utf-8")
    programme_copy.write_text(text.replace("[sentinel-2-l2a]", collections), encoding="utf-8")
    told = check_programme(programme_copy)
    assert [(each.severity, each.code) for each in told] == [("error", code)]
    assert words in told[0].what
    assert "name" in told[0].mend
