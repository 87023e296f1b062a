"""Whatever a catalogue sends, an item becomes a scene or a refusal."""

from __future__ import annotations

import copy
import json
import math
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from afterrains.scenes import Profiles, Refusal, Scene
from afterrains.scenes.items import ItemSource, scene_from_item
from afterrains.scenes.sources import Asked

MakeItem = Callable[..., dict[str, Any]]

JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=8,
)
SOURCE = ItemSource("/data/items/1.json", False, ("sentinel-2-l2a",), 3.0)


def places(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Every place inside a JSON document."""
    yield path
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from places(inner, (*path, key))
    elif isinstance(value, list):
        for number, inner in enumerate(value):
            yield from places(inner, (*path, number))


def put(document: Any, path: tuple[Any, ...], value: Any) -> Any:
    """The document with one place replaced."""
    if not path:
        return value
    changed = copy.deepcopy(document)
    inner = changed
    for step in path[:-1]:
        inner = inner[step]
    inner[path[-1]] = value
    return changed


@pytest.fixture
def lawful(make_item: MakeItem, profiles: Profiles) -> dict[str, Any]:
    item = make_item(
        **{
            "proj:epsg": 32631,
            "proj:shape": [100, 100],
            "proj:transform": [10, 0, 500000, 0, -10, 1600000],
            "s2:processing_baseline": "02.14",
            "s2:generation_time": "2020-01-14T15:00:00Z",
            "grid:code": "MGRS-31PDR",
            "earthsearch:boa_offset_applied": False,
        }
    )
    for key in ("red", "nir"):
        item["assets"][key]["eo:bands"] = [{"name": key, "common_name": key}]
    assert isinstance(scene_from_item(item, SOURCE, profiles), Scene)
    return item


@settings(
    max_examples=300,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(data=st.data())
def test_no_item_crashes(lawful: dict[str, Any], profiles: Profiles, data: st.DataObject):
    """One place of a lawful item replaced by any JSON at all."""
    path = data.draw(st.sampled_from(list(places(lawful))[1:]))
    changed = put(lawful, path, data.draw(JSON))
    found = scene_from_item(changed, SOURCE, profiles)
    if isinstance(found, Refusal):
        assert found.reason
        assert found.detail
    else:
        assert found.scene_id.isprintable()
        assert all(math.isfinite(asset.scale * asset.offset) for asset in found.bands.values())
        json.dumps([found.scene_id, found.sensor, found.tile, found.footprint, *found.notes])


def test_middle_of_a_box_across_the_antimeridian():
    asked = Asked((), None, None, (179.0, 0.0, -177.0, 1.0))  # type: ignore[arg-type]
    assert asked.longitude == 181
    assert asked.boxes == [(179.0, 0.0, 180.0, 1.0), (-180.0, 0.0, -177.0, 1.0)]
