"""Which radar passes a run reads: of one track, at the end of dry seasons, and only if used."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely

from afterrains.programme import Programme, load_programme
from afterrains.scenes import Cell, Scene, load_profiles
from afterrains.scenes.model import BandAsset
from afterrains.stages.prepare import Prepared, prepare
from afterrains.stages.radar_plan import RadarPlan, Window, best_tracks, late_windows, plan_radar
from afterrains.stages.radarwork import radar_layers

_YEARS = range(2018, 2023)
_WINDOWS = tuple(Window(f"{y}-dry", date(y + 1, 4, 1), date(y + 1, 6, 29)) for y in _YEARS)


def _shown(**dates: Mapping[int, int] | int) -> dict[tuple[str, str, str], int]:
    """Dates over two cells by track (`_` for `-`): the same every year, or by year."""
    found = {}
    for track, given in dates.items():
        for year in _YEARS:
            count = given if isinstance(given, int) else given.get(year, 7)
            for cell in ("a", "b"):
                found[track.replace("_", "-"), cell, f"{year}-dry"] = count
    return found


@pytest.mark.parametrize(
    ("shown", "tracks"),
    [
        (_shown(descending_154=7), ("descending-154",)),
        # Both directions, each by its best track: the one with more seasons, then more dates.
        (
            _shown(descending_154=7, descending_81={2018: 2}, ascending_161=5),
            ("ascending-161", "descending-154"),
        ),
        (_shown(descending_154=7, descending_81=14), ("descending-81",)),
        # A satellite was lost: three of five seasons are too few, four are enough.
        (_shown(ascending_161={2020: 1, 2021: 0}), ()),
        (_shown(ascending_161={2020: 4}), ("ascending-161",)),
        # The newest season is what a verdict needs.
        (_shown(ascending_161={2022: 4}), ()),
        ({}, ()),
    ],
)
def test_best_tracks_by_hand(
    shown: dict[tuple[str, str, str], int], tracks: tuple[str, ...]
) -> None:
    """Five dates make a season, four of five seasons and the newest make a track."""
    assert best_tracks(shown, ["a", "b"], _WINDOWS) == tracks


def test_windows_are_the_last_days_of_complete_dry_seasons() -> None:
    """By hand: 90 days that end with the season, or all of a shorter one."""
    calendar = pd.DataFrame(
        [
            ("2018-dry", "dry", "2018-10-01", "2019-06-29", True),
            ("2019-rains", "rains", "2019-06-30", "2019-09-30", True),
            ("2019-dry-1", "dry", "2020-01-01", "2020-02-29", True),
            ("2019-dry-2", "dry", "2020-06-01", "2020-12-31", False),
        ],
        columns=["season", "kind", "start", "end", "complete"],
    )
    calendar[["start", "end"]] = calendar[["start", "end"]].apply(pd.to_datetime)
    assert late_windows(calendar) == (
        Window("2018-dry", date(2019, 4, 1), date(2019, 6, 29)),
        Window("2019-dry-1", date(2020, 1, 1), date(2020, 2, 29)),
    )


def test_medians_keep_ascending_and_descending_apart() -> None:
    """By hand: five dates each; a value too many of the other side would move both medians."""
    up, down = (0.01, 0.02, 0.03, 0.04, 0.05), (0.11, 0.12, 0.13, 0.14, np.nan)

    def look(power: float) -> dict[str, np.ndarray[Any, np.dtype[np.float32]]]:
        field = np.full((2, 3), power, np.float32)
        return {"vv": field, "vh": field / 10}

    looks = [("ascending", look(p)) for p in up] + [("descending", look(p)) for p in down]
    layers = radar_layers(looks)
    np.testing.assert_allclose(layers["late_vv_ascending_median"], 0.03, rtol=1e-6)
    np.testing.assert_allclose(layers["late_vh_ascending_median"], 0.003, rtol=1e-6)
    assert np.isnan(layers["late_vv_descending_median"]).all(), "four dates are too few"
    assert set(layers["late_radar_descending_count"].ravel()) == {4}
    assert len(layers) == 6


@pytest.fixture(scope="module")
def prepared(small_sample: Path) -> Prepared:
    return prepare(small_sample / "programme.yaml")


@pytest.fixture
def programme(programme_copy: Path) -> Programme:
    text = programme_copy.read_text(encoding="utf-8")
    text = text.replace("[sentinel-2-l2a]", "[sentinel-2-l2a, sentinel-1-rtc]")
    programme_copy.write_text(text, encoding="utf-8")
    return load_programme(programme_copy)


def _scene(day: date, track: str, ground: Mapping[str, Any]) -> Scene:
    moment = datetime(day.year, day.month, day.day, 6, tzinfo=UTC)
    name = f"{track}-{day}"
    file = BandAsset(f"/{name}.tif", 1, 0, None, 10)
    return Scene(
        name, "sentinel-1-rtc", "sentinel-1a", moment, day, name, "", None, None, None,
        dict(ground), {"vv": file, "vh": file}, track=track,
    )  # fmt: skip


def _plan(
    prepared: Prepared, programme: Programme, wanted: tuple[str, ...] | None
) -> tuple[RadarPlan, list[Scene]]:
    """Seven descending dates each window but in 2020, four ascending ones, and one in January."""
    ground = shapely.geometry.mapping(shapely.box(0, 10, 10, 20))
    scenes = [
        _scene(day.date(), track, ground)
        for window in late_windows(prepared.calendar)
        for track, count in (("descending-154", 7), ("ascending-161", 4))
        for day in pd.date_range(window.start, window.end, count)
        if track[0] == "a" or window.season != "2020-dry" or day.date() == window.end
    ]
    scenes.append(_scene(date(2019, 1, 10), "descending-154", ground))
    footprints = {cell.cell_id: shapely.box(3, 14, 3.1, 14.1) for cell in prepared.cells}
    cells: list[Cell] = list(prepared.cells)
    plan = plan_radar(
        programme, scenes, cells, footprints, prepared.calendar, load_profiles(),
        wanted=wanted, file="programme.yaml",
    )  # fmt: skip
    return plan, scenes


def test_training_takes_the_track_that_comes_and_says_when_it_does_not(
    prepared: Prepared, programme: Programme
) -> None:
    """Every scene is used or refused with its reason; the poor season is told, not filled."""
    plan, scenes = _plan(prepared, programme, None)
    assert plan.tracks == ("descending-154",)
    seasons = len(late_windows(prepared.calendar))
    assert len(plan.tasks) == seasons * len(prepared.cells)
    assert sorted(len(task.overpasses) for task in plan.tasks) == [1] * len(prepared.cells) + [
        7
    ] * ((seasons - 1) * len(prepared.cells))
    assert len(plan.used) + len(plan.refused) == len(scenes)
    counts = pd.Series([each.reason for each in plan.refused]).value_counts()
    assert dict(counts) == {"radar-other-track": 4 * seasons, "radar-not-late-dry": 1}
    [told] = plan.findings
    assert (told.severity, told.code) == ("warning", "radar-seasons-missing")
    assert "descending-154 in 2020-dry." in told.what
    assert len({task.key for task in plan.tasks}) == len(plan.tasks)


def test_a_model_keeps_to_the_track_it_was_trained_with(
    prepared: Prepared, programme: Programme
) -> None:
    """Even where another comes more often; and one that uses no radar pulls none."""
    plan, _ = _plan(prepared, programme, ("ascending-161",))
    assert {scene.track for scene in plan.used} == {"ascending-161"}
    plan, scenes = _plan(prepared, programme, ())
    assert (plan.tasks, plan.used) == ((), ())
    assert {each.reason for each in plan.refused} == {"radar-unused"}
    assert len(plan.refused) == len(scenes)
    assert [each.code for each in plan.findings] == ["radar-unused"]
