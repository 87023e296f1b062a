"""The draw of a programme: kept from run to run, added to, given up, and told."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import box
from shapely.geometry import mapping

from afterrains.delivery.drawn_layer import FILE, read_kept
from afterrains.errors import InputError
from afterrains.programme import Programme, load_programme
from afterrains.rain import RainRecord
from afterrains.register import Register, read_register
from afterrains.scenes import Scene
from afterrains.stages.drawn_ground import (
    DrawnGround,
    as_kept,
    draw_ground,
    keep,
    rain_of_drawn,
    with_drawn,
)

_EAST, _NORTH = 500_000, 1_500_000


def _site(
    site_id: str, x: float, y: float, role: str = "sown", side: float = 200
) -> dict[str, Any]:
    x, y = _EAST + x, _NORTH + y
    return {"site_id": site_id, "role": role, "stratum": "dune" if x < _EAST + 9000 else "flat",
            "geometry": box(x, y, x + side, y + side)}  # fmt: skip


def _write(folder: Path, *sites: dict[str, Any], drawn: str = "", spill_over_m: float = 50) -> Path:
    """A programme with these sites, all sown on one day; `drawn` are further settings."""
    frame = gpd.GeoDataFrame(list(sites), crs="EPSG:32631")
    frame.to_crs("EPSG:4326").to_file(folder / "sites.geojson", driver="GeoJSON")
    rows = [f"{site['site_id']},2020-06-15\n" for site in sites if site["role"] == "sown"]
    (folder / "sowing.csv").write_text("site_id,sown_on\n" + "".join(rows))
    (folder / "programme.yaml").write_text(
        f"""
programme: {{id: p, name: P}}
sites: sites.geojson
sowing: sowing.csv
scenes: {{catalogue: "https://example.org/stac", collections: [sentinel-2-l2a], start: 2016-01-01,
         end: 2023-12-31}}
seasons: {{from: calendar, rains: [{{name: rains, start: 06-01, end: 09-30}}]}}
controls:
  choose: sampled
  spill_over_m: {spill_over_m}
  drawn: {{number: 6, apart_m: 100, within_m: 2000{drawn}}}
