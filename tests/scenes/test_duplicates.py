"""One observation per ground and pass."""

from __future__ import annotations

import itertools
import json
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from afterrains.scenes import Profiles, Scene, overpasses
from afterrains.scenes.duplicates import assign_overpasses, deduplicate
from afterrains.scenes.items import ItemSource, scene_from_item

MakeScene = Callable[..., Scene]

WEST = {"type": "Polygon", "coordinates": [[[0, 0], [0.6, 0], [0.6, 1], [0, 1], [0, 0]]]}
EAST = {"type": "Polygon", "coordinates": [[[0.5, 0], [1, 0], [1, 1], [0.5, 1], [0.5, 0]]]}


def test_tiles_of_one_pass_share_an_overpass(scene: MakeScene):
    """Tiles follow each other in seconds, the next orbit comes about 100 minutes later."""
    first = scene("a")
    neighbour = scene("b", tile="31PDS", acquired=first.acquired + timedelta(seconds=15))
    next_orbit = scene("c", tile="31PDT", acquired=first.acquired + timedelta(minutes=100))
    other = scene("d", sensor="sentinel-2b", tile="31PDS")
    named = {
        s.scene_id: s.overpass for s in assign_overpasses([next_orbit, other, neighbour, first])
    }
    assert named == {
        "a": "sentinel-2a_2020-01-14",
        "b": "sentinel-2a_2020-01-14",
        "c": "sentinel-2a_2020-01-14_2",
        "d": "sentinel-2b_2020-01-14",
    }


def test_the_newest_processing_wins_in_any_order(scene: MakeScene):
    """Processing time, then baseline, then id; the losers name the winner."""
    old = scene("old", processed=datetime(2020, 1, 14, 15, tzinfo=UTC), baseline="02.08")
    new = scene("new", processed=datetime(2023, 6, 24, tzinfo=UTC), baseline="05.00")
    unknown = scene("unknown")
    for order in itertools.permutations([old, new, unknown]):
        kept, refused = deduplicate(assign_overpasses(order))
        assert [s.scene_id for s in kept] == ["new"]
        assert sorted(r.scene_id for r in refused) == ["old", "unknown"]
        assert {r.reason for r in refused} == {"duplicate"}
        assert all("new" in r.detail for r in refused)


def test_a_pass_cut_into_two_datastrips_is_kept_whole(scene: MakeScene):
    """Neither frame holds the other; dropping one would lose half the tile."""
    west, east = scene("west", footprint=WEST), scene("east", footprint=EAST)
    kept, refused = deduplicate(assign_overpasses([west, east]))
    assert {s.scene_id for s in kept} == {"west", "east"}
    assert refused == []
    (overpass,) = overpasses(kept)
    assert len(overpass.scenes) == 2


def test_deduplication_is_idempotent(scene: MakeScene):
    scenes = assign_overpasses([scene("a"), scene("b"), scene("c", tile="31PDS")])
    kept, _ = deduplicate(scenes)
    assert deduplicate(kept) == (kept, [])


def test_same_product_from_two_catalogues_is_one(real: Path, profiles: Profiles):
    """Two real items of tile 01WCP, processed one second apart, with the same statistics."""
    scenes = []
    for second in ("157", "158"):
        name = f"S2A_MSIL2A_20230625T234621_N0509_R073_T01WCP_20230626T022{second}.SAFE"
        path = real / "stac/stactools-sentinel2/tests/data-files" / name / "expected_output.json"
        source = ItemSource(str(path), False, ("sentinel-2-l2a",), 179.0)
        found = scene_from_item(json.loads(path.read_text()), source, profiles)
        assert isinstance(found, Scene)
        scenes.append(found)
    kept, refused = deduplicate(assign_overpasses(scenes))
    assert len(kept) == 1
    assert [r.reason for r in refused] == ["duplicate"]


def test_real_landsat_days_of_two_paths(scene: MakeScene, real: Path):
    """gdalcubes-L8NY18: 19 scenes of paths 13 and 14; the same path and day with two rows is one
    pass, and each path and row is there once a day (counted by hand from the folder names).
    """
    scenes = []
    for folder in sorted((real / "pixels/gdalcubes-L8NY18").glob("LC08_*")):
        _, _, tile, day, processed, *_ = folder.name.split("_")
        acquired = datetime.strptime(day, "%Y%m%d").replace(tzinfo=UTC, hour=15, minute=40)
        scenes.append(
            scene(
                folder.name,
                sensor="landsat-8",
                tile=tile,
                acquired=acquired + timedelta(seconds=24 * int(tile[3:])),
                solar_day=acquired.date(),
                processed=datetime.strptime(processed, "%Y%m%d").replace(tzinfo=UTC),
            )
        )
    kept, refused = deduplicate(assign_overpasses(scenes))
    assert len(kept) == len(scenes)
    assert refused == []
    passes = overpasses(kept)
    double = [p for p in passes if len(p.scenes) == 2]
    assert [p.date.isoformat() for p in double] == ["2018-04-28", "2018-09-03"]
    assert all({s.tile for s in p.scenes} == {"014031", "014032"} for p in double)


@pytest.mark.parametrize("days", [(14, 15, 15), (15, 15, 14)])
def test_overpass_date_is_the_day_of_most_tiles(scene: MakeScene, days: tuple[int, ...]):
    scenes = [
        scene(f"{i}", tile=f"t{i}", overpass="one", solar_day=date(2020, 1, day))
        for i, day in enumerate(days)
    ]
    (overpass,) = overpasses(scenes)
    assert overpass.date == date(2020, 1, 15)
