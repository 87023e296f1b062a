"""A run that fits a woody-cover model from plots and judges in points of cover; `train`."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pandas as pd
import pytest
import rasterio
from typer.testing import CliRunner

from afterrains.cli import app
from afterrains.errors import InputError
from afterrains.jobs.run import RunSummary, run_programme
from afterrains.jobs.train import train_programme
from afterrains.woody import model_digest

_TABLES = ("verdicts.csv", "verdict_history.csv", "seasons.csv", "controls.csv")


@pytest.fixture(scope="module")
def in_points(
    small_sample: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[RunSummary, pd.Series]:
    """The small sample with its plots, and the truth of its newest judged season."""
    folder = tmp_path_factory.mktemp("woody")
    text = (small_sample / "programme.yaml").read_text(encoding="utf-8")
    for name in ("sites: sites.geojson", "sowing: sowing.csv", "table: rain.csv"):
        key, file = name.split(": ")
        text = text.replace(name, f"{key}: {small_sample / file}")
    text = text.replace("scenes/catalog.json", str(small_sample / "scenes" / "catalog.json"))
    text += f"woody: {{train: {small_sample / 'plots.csv'}}}\n"
    (folder / "programme.yaml").write_text(text, encoding="utf-8")
    summary = run_programme(folder / "programme.yaml", workers=1)
    truth = pd.read_csv(small_sample / "truth" / "seasons.csv")
    truth = truth[truth["season"] == summary.as_of].set_index("site_id")
    return summary, truth


def test_verdicts_are_in_points_of_cover(in_points: tuple[RunSummary, pd.DataFrame]) -> None:
    """Contract section 4: gain_unit points where a woody model applies."""
    summary, truth = in_points
    judged = summary.verdicts[summary.verdicts["gain"].notna()].set_index("site_id")
    assert (judged["gain_unit"] == "points").mean() > 0.7
    assert set(judged.loc[judged["gain_unit"] == "points", "outcome"]) == {"woody cover"}
    invented = judged[
        (judged["verdict"] == "gain") & (truth["gain_points"].reindex(judged.index) <= 0)
    ]
    assert invented.empty, invented[["verdict", "gain"]]


def test_cover_of_sites_is_near_the_truth(in_points: tuple[RunSummary, pd.DataFrame]) -> None:
    """Site means of the newest season against the cover the sample was drawn from.

    Four points: twice the error that simulations of the full sample gave, for half the plots.
    """
    summary, truth = in_points
    seasons = pd.read_csv(summary.output / "seasons.csv")
    newest = seasons[seasons["season"] == summary.as_of].set_index("site_id")["woody_percent"]
    error = (newest - truth["woody_percent"]).dropna()
    assert len(error) > 20
    assert (error**2).mean() ** 0.5 < 4.0
    # The index that needs no plots: a share of the ground in dry seasons, empty in the rains, and
    # higher where more crowns stand (correlation .54 and .58 on two whole districts).
    dry = seasons[seasons["kind"] == "dry"]
    assert seasons.loc[seasons["kind"] == "rains", "green_fraction"].isna().all()
    assert dry["green_fraction"].dropna().between(0, 1).all()
    newest = dry[dry["season"] == summary.as_of].set_index("site_id")["green_fraction"]
    assert newest.corr(truth["woody_percent"]) > 0.4


def test_woody_rasters_and_model_are_handed_over(
    in_points: tuple[RunSummary, pd.DataFrame],
) -> None:
    """Four bands of cover each season, three of change; the fitted model with its card."""
    summary, _ = in_points
    covers = sorted(summary.output.glob("rasters/*/woody_percent_*.tif"))
    changes = sorted(summary.output.glob("rasters/*/woody_change_*.tif"))
    assert covers
    assert changes
    with rasterio.open(covers[-1]) as cover, rasterio.open(changes[-1]) as change:
        assert (cover.count, change.count) == (4, 3)
    assert (summary.output / "woody_model" / "card.md").is_file()
    assert summary.page.is_file()


def test_the_manifest_names_the_model(in_points: tuple[RunSummary, pd.DataFrame]) -> None:
    """Contract section 4: model digest and seeds; and that a model knows all of its plots."""
    summary, _ = in_points
    manifest = json.loads((summary.output / "manifest.json").read_text(encoding="utf-8"))
    assert manifest["model_sha256"] == model_digest(summary.output / "woody_model")
    told = manifest["specification"]["content"]["woody_model"]
    assert told["sha256"] == manifest["model_sha256"]
    assert told["plots"] >= 30
    assert manifest["seeds"] == {"woody_model": 1}


def test_a_trained_model_gives_what_training_in_the_run_gives(
    in_points: tuple[RunSummary, pd.DataFrame], small_sample: Path
) -> None:
    """The same plots, scenes and seed: equal models and equal tables, and nothing read twice."""
    summary, _ = in_points
    programme = summary.output.parents[1] / "programme.yaml"
    before = {name: (summary.output / name).read_bytes() for name in _TABLES}
    trained = train_programme(small_sample / "plots.csv", programme, workers=1)
    assert trained.tasks_done == 0
    assert trained.tasks_kept > 0
    assert trained.folder == programme.parent / "models" / "dune-edge"
    assert trained.digest == model_digest(summary.output / "woody_model")
    text = programme.read_text(encoding="utf-8")
    with_model = text[: text.index("woody:")] + "woody: {model: models/dune-edge}\n"
    programme.write_text(with_model, encoding="utf-8")
    again = run_programme(programme, workers=1)
    assert again.tasks_done == 0
    assert {name: (again.output / name).read_bytes() for name in _TABLES} == before


def test_train_never_writes_over_a_model_unasked(
    in_points: tuple[RunSummary, pd.DataFrame], small_sample: Path, tmp_path: Path
) -> None:
    """Nor into a folder of something else; fewer plots give another model, and say they are few."""
    summary, _ = in_points
    programme = summary.output.parents[1] / "programme.yaml"
    model = tmp_path / "mine"
    shutil.copytree(summary.output / "woody_model", model)
    plots = small_sample / "plots.csv"
    with pytest.raises(InputError, match="a model is there already; give another folder with --to"):
        train_programme(plots, programme, to=model)
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "notes.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match="holds no model"):
        train_programme(plots, programme, to=tmp_path / "other", replace=True)
    older = model_digest(model)
    asked = ["train", str(plots), str(programme), "--to", str(model), "--replace", "--json"]
    found = CliRunner().invoke(app, [*asked, "--until", "2021-12-31"])
    assert found.exit_code == 0, found.stderr
    told = json.loads(found.stdout)
    assert told["model_sha256"] == model_digest(model) != older
    assert told["plots_used"] < told["plots_given"] == 90
    assert told["few_plots"] is True
    assert told["places_out"]["rmse"] > 0
    assert {"plain line", "dry-season NDVI alone"} <= set(told["simpler_models"])


def test_train_tells_the_faults_of_plots_and_programme_at_once(
    programme_copy: Path,
) -> None:
    """Two wrong rows, a missing sowing table, and a model that is yet to be made is no fault."""
    text = programme_copy.read_text(encoding="utf-8").replace("sowing.csv", "sowings.csv")
    programme_copy.write_text(text + "woody: {model: models/dune-edge}\n", encoding="utf-8")
    plots = programme_copy.parent / "plots.csv"
    rows = plots.read_text(encoding="utf-8").splitlines()
    rows[2] = rows[2].replace(rows[2].split(",")[2], "114.0")
    plots.write_text("\n".join([*rows, rows[3]]) + "\n", encoding="utf-8")
    with pytest.raises(InputError) as told:
        train_programme(plots, programme_copy)
    codes = [finding.code for finding in told.value.findings if finding.severity == "error"]
    assert sorted(codes) == ["missing-file", "plot-bad-number", "plot-same-survey"]
    assert all(finding.mend for finding in told.value.findings)
