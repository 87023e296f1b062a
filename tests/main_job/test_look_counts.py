"""What became of every look: told apart in tables and manifest; doubted scenes are left out.

Truth is what the tests do to the scenes: files cut short, numbers shifted by the product's offset.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, date, datetime
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rasterio
from affine import Affine
from odc.geo.geobox import GeoBox

from afterrains.delivery.look_counts import LookCounts, look_notes
from afterrains.jobs.run import RunSummary, run_programme
from afterrains.scenes import Cell, Overpass, Profiles, Scene
from afterrains.stages.cell_task import CellResult, CellTask
from afterrains.stages.pull import by_season_and_tile, without_doubted

_SHARES = ["clear", "leftover", "masked", "unreadable", "not_covered"]


def test_every_pass_is_counted_once_and_its_shares_add_up(undisturbed: RunSummary) -> None:
    """And what the table calls clear is what the series used, date by date."""
    looks = pd.read_csv(undisturbed.output / "looks.csv")
    assert not looks.duplicated(["site_id", "date", "sensor", "scene_id"]).any()
    # six decimals in the file, five shares
    assert looks[_SHARES].sum(axis=1).to_numpy() == pytest.approx(1, abs=3e-6)
    series = pd.read_csv(undisturbed.output / "series.csv")
    both = looks[looks["clear"] > 0].merge(series, on=["site_id", "date", "sensor"])
    assert len(both) == len(series)
    assert both["clear"].to_numpy() == pytest.approx(both["clear_fraction"].to_numpy(), abs=2e-6)
    manifest = json.loads((undisturbed.output / "manifest.json").read_text(encoding="utf-8"))
    told = manifest["looks"]
    assert told["looks"] == len(looks)
    for share in _SHARES:
        counted = float((looks[share] * looks["pixels"]).sum())
        assert told["pixels"][share] == pytest.approx(counted, rel=1e-4, abs=1)
    assert sum(site["looks"] for site in told["sites"].values()) == len(looks)


def test_a_lost_scene_and_a_shifted_one_are_told_apart_and_left_out(
    programme_copy: Path, undisturbed: RunSummary
) -> None:
    """One scene's bands are cut short: status 1. In another every band is raised by the offset of
    baseline 04.00 (1000 numbers, ESA): it is left out of every cell, also where cloud hides that.
    """
    before = pd.read_csv(undisturbed.output / "series.csv")
    looks = pd.read_csv(undisturbed.output / "looks.csv")
    wide = looks.pivot_table(index="scene_id", columns="site_id", values="clear")
    whole = wide.index[wide.min(axis=1) == 1]
    lost = whole[len(whole) // 2]
    # Clear over most sites, hidden over some.
    mixed = wide.index[(wide.mean(axis=1) > 0.85) & (wide.min(axis=1) < 0.3)]
    shifted = mixed[len(mixed) // 2]
    for path in _bands(programme_copy, lost):
        path.write_bytes(path.read_bytes()[:3_000])
    for path in _bands(programme_copy, shifted):
        with rasterio.open(path) as file:
            numbers, profile = file.read(1), file.profile
        with rasterio.open(path, "w", **profile) as file:
            file.write(np.where(numbers > 0, numbers + 1000, 0).astype(numbers.dtype), 1)
    hurt = run_programme(programme_copy, workers=1)
    assert hurt.exit_status == 1
    assert {scene for scene, _, _ in hurt.unreadable} == {lost}
    after = pd.read_csv(hurt.output / "looks.csv")
    gone = after[after["scene_id"] == lost]
    assert gone["unreadable"].to_numpy() == pytest.approx(1)
    assert gone["unread"].str.contains("red").all()
    aside = after[after["scene_id"] == shifted]
    assert (aside["clear"] == 0).all()
    assert aside["unreadable"].max() == 1
    told = json.loads((hurt.output / "manifest.json").read_text(encoding="utf-8"))["looks"]
    [entry] = told["scenes_left_out"]
    assert entry["scene_id"] == shifted
    assert "+0.1 off the dates around it: its offset seems not to be applied" in entry["reason"]
    assert any(shifted in note for note in hurt.notes)
    series = pd.read_csv(hurt.output / "series.csv")
    expected = before[~before["scene_id"].isin([lost, shifted])]
    assert set(series["scene_id"]) == set(expected["scene_id"])
    pd.testing.assert_frame_equal(series, expected.reset_index(drop=True))


def _bands(programme: Path, scene: str) -> list[Path]:
    found = [p for p in programme.parent.glob(f"scenes/**/{scene}/*.tif") if p.stem != "scl"]
    assert len(found) >= 6
    return found


def test_a_scene_that_one_cell_doubts_is_left_out_of_all() -> None:
    """Two cells hold scene x, one of them and only it sees the shift; a third holds y alone."""
    tasks = [_task("e000n000", "x"), _task("e000n001", "x"), _task("e000n002", "y")]
    results = {
        task.key: CellResult(task.key, task.cell.cell_id, "s", 0, (), doubted)
        for task, doubted in zip(tasks, [(("x", "why"),), (), ()], strict=True)
    }
    settled = without_doubted(tasks, results)
    assert [dict(task.doubted) for task in settled] == [{}, {"x": "why"}, {}]
    assert settled[1].key not in results
    assert [task.cell for task in settled] == [task.cell for task in tasks]


def test_cells_that_need_the_same_files_are_done_one_after_another() -> None:
    """Four cells by two on two tiles, three seasons: each season of a tile is one run of tasks."""
    tasks = [
        _task(f"e000n00{cell}", f"tile-{cell % 2}-{season}", date(2021, season, 5))
        for cell in range(4)
        for season in (1, 4, 9)
    ]
    ordered = by_season_and_tile(tasks)
    assert sorted(task.key for task in ordered) == sorted(task.key for task in tasks)
    scenes = [task.overpasses[0].scenes[0].scene_id for task in ordered]
    changes = sum(a != b for a, b in pairwise(scenes))
    assert changes == len(set(scenes)) - 1
    assert [task.start for task in ordered] == sorted(task.start for task in tasks)


def _task(cell_id: str, scene_id: str, day: date = date(2021, 1, 5)) -> CellTask:
    scene = Scene(
        scene_id, "c", "sentinel-2a", datetime(2021, 1, 5, 10, tzinfo=UTC), day, "p", "31PDR",
        None, None, None, {}, {},
    )  # fmt: skip
    box = GeoBox((8, 8), Affine(10, 0, 500_000, 0, -10, 1_600_000), "EPSG:32631")
    return CellTask(
        cell=Cell(cell_id, box[:, : 4 + int(cell_id[-1])], ("a",)), cores={}, season="s",
        kind="dry", start=day, end=day, observe_from=day,
        overpasses=(Overpass(day, "sentinel-2a", "p", (scene,)),), bands=("red",), indices=(),
        composites=(), dilation_m=0, profiles=Profiles({}),
    )  # fmt: skip


def test_counts_by_hand() -> None:
    """Two sites of 10 and 20 pixels; three looks."""
    looks = pd.DataFrame(
        {
            "site_id": ["a", "a", "b"],
            "scene_id": ["s1", "s2", "s1"],
            "pixels": [10.0, 10.0, 20.0],
            "clear": [0.5, 0.0, 1.0],
            "leftover": [0.5, 0.0, 0.0],
            "masked": [0.0, 0.2, 0.0],
            "unreadable": [0.0, 0.3, 0.0],
            "not_covered": [0.0, 0.5, 0.0],
        }
    )
    counts = LookCounts()
    for site in ("a", "b"):
        counts.add(looks[looks["site_id"] == site])
    told = counts.told(
        [("s9", "shifted"), ("s9", "shifted")], [("b", "2021-dry", 0.4), ("a", "x", 0.001)]
    )
    assert told["looks"] == 3
    assert told["pixels"] == {
        "clear": 25.0, "leftover": 5.0, "masked": 2.0, "unreadable": 3.0, "not_covered": 5.0,
    }  # fmt: skip
    assert told["sites"]["a"] == {
        "looks": 2, "clear": 0.25, "leftover": 0.25, "masked": 0.1, "unreadable": 0.15,
        "not_covered": 0.25,
    }  # fmt: skip
    assert told["leftover_pixels"] == {"s1": 5.0}
    assert told["scenes_left_out"] == [{"scene_id": "s9", "reason": "shifted"}]
    assert told["always_masked"] == [{"site_id": "b", "season": "2021-dry", "share": 0.4}]
    left_out, hazy, bright = look_notes(told)
    assert left_out == "left out  s9: shifted"
    assert "17 % of the clear ground" in hazy
    assert "site b: up to 40 % of it is masked on nearly every date" in bright
    nothing: Mapping[str, object] = {
        **told, "pixels": {**told["pixels"], "leftover": 0.0}, "scenes_left_out": [],
        "always_masked": [],
    }  # fmt: skip
    assert look_notes(nothing) == ()
