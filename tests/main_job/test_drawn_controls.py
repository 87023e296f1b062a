"""A programme without one listed control, from check to page, on one ground of the small sample."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest

from afterrains.delivery.drawn_layer import FILE
from afterrains.delivery.shared_copy import share
from afterrains.drawn import NOT_VISITED
from afterrains.jobs.estimate import estimate
from afterrains.jobs.outlook import outlook_of
from afterrains.jobs.run import RunSummary, run_programme
from afterrains.jobs.visits import plan_visits
from afterrains.stages.prepare import check_programme, prepare

_DRAWN = "controls: {choose: sampled, drawn: {number: 8, apart_m: 50, within_m: 900}}"


@pytest.fixture(scope="module")
def programme(small_sample: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The programme file: the west ground's sown sites alone."""
    folder = tmp_path_factory.mktemp("drawn") / "programme"
    shutil.copytree(small_sample, folder, ignore=shutil.ignore_patterns("out"))
    sites = gpd.read_file(folder / "sites.geojson")
    middle = sites.geometry.representative_point().x
    west = sites[(sites["role"] == "sown") & (middle < middle.mean())]
    (folder / "sites.geojson").unlink()
    west.to_file(folder / "sites.geojson", driver="GeoJSON")
    sowing = pd.read_csv(folder / "sowing.csv", dtype=str)
    sowing[sowing["site_id"].isin(west["site_id"])].to_csv(folder / "sowing.csv", index=False)
    file = folder / "programme.yaml"
    file.write_text(file.read_text().replace("controls: {choose: listed}", _DRAWN))
    return file


@pytest.fixture(scope="module")
def drawn_run(programme: Path) -> RunSummary:
    """Checked and estimated beforehand, then run."""
    told = check_programme(programme)
    assert {finding.severity for finding in told} == {"warning"}
    assert "drawn-not-visited" in {finding.code for finding in told}
    assert estimate(programme).tasks > 0
    return run_programme(programme, workers=2)


def test_no_false_gain_and_no_true_one_denied(drawn_run: RunSummary, programme: Path) -> None:
    """Truth: the cover with and without sowing that the sample was drawn from."""
    assert drawn_run.exit_status == 0
    truth = pd.read_csv(programme.parent / "truth" / "seasons.csv")
    points = truth.set_index(["site_id", "season"])["gain_points"]
    history = pd.read_csv(drawn_run.output / "verdict_history.csv")
    key = zip(history["site_id"], history["as_of"], strict=True)
    true = pd.Series([points[each] for each in key], index=history.index)
    assert not ((history["verdict"] == "gain") & (true <= 0)).any()
    assert not (history["verdict"].isin(["loss", "no-gain"]) & (true >= 10)).any()
    judged = history[history["gain"].notna()]
    assert len(judged) and (judged["controls"] >= 5).all()


def test_every_control_is_told_as_drawn_and_seen_by_nobody(drawn_run: RunSummary) -> None:
    controls = pd.read_csv(drawn_run.output / "controls.csv", keep_default_na=False)
    assert set(controls["origin"]) == {"drawn"} and len(controls) >= 8
    assert controls["note"].str.endswith(NOT_VISITED).all()
    layer = gpd.read_file(drawn_run.output / FILE)
    assert set(layer["site_id"]) == set(controls["site_id"])
    sown = gpd.read_file(drawn_run.output / "sites.geojson")
    metres = [each.to_crs("EPSG:32631") for each in (layer, sown[sown["role"] == "sown"])]
    assert metres[0].geometry.distance(metres[1].union_all()).min() >= 50
    page = (drawn_run.output / "report" / "index.html").read_text(encoding="utf-8")
    assert "were drawn around the sown ground and have been seen by nobody" in page
    rule = json.loads((drawn_run.output / "manifest.json").read_text())["specification"]["content"]
    assert rule["compared_with"]["drawn"]["seed"] == 1


def test_a_later_season_is_judged_on_the_same_patches(
    drawn_run: RunSummary, programme: Path
) -> None:
    """The plan of a run that ends later: same ground, and of whole seasons the same tasks."""
    before = prepare(programme)
    assert before.drawn is not None and not before.drawn.changed
    text = programme.read_text()
    later = programme.with_name("later.yaml")
    later.write_text(text.replace("end: 2023-12-31", "end: 2024-03-31"))
    after = prepare(later)
    assert after.drawn is not None and not after.drawn.changed
    assert after.register.sites.geometry.equals(before.register.sites.geometry)
    shared = {task.key for task in before.tasks} & {task.key for task in after.tasks}
    assert len(shared) >= len(before.tasks) - 1


def test_a_second_run_does_nothing(drawn_run: RunSummary, programme: Path) -> None:
    assert run_programme(programme, workers=1).tasks_done == 0


def test_outlook_visits_and_the_shared_copy_know_of_drawn_ground(
    drawn_run: RunSummary, programme: Path, tmp_path: Path
) -> None:
    used = pd.read_csv(drawn_run.output / "controls.csv")["used_by"] > 0
    outlook = outlook_of(programme)
    assert outlook.gains is not None
    of_sites = outlook.gains[outlook.gains["scope"] == "site"]
    assert set(of_sites["controls"]) == {int(used.sum())}
    visits = plan_visits(programme, points=40).visits
    assert visits["site_id"].str.startswith("drawn-").any()
    copy = tmp_path / "copy"
    share(drawn_run.output, copy)
    assert not list(copy.rglob("drawn_controls*"))
    cells = gpd.read_file(copy / "sites.geojson")
    assert cells["site_id"].str.startswith("drawn-").any()
    assert (cells.bounds["maxx"] - cells.bounds["minx"] > 0.0999).all()
