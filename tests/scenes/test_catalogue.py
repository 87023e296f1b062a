"""Searching static catalogues, saved item collections and services."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from searching import find

from afterrains.errors import InputError
from afterrains.scenes import Profiles, SearchResult

MakeItem = Callable[..., dict[str, Any]]
WriteCatalogue = Callable[..., Path]


def test_static_catalogue(make_item: MakeItem, write_catalogue: WriteCatalogue, profiles: Profiles):
    """Children and items are followed by relative links; assets start at their item."""
    root = write_catalogue([make_item()])
    found = find(root, profiles)
    (scene,) = found.scenes
    assert scene.bands["red"].href == str(root.parent / "0" / "red.tif")
    assert scene.overpass == "sentinel-2a_2020-01-14"
    assert scene.tile == "31PDR"
    assert found.refused == ()


def test_only_time_and_ground_asked_for(
    make_item: MakeItem, write_catalogue: WriteCatalogue, profiles: Profiles
):
    """First and last day count; what lies outside is no candidate and is not mentioned."""
    days = ["2019-12-31T23:59:59Z", "2020-01-01T00:00:00Z", "2020-01-31T23:59:59Z"]
    days += ["2020-02-01T00:00:00Z"]
    root = write_catalogue(
        [make_item(f"S2A_31PDR_{n}_L2A", datetime=day) for n, day in enumerate(days)]
    )
    found = find(root, profiles, start=date(2020, 1, 1), end=date(2020, 1, 31))
    assert [scene.scene_id for scene in found.scenes] == ["S2A_31PDR_1_L2A", "S2A_31PDR_2_L2A"]
    assert found.refused == ()
    elsewhere = find(root, profiles, bbox=(10, 10, 11, 11))
    assert elsewhere == SearchResult((), ())


def test_cloudy_scenes_are_refused_with_their_cover(
    make_item: MakeItem, write_catalogue: WriteCatalogue, profiles: Profiles
):
    """Above the limit; at the limit and unknown stay."""
    items = [
        make_item(
            f"S2A_31PDR_2020010{day}_0_L2A",
            datetime=f"2020-01-0{day}T10:00:00Z",
            **{"eo:cloud_cover": cover},
        )
        for day, cover in enumerate([None, 40, 40.5], start=1)
    ]
    found = find(write_catalogue(items), profiles, cloud=40)
    assert len(found.scenes) == 2
    (refused,) = found.refused
    assert refused.reason == "cloudy"
    assert "40.5 %" in refused.detail


def test_duplicates_are_refused_in_the_search(
    make_item: MakeItem, write_catalogue: WriteCatalogue, profiles: Profiles
):
    old = make_item("S2A_31PDR_20200114_0_L2A", **{"s2:generation_time": "2020-01-14T15:00:00Z"})
    new = make_item("S2A_31PDR_20200114_1_L2A", **{"s2:generation_time": "2023-01-14T15:00:00Z"})
    found = find(write_catalogue([new, old]), profiles)
    assert [scene.scene_id for scene in found.scenes] == ["S2A_31PDR_20200114_1_L2A"]
    assert [(r.scene_id, r.reason) for r in found.refused] == [
        ("S2A_31PDR_20200114_0_L2A", "duplicate")
    ]


BROKEN: list[tuple[str, Callable[[dict[str, Any]], Any]]] = [
    ("no-datetime", lambda item: item["properties"].pop("datetime")),
    ("no-datetime", lambda item: item["properties"].update(datetime="2020-01-14")),
    ("no-datetime", lambda item: item["properties"].update(datetime=20200114)),
    ("no-platform", lambda item: item["properties"].pop("platform")),
    ("no-platform", lambda item: item["properties"].update(platform=["sentinel-2a"])),
    ("unknown-sensor", lambda item: item["properties"].update(platform="landsat-8")),
    ("broken-item", lambda item: item.update(properties=[1])),
    ("broken-item", lambda item: item.update(assets="red")),
    ("broken-item", lambda item: item.update(id=7)),
    ("broken-item", lambda item: item.update(id="a\nb")),
    ("broken-item", lambda item: item["assets"].update(red={"href": 3})),
    ("broken-item", lambda item: item["assets"].update(red=None)),
    ("missing-asset", lambda item: item["assets"].pop("scl")),
    ("missing-asset", lambda item: (item["assets"].pop("red"), item["assets"].pop("nir"))),
    ("no-footprint", lambda item: item.update(geometry=None)),
    ("no-footprint", lambda item: item["geometry"]["coordinates"][0][1].__setitem__(0, 1e308)),
    ("no-footprint", lambda item: item.update(geometry={"type": "Polygon"})),
    ("no-footprint", lambda item: item.update(geometry={"type": "Polygon", "coordinates": [[]]})),
    ("no-footprint", lambda item: item.update(geometry={"type": "Blob", "coordinates": []})),
    ("broken-values", lambda item: item["assets"]["red"].update({"raster:bands": [{"scale": ""}]})),
    ("broken-values", lambda item: item["assets"]["red"].update({"raster:bands": [{}, {}]})),
    ("broken-values", lambda item: item["assets"]["red"].update({"raster:bands": 4})),
    ("unsafe-address", lambda item: item["assets"]["red"].update(href="/vsizip//etc/x.zip")),
    ("unsafe-address", lambda item: item["assets"]["red"].update(href="ftp://example.org/red.tif")),
    ("unsafe-address", lambda item: item["assets"]["red"].update(href="<VRTDataset></VRTDataset>")),
    ("offset-unknown", lambda item: item["assets"]["red"].pop("raster:bands")),
    ("wrong-level", lambda item: item.update(id="S2A_MSIL1C_20200114T101351_N0208_R022_T31PDR_x")),
]  # fmt: skip


@pytest.mark.parametrize("case", range(len(BROKEN)))
def test_items_that_break_the_rules_are_refused(
    make_item: MakeItem, write_catalogue: WriteCatalogue, profiles: Profiles, case: int
):
    """One broken item never hides the sound one beside it."""
    reason, spoil = BROKEN[case]
    broken = make_item("S2A_31PDS_20200114_0_L2A")
    spoil(broken)
    found = find(write_catalogue([broken, make_item()]), profiles)
    assert [scene.scene_id for scene in found.scenes] == ["S2A_31PDR_20200114_0_L2A"]
    (refused,) = found.refused
    assert refused.reason == reason, refused
    assert refused.detail


def test_item_without_projection_is_used(
    make_item: MakeItem, write_catalogue: WriteCatalogue, profiles: Profiles
):
    """The files know their own grid."""
    (scene,) = find(write_catalogue([make_item()]), profiles).scenes
    assert scene.grid is None


def test_asset_found_by_common_name(
    make_item: MakeItem, write_catalogue: WriteCatalogue, profiles: Profiles
):
    """STAC's common names serve where a catalogue calls its assets otherwise; two of a name do not.
    `rededge` is shared by three bands and never used.
    """
    item = make_item(assets={"a": "a.tif", "b": "b.tif", "c": "c.tif", "scl": "scl.tif"})
    names = {"a": "red", "b": "nir", "c": "rededge"}
    for key, name in names.items():
        item["assets"][key] |= {"eo:bands": [{"name": "x", "common_name": name}], "roles": ["data"]}
    (scene,) = find(write_catalogue([item]), profiles).scenes
    assert {band for band in scene.bands if band != "scl"} == {"red", "nir"}
    item["assets"]["d"] = dict(item["assets"]["a"], href="d.tif")
    (scene,) = find(write_catalogue([item]), profiles).scenes
    assert "red" not in scene.bands


def test_item_of_stac_1_1(make_item: MakeItem, write_catalogue: WriteCatalogue, profiles: Profiles):
    item = make_item(**{"proj:code": "EPSG:32631", "proj:shape": [100, 100]})
    item["stac_version"] = "1.1.0"
    item["properties"]["proj:transform"] = [10, 0, 500000, 0, -10, 1600000]
    for key in ("red", "nir"):
        asset = item["assets"][key]
        asset["bands"] = [{"name": key, "raster:scale": 0.0001, "raster:offset": -0.1}]
        asset["nodata"] = 0
        del asset["raster:bands"]
    (scene,) = find(write_catalogue([item]), profiles).scenes
    assert scene.bands["red"].offset == -0.1
    assert scene.bands["red"].nodata == 0
    assert scene.grid is not None
    assert (scene.grid.crs, scene.grid.left) == ("EPSG:32631", 500_000)


def test_missing_and_broken_items_are_refused(
    make_item: MakeItem, write_catalogue: WriteCatalogue, profiles: Profiles
):
    root = write_catalogue([make_item(), make_item(), make_item()])
    (root.parent / "1" / "item.json").unlink()
    (root.parent / "2" / "item.json").write_text("[1", encoding="utf-8")
    found = find(root, profiles)
    assert len(found.scenes) == 1
    assert {r.reason for r in found.refused} == {"unreadable-item"}
    assert len(found.refused) == 2


def test_a_missing_part_of_a_catalogue_stops_the_search(
    make_item: MakeItem, write_catalogue: WriteCatalogue, profiles: Profiles
):
    """All its items would be missing without a word."""
    root = write_catalogue([make_item()])
    (root.parent / "collection.json").unlink()
    with pytest.raises(InputError, match=r"collection\.json cannot be read"):
        find(root, profiles)


def test_catalogue_that_links_to_itself(
    make_item: MakeItem, write_catalogue: WriteCatalogue, profiles: Profiles
):
    root = write_catalogue([make_item()])
    collection = json.loads((root.parent / "collection.json").read_text())
    collection["links"].append({"rel": "child", "href": "./catalog.json"})
    collection["links"].append({"rel": "item", "href": "./0/item.json"})
    (root.parent / "collection.json").write_text(json.dumps(collection))
    assert len(find(root, profiles).scenes) == 1


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"type": "Catalog"}', "not json"])
def test_what_is_no_catalogue_is_an_input_error(tmp_path: Path, profiles: Profiles, text: str):
    path = tmp_path / "catalog.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as failure:
        find(path, profiles)
    assert failure.value.findings[0].code == "catalogue-unreadable"


def test_unknown_collection_is_an_input_error(tmp_path: Path, profiles: Profiles):
    with pytest.raises(InputError, match="no profile serves the collection 'modis'"):
        find(tmp_path / "x.json", profiles, collections=["modis"])


def test_ground_across_the_antimeridian(
    make_item: MakeItem, write_catalogue: WriteCatalogue, profiles: Profiles
):
    """West > east: tiles on both sides are found, and share their solar day."""

    def square(west: float) -> dict[str, Any]:
        ring = [[west, 0], [west + 1, 0], [west + 1, 1], [west, 1], [west, 0]]
        return {"type": "Polygon", "coordinates": [ring]}

    items = [
        make_item(f"S2A_{tile}_20200114_0_L2A", geometry=square(west), datetime=f"2020-01-14T{at}Z")
        for tile, west, at in [("01NAA", -180, "22:30:10"), ("60NZZ", 179, "22:30:25")]
    ]
    items.append(make_item("S2A_31PDR_20200114_0_L2A", datetime="2020-01-14T22:30:00Z"))
    found = find(write_catalogue(items), profiles, bbox=(179.5, 0, -179.5, 1))
    assert [scene.tile for scene in found.scenes] == ["01NAA", "60NZZ"]
    assert len({scene.overpass for scene in found.scenes}) == 1
