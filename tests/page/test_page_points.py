"""The page of a programme judged in points of cover, where one site and one season have none."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from fake_output import write_output

from afterrains.delivery.page import build
from afterrains.delivery.page.site_tables import read_seasons
from afterrains.delivery.page.texts import load_texts

_COVER = ["woody_percent", "woody_low", "woody_high", "control_woody_percent"]


@pytest.fixture(scope="module")
def output(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four sites in points but for one that nothing could be said of; the last season unseen."""
    folder = write_output(
        tmp_path_factory.mktemp("points") / "out", sown=4, controls=3, pictures=False, hostile=False
    )
    seasons = pd.read_csv(folder / "seasons.csv")
    last = seasons["season"] == seasons.loc[seasons["kind"] == "dry", "season"].max()
    cover = (seasons["kind"] == "dry") & ~last
    seasons.loc[cover, [*_COVER, "judged_value", "control_judged_value"]] = 20.0
    seasons.to_csv(folder / "seasons.csv", index=False)
    for name in ("verdicts.csv", "verdict_history.csv"):
        table = pd.read_csv(folder / name)
        table = table.assign(verdict="too-early", gain_unit="points", outcome="woody cover")
        table[["gain", "gain_low", "gain_high"]] = [4.0, -2.0, 10.0]
        unseen = table["site_id"] == table["site_id"].iloc[0]
        table.loc[unseen, ["verdict", "gain_unit"]] = ["not-assessable", "ndvi"]
        table.loc[unseen, "outcome"] = "dry-season greenness"
        table.loc[unseen, ["gain", "gain_low", "gain_high", "detectable_gain"]] = None
        table.to_csv(folder / name, index=False)
    return folder


def test_greenness_is_never_drawn_as_percent(output: Path) -> None:
    """In a season without cover the value judged is NDVI: on an axis of percent it is nothing."""
    seasons, _ = read_seasons(output)
    for rows in seasons.values():
        dry = [row for row in rows if row.season.kind == "dry"]
        assert [row.woody.value for row in dry[:-1]] == [20.0] * (len(dry) - 1)
        assert dry[-1].woody.value is None and dry[-1].woody.control is None


def test_what_could_not_be_judged_sets_no_scale_and_no_caution(output: Path) -> None:
    page = build(output).read_text("utf-8")
    texts = load_texts()
    assert " ".join(texts("caution.headline_woody").split()) in page
    assert " ".join(texts("caution.headline_greenness").split()) not in page
    head = page.split('id="site-table"')[1].split("</thead>")[0]
    assert texts("sites.gain_points") in head and texts("sites.gain_ndvi") not in head
