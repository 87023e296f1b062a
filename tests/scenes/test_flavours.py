"""The same ground through catalogues of every flavour gives the same reflectance."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from affine import Affine
from numpy.typing import NDArray
from odc.geo.geobox import GeoBox

from afterrains.scenes import Profiles, overpasses, read_overpass, search
from afterrains.scenes.documents import Documents
from afterrains.scenes.sources import Asked, Remarks, raw_items

MakeItem = Callable[..., dict[str, Any]]
Writer = Callable[..., Path]
FLAG = "earthsearch:boa_offset_applied"
WINDOW = GeoBox((30, 30), Affine(10, 0, 500_000, 0, -10, 1_600_000), "EPSG:32631")
METADATA = {"nodata": 0, "scale": 0.0001, "offset": -0.1}


def red_style_applied(item: dict[str, Any]) -> tuple[list[str], int]:
    """Copies with the offset applied; the metadata still describe the agency's files."""
    item["properties"] |= {FLAG: True, "s2:processing_baseline": "05.10"}
    return ["red", "nir", "scl"], 0


def red_style_raw(item: dict[str, Any]) -> tuple[list[str], int]:
    """Copies as the agency made them, with the offset in metadata."""
    item["properties"] |= {FLAG: False, "s2:processing_baseline": "05.10"}
    return ["red", "nir", "scl"], 1000


def b04_style_metadata(item: dict[str, Any]) -> tuple[list[str], int]:
    """Band names of the agency, offset in raster:bands."""
    item["properties"] |= {"s2:processing_baseline": "04.00"}
    return ["B04", "B08", "SCL"], 1000


def b04_style_baseline_only(item: dict[str, Any]) -> tuple[list[str], int]:
    """Nothing but the processing baseline."""
    item["properties"] |= {"s2:processing_baseline": "05.09"}
    item["bare"] = True
    return ["B04", "B08", "SCL"], 1000


def b04_style_before_the_offset(item: dict[str, Any]) -> tuple[list[str], int]:
    """An older baseline, told by the product's name alone."""
    item["id"] = "S2A_MSIL2A_20200114T101351_N0213_R022_T31PDR_20200114T121000"
    item["bare"] = True
    return ["B04", "B08", "SCL"], 0


def archive_style_stac_1_1(item: dict[str, Any]) -> tuple[list[str], int]:
    """The agency's archive: names with resolution, STAC 1.1."""
    item["stac_version"] = "1.1.0"
    item["new"] = True
    return ["B04_10m", "B08_10m", "SCL_20m"], 1000


FLAVOURS = [
    red_style_applied,
    red_style_raw,
    b04_style_metadata,
    b04_style_baseline_only,
    b04_style_before_the_offset,
    archive_style_stac_1_1,
]


@pytest.mark.parametrize("saved_as", ["catalogue", "item collection"])
@pytest.mark.parametrize("flavour", FLAVOURS)
def test_same_ground_same_reflectance(
    make_item: MakeItem,
    write_tif: Writer,
    write_catalogue: Callable[..., Path],
    profiles: Profiles,
    tmp_path: Path,
    rng: np.random.Generator,
    flavour: Callable[[dict[str, Any]], tuple[list[str], int]],
    saved_as: str,
):
    """Truth: reflectance in steps of 1/10000, stored with or without the offset of +1000."""
    truth = {band: rng.integers(200, 4000, (30, 30)) for band in ("red", "nir")}
    item = make_item()
    keys, added = flavour(item)
    bare, new = item.pop("bare", False), item.pop("new", False)
    scl = np.full((15, 15), 5, np.uint8)
    numbers: list[NDArray[Any]] = [*((truth[b] + added).astype(np.uint16) for b in truth), scl]
    item["assets"] = {}
    for key, array in zip(keys, numbers, strict=True):
        mask = array is scl
        path = write_tif(f"files/{key}.tif", array, resolution=20 if mask else 10)
        asset: dict[str, Any] = {"href": str(path), "roles": ["data"]}
        if new and not mask:
            asset["bands"] = [{"name": key, "raster:scale": 0.0001, "raster:offset": -0.1}]
            asset["nodata"] = 0
        elif not bare and not mask:
            asset["raster:bands"] = [METADATA]
        item["assets"][key] = asset
    place = write_catalogue([item])
    if saved_as == "item collection":
        place = tmp_path / "saved.json"
        place.write_text(json.dumps({"type": "FeatureCollection", "features": [item]}))
    days = date(2020, 1, 1), date(2020, 1, 31)
    found = search(str(place), ["sentinel-2-l2a"], *days, (3, 14.4, 3.1, 14.5), 80, profiles)
    assert found.refused == ()
    (overpass,) = overpasses(found.scenes)
    seen = read_overpass(overpass, WINDOW, ("red", "nir"), profiles, dilation_m=0)
    assert seen.clear.all()
    for band, expected in truth.items():
        assert np.array_equal(seen.reflectance[band], (expected / 10_000).astype(np.float32))


def test_items_of_a_saved_collection_are_taken_as_they_stand(tmp_path: Path) -> None:
    """Each is text until its turn comes; a feature inside another, and what is none, as well."""
    inner = {"type": "Feature", "properties": {"deep": [{"type": "Feature", "id": "é\u2028"}]}}
    features = [{"type": "Feature", "id": "a", "assets": {"x": inner}}, {"id": "no type"}, inner]
    place = tmp_path / "saved.json"
    place.write_text(json.dumps({"type": "FeatureCollection", "features": [*features, "none"]}))
    asked = Asked(("c",), date(2020, 1, 1), date(2020, 1, 2), (0, 0, 1, 1), frozenset())
    remarks = Remarks()
    with Documents() as documents:
        found = [item for item, _ in raw_items(str(place), asked, documents, remarks)]
        place.write_text(json.dumps(features[0]))
        single = [item for item, _ in raw_items(str(place), asked, documents, remarks)]
    assert found == features
    assert single == features[:1]
    assert [each.detail for each in remarks.refused] == ["feature 3 is not an object"]
