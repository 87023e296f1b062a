"""A run that fits a woody-cover model from plots and judges in points of cover."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
import rasterio

from afterrains.run import RunSummary, run_programme


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
