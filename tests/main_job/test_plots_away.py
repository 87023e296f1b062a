"""Field plots away from the sites: cells of their own, in the seasons of their surveys alone."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

from afterrains.errors import InputError
from afterrains.jobs.estimate import estimate
from afterrains.jobs.train import train_programme
from afterrains.stages.prepare import prepare

_FAR = ("p900", 12.0, 14.0)  # some thousand kilometres east
_UNSEEN = ("p901", 3.4, 14.0)  # some 40 km from the sites, under no scene of the sample


@pytest.fixture(scope="module")
def west(small_sample: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small sample with the sites of one ground; its plots lie on both, two more far away."""
    folder = tmp_path_factory.mktemp("west")
    kinds = pd.read_csv(small_sample / "truth" / "sites.csv").set_index("site_id")["ground"]
    sites = json.loads((small_sample / "sites.geojson").read_text(encoding="utf-8"))
    sites["features"] = [
        each for each in sites["features"] if kinds[each["properties"]["site_id"]] == "west"
    ]
    (folder / "sites.geojson").write_text(json.dumps(sites), encoding="utf-8")
    sowing = pd.read_csv(small_sample / "sowing.csv", dtype=str)
    here = sowing["site_id"].map(kinds) == "west"
    sowing[here].to_csv(folder / "sowing.csv", index=False)
    plots = pd.read_csv(small_sample / "plots.csv", dtype=str)
    more = plots.iloc[:2].assign(site_id="")
    for column, at in (("plot_id", 0), ("lon", 1), ("lat", 2)):
        more[column] = [str(each[at]) for each in (_FAR, _UNSEEN)]
    pd.concat([plots, more]).to_csv(folder / "plots.csv", index=False)
    text = (small_sample / "programme.yaml").read_text(encoding="utf-8")
    text = text.replace("table: rain.csv", f"table: {small_sample / 'rain.csv'}")
    text = text.replace("scenes/catalog.json", str(small_sample / "scenes" / "catalog.json"))
    (folder / "programme.yaml").write_text(text, encoding="utf-8")
    (folder / "with_plots.yaml").write_text(text + "woody: {train: plots.csv}\n", encoding="utf-8")
    return folder


def test_a_plan_holds_the_ground_of_plots_and_nothing_more(west: Path) -> None:
    """By construction: each plot cell is read in one dry season, that of its plots' surveys."""
    plain, plan = prepare(west / "programme.yaml"), prepare(west / "with_plots.yaml")
    assert plain.plot_tasks == ()
    assert [task.cell for task in plan.tasks] == [task.cell for task in plain.tasks]
    assert plan.plot_tasks
    for task in plan.plot_tasks:
        assert task.kind == "dry"
        assert task.cell.cell_id.endswith(f"-plots-{task.season}")
        assert not task.cores
    assert len({task.cell.cell_id for task in plan.plot_tasks}) == len(plan.plot_tasks)
    codes = {finding.code: finding.what for finding in plan.warnings}
    assert "'p900'" in codes["plots-too-far"] and "'p901'" in codes["plots-no-scene"]
    assert plan.plots is not None and len(plan.plots) == 90
    told = estimate(west / "with_plots.yaml", workers=1)
    assert told.plot_cells == len(plan.plot_tasks)
    assert told.tasks == len(plan.all_tasks)


def test_training_uses_plots_away_from_the_sites(west: Path) -> None:
    """The plots of both grounds teach, and the reads stay those of the seasons they need."""
    trained = train_programme(west / "plots.csv", west / "programme.yaml", workers=1)
    lon = pd.read_csv(west / "plots.csv").set_index("plot_id")["lon"]
    used = lon[trained.model.training["plot_id"]]
    middle = lon.drop(["p900", "p901"]).mean()
    assert (used < middle).sum() > 30 and (used > middle).sum() > 30
    assert {"plots-too-far", "plots-no-scene"}.isdisjoint(
        finding.code for finding in trained.findings
    )
    assert trained.plots_given == 92


def test_a_budget_counts_the_ground_of_plots(west: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is read for plots is reckoned with the rest before anything is pulled."""
    text = (west / "programme.yaml").read_text(encoding="utf-8")
    tight = west / "tight.yaml"
    tight.write_text(
        text.replace("max_cloud_percent: 80", "max_cloud_percent: 80\n  budget_gb: 0.001").replace(
            "output: out", "output: tight"
        ),
        encoding="utf-8",
    )
    asked = []

    def noted(prepared, waiting, file):
        asked.extend(task.cell.cell_id for task in waiting)
        raise InputError([])

    monkeypatch.setattr("afterrains.jobs.train.check_budget", noted)
    with pytest.raises(InputError):
        train_programme(west / "plots.csv", tight, to=west / "other", workers=1)
    assert any("-plots-" in cell for cell in asked)