"""
    )
    return folder / "programme.yaml"


def _draw(path: Path, scenes: list[Scene] | None = None) -> tuple[Programme, Register, DrawnGround]:
    programme = load_programme(path)
    register = read_register(programme)
    return programme, register, draw_ground(programme, register, scenes or [], "programme.yaml")


def _codes(ground: DrawnGround) -> list[str]:
    return [finding.code for finding in ground.findings]


def _ids(ground: DrawnGround) -> list[str]:
    return list(ground.draw.patches["site_id"])


def _run(path: Path) -> DrawnGround:
    """What a run does: draw, and keep it in the output folder."""
    programme, _, ground = _draw(path)
    programme.output_folder.mkdir(parents=True, exist_ok=True)
    keep(ground, programme.output_folder)
    return ground


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "catalog.json").write_text("{}")
    return tmp_path


def test_without_any_listed_control_ground_is_drawn_and_nobody_has_seen_it(folder: Path) -> None:
    programme, register, ground = _draw(_write(folder, _site("a", 0, 0)))
    assert _ids(ground) == [f"drawn-{n:03d}" for n in range(1, 7)]
    assert _codes(ground) == ["drawn-not-visited"]
    joined = with_drawn(register, ground.draw, programme)
    sites = joined.sites
    assert list(sites.columns) == list(register.sites.columns)
    assert sites["site_id"].is_monotonic_increasing
    patches = sites[sites["role"] == "control"]
    assert set(joined.drawn.values()) == {"a"} and set(joined.drawn) == set(_ids(ground))
    assert set(patches["stratum"]) == {"dune"}
    # 4 ha copies of a 200 m square, 100 m and more apart, within 2 km.
    np.testing.assert_allclose(patches["area_ha"], 4.0, rtol=2e-3)
    site = register.sites.geometry.iloc[0]
    assert patches.geometry.distance(site).between(100, 2000).all()
    assert (pd.Series([core.area for core in patches["core"]]) < 4e4).all()


def test_a_kept_draw_is_read_as_it_was_drawn(folder: Path) -> None:
    """To the last digit, so that tasks whose key holds the outline are found again."""
    path = _write(folder, _site("a", 0, 0))
    programme, register, first = _draw(path)
    before = with_drawn(register, first.draw, programme)
    _run(path)
    _, _, again = _draw(path)
    assert not again.changed
    after = with_drawn(register, again.draw, programme)
    pd.testing.assert_frame_equal(
        pd.DataFrame(before.sites.to_wkb()), pd.DataFrame(after.sites.to_wkb())
    )
    assert after.sites.geometry.equals(as_kept(programme, register).sites.geometry)


def test_a_new_season_keeps_the_patches_and_writes_nothing(folder: Path) -> None:
    path = _write(folder, _site("a", 0, 0))
    first = _run(path)
    written = (folder / "out" / "p" / FILE).stat().st_mtime_ns
    path.write_text(path.read_text().replace("end: 2023", "end: 2024"))
    again = _run(path)
    assert _ids(again) == _ids(first) and _codes(again) == ["drawn-not-visited"]
    assert (folder / "out" / "p" / FILE).stat().st_mtime_ns == written


def test_another_seed_draws_anew_says_so_and_puts_the_former_aside(folder: Path) -> None:
    _run(_write(folder, _site("a", 0, 0)))
    again = _run(_write(folder, _site("a", 0, 0), drawn=", seed: 2"))
    assert _codes(again)[0] == "drawn-anew"
    assert _ids(again)[0] == "drawn-007"  # an id never stands for two grounds
    assert len(list((folder / "out" / "p" / "former_histories").glob("drawn_controls-*"))) == 1


def test_sown_ground_that_is_added_near_by_moves_no_control(folder: Path) -> None:
    """500 m on there are patches enough within reach; 20 km on there are none yet."""
    first = _run(_write(folder, _site("a", 0, 0)))
    gap = _free_place(first)
    near = _run(_write(folder, _site("a", 0, 0), _site("b", *gap, side=60), drawn=""))
    assert _ids(near) == _ids(first) and _codes(near) == ["drawn-not-visited"]
    sites = (_site("a", 0, 0), _site("b", *gap, side=60), _site("far", 20_000, 0))
    far = _run(_write(folder, *sites))
    assert _ids(far)[:6] == _ids(first) and len(_ids(far)) == 12
    assert "drawn-more" in _codes(far)
    assert set(far.draw.patches["stratum"][6:]) == {"flat"}


def _free_place(ground: DrawnGround) -> tuple[float, float]:
    """Lower left corner, from the origin, of a 60 m square far from every patch and from a."""
    taken = [*ground.draw.patches.to_crs("EPSG:32631").geometry, _site("a", 0, 0)["geometry"]]
    for x in range(-600, 800, 50):
        for y in range(-600, 800, 50):
            place = box(_EAST + x, _NORTH + y, _EAST + x + 60, _NORTH + y + 60)
            if min(each.distance(place) for each in taken) > 60:
                return x, y
    raise AssertionError("no free place")


def test_a_patch_that_is_sown_later_is_given_up_and_its_id_with_it(folder: Path) -> None:
    first = _run(_write(folder, _site("a", 0, 0)))
    patch = first.draw.patches.to_crs("EPSG:32631").geometry.iloc[2]
    sown = _site("b", 0, 0) | {"geometry": patch.buffer(-20)}
    again = _run(_write(folder, _site("a", 0, 0), sown))
    assert _codes(again)[0] == "drawn-taken"
    assert "drawn-003" in again.findings[0].what
    assert "drawn-003" not in _ids(again)


def test_a_patch_copied_into_the_sites_file_is_listed_from_then_on(folder: Path) -> None:
    first = _run(_write(folder, _site("a", 0, 0)))
    patch = first.draw.patches.to_crs("EPSG:32631").geometry.iloc[0]
    listed = _site("drawn-001", 0, 0, "control") | {"geometry": patch}
    path = _write(folder, _site("a", 0, 0), listed)
    programme, register, again = _draw(path)
    assert "drawn-001" not in _ids(again)
    sites = with_drawn(register, again.draw, programme).sites
    assert sites["site_id"].is_unique and (sites["role"] == "control").sum() == 6


def test_ids_of_the_sites_file_are_passed_over(folder: Path) -> None:
    _, _, ground = _draw(
        _write(folder, _site("a", 0, 0), _site("drawn-002", 9000, 9000, "control"))
    )
    assert _ids(ground)[:2] == ["drawn-001", "drawn-003"]


def test_what_a_visit_rules_out_is_left_out_and_nothing_takes_its_place(folder: Path) -> None:
    _run(_write(folder, _site("a", 0, 0)))
    path = _write(folder, _site("a", 0, 0), drawn=", leave_out: [drawn-002, drawn-777]")
    programme, register, ground = _draw(path)
    assert "drawn-left-out-unknown" in _codes(ground) and not ground.changed
    drawn = with_drawn(register, ground.draw, programme).drawn
    assert sorted(drawn) == [f"drawn-{n:03d}" for n in (1, 3, 4, 5, 6)]


def test_too_little_ground_is_told_with_what_would_help(folder: Path) -> None:
    """Listed ground on four sides leaves a yard of 1,200 m by 700 m around the site."""
    corners = [(-3000, 400), (-3000, -6300), (700, -3000), (-6500, -3000)]
    walls = [_site(f"c{n}", *at, "control", side=6000) for n, at in enumerate(corners)]
    _, _, ground = _draw(_write(folder, _site("a", 0, 0), *walls))
    found = [each for each in ground.findings if each.code == "drawn-few"]
    assert len(found) == 1 and len(_ids(ground)) < 6
    assert f"found {len(_ids(ground))} at 'a', beside 4 listed controls" in found[0].what
    assert "raise within_m (2000), lower apart_m (100)" in found[0].mend


def test_the_most_of_a_programme_is_shared_out(folder: Path) -> None:
    sites = [_site("a", 0, 0), _site("b", 20_000, 0)]
    _, _, ground = _draw(_write(folder, *sites, drawn=", most: 4"))
    assert sorted(ground.draw.patches["nearest_sown"]) == ["a", "a", "b", "b"]
    assert "raise most (4)" in next(e.mend for e in ground.findings if e.code == "drawn-few")


def test_ground_that_half_of_the_scenes_miss_is_not_drawn(folder: Path) -> None:
    """Two scenes over all of it, three that end 150 m east of the site."""
    path = _write(folder, _site("a", 0, 0))
    scenes = [_scene(-9000, 9000)] * 2 + [_scene(-9000, 350)] * 3
    _, _, ground = _draw(path, scenes)
    east = ground.draw.patches.to_crs("EPSG:32631").bounds["maxx"]
    assert len(east) == 6 and (east < _EAST + 350).all()


def _scene(west: float, east: float) -> Scene:
    ground = box(_EAST + west, _NORTH - 9000, _EAST + east, _NORTH + 9000)
    footprint = mapping(gpd.GeoSeries([ground], crs="EPSG:32631").to_crs("EPSG:4326").iloc[0])
    return Scene(
        scene_id="x", collection="sentinel-2-l2a", sensor="sentinel-2a",
        acquired=datetime(2020, 1, 1, tzinfo=UTC), solar_day=date(2020, 1, 1), overpass="x",
        tile="31PDR", processed=None, baseline=None, cloud_percent=0.0, footprint=footprint,
        bands={},
    )  # fmt: skip


def test_a_patch_gets_the_rain_of_its_nearest_sown_site(folder: Path) -> None:
    programme, register, ground = _draw(_write(folder, _site("a", 0, 0), _site("b", 20_000, 0)))
    register = with_drawn(register, ground.draw, programme)
    days = pd.date_range("2020-01-01", periods=3, freq="D")
    rain = RainRecord(pd.DataFrame({"a": [1.0, 0, 2], "b": [5.0, 5, 5]}, index=days), "made")
    told = rain_of_drawn(rain, register)
    assert told is not None
    for patch, site in register.drawn.items():
        assert list(told.for_site(patch)) == list(rain.for_site(site))
    wide = replace(rain, daily=rain.daily[["a"]].rename(columns={"a": ""}))
    assert rain_of_drawn(wide, register) is wide


@pytest.mark.parametrize(
    "harm",
    [
        lambda text: text[: len(text) // 2],
        lambda text: text.replace("drawn-001", "../../x"),
        lambda text: text.replace("drawn-002", "drawn-001"),
        lambda text: text.replace('"Polygon"', '"Point"'),
        lambda text: json.dumps([]),
        lambda text: json.dumps({"type": "FeatureCollection", "features": []}),
    ],
)
def test_a_kept_file_that_was_harmed_is_told_and_not_believed(folder: Path, harm: Any) -> None:
    path = _write(folder, _site("a", 0, 0))
    _run(path)
    file = folder / "out" / "p" / FILE
    file.write_text(harm(file.read_text()))
    with pytest.raises(InputError, match=r"drawn_controls\.geojson"):
        _draw(path)


def test_no_kept_file_is_no_draw(tmp_path: Path) -> None:
    assert read_kept(tmp_path) is None
