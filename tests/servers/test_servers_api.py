"""Searching a real STAC API: stac-fastapi over pgstac, filled with real items and the sample's.

The service is other people's code (stac-fastapi 7, pgstac 0.9, PostgreSQL 15 with PostGIS); what a
search through it finds must equal what is found in the files that it was filled with.
"""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
import requests
from proxy import in_front_of
from stac_service import StacService
from urllib3 import Retry

from afterrains.errors import ServiceError
from afterrains.sample import SamplePaths
from afterrains.scenes import Profiles, SearchResult, load_profiles, search

GLOBE = (-180.0, -90.0, 180.0, 90.0)
# Without the pauses of the usual retries.
QUICK = Retry(total=3, backoff_factor=0, status_forcelist=(503,), allowed_methods=None)


@pytest.fixture(scope="module")
def profiles() -> Profiles:
    return load_profiles()


def collection(name: str, documents: list[dict[str, Any]]) -> dict[str, Any]:
    """A collection as the service wants one."""
    whole = {"spatial": {"bbox": [list(GLOBE)]}, "temporal": {"interval": [[None, None]]}}
    return {
        "type": "Collection", "stac_version": "1.0.0", "id": name, "license": "other",
        "description": f"{len(documents)} items", "links": [], "extent": whole,
    }  # fmt: skip


@pytest.fixture(scope="module")
def real_api(stac_service: StacService, real_items: list[dict[str, Any]]) -> str:
    """The service with the real items; ours of the sample go into a collection of their own."""
    by_collection: dict[str, list[dict[str, Any]]] = {}
    for item in real_items:
        by_collection.setdefault(item["collection"], []).append(item)
    stac_service.load([collection(*pair) for pair in by_collection.items()], real_items)
    return stac_service.address


# A collection id of its own, so that the sample and the real items share one service.
SAMPLE_COLLECTION = "sentinel-2-c1-l2a"


@pytest.fixture(scope="module")
def sample_items(sample: SamplePaths) -> list[dict[str, Any]]:
    """The sample's items with absolute references, as a service holds them."""
    found = []
    for path in sorted(sample.catalogue.parent.glob("*/*/*.json")):
        item = json.loads(path.read_text(encoding="utf-8"))
        item["collection"], item["links"] = SAMPLE_COLLECTION, []
        for asset in item["assets"].values():
            asset["href"] = (path.parent / asset["href"]).as_uri()
        found.append(item)
    return found


@pytest.fixture(scope="module")
def sample_api(stac_service: StacService, sample_items: list[dict[str, Any]]) -> str:
    stac_service.load([collection(SAMPLE_COLLECTION, sample_items)], sample_items)
    return stac_service.address


def sample_bbox(sample: SamplePaths) -> tuple[float, float, float, float]:
    west, south, east, north = gpd.read_file(sample.sites).to_crs("EPSG:4326").total_bounds
    return west, south, east, north


def search_sample(catalogue: str, name: str, sample: SamplePaths, **how: Any) -> SearchResult:
    days = date(2016, 1, 1), date(2023, 12, 31)
    return search(catalogue, [name], *days, sample_bbox(sample), 80, load_profiles(), **how)


def test_real_items_through_the_api_equal_the_saved_ones(
    real_api: str, real_items: list[dict[str, Any]], profiles: Profiles, tmp_path: Path
) -> None:
    """Sentinel-2 and Landsat items of several catalogues: same scenes, same refusals."""
    saved = tmp_path / "items.json"
    saved.write_text(json.dumps({"type": "FeatureCollection", "features": real_items}))
    asked = sorted({i["collection"] for i in real_items if profiles.of(i["collection"])})
    assert len(asked) >= 3
    days = date(1980, 1, 1), date(2026, 1, 1)
    from_file = search(str(saved), asked, *days, GLOBE, 100, profiles)
    from_api = search(real_api, asked, *days, GLOBE, 100, profiles)
    assert len(from_file.scenes) > 20
    assert from_api == from_file


def test_a_place_and_a_time_are_asked_for(
    real_api: str, real_items: list[dict[str, Any]], profiles: Profiles
) -> None:
    """The tile 06VVN of 29 June 2019 over Alaska, alone; its neighbours are not candidates."""
    day = date(2019, 6, 29)
    found = search(
        real_api, ["sentinel-2-l2a"], day, day, (-149.0, 60.8, -148.0, 61.2), 100, profiles
    )
    told = {scene.tile for scene in found.scenes}
    assert told == {"06VVN"}
    assert {scene.acquired.date() for scene in found.scenes} == {day}


def test_the_sample_through_the_api_equals_its_static_catalogue(
    sample_api: str, sample: SamplePaths, sample_items: list[dict[str, Any]], tmp_path: Path
) -> None:
    """Three pages of at most 100; every scene and refusal as in the files, and nothing is lost."""
    answer = requests.post(
        f"{sample_api}/search", json={"collections": [SAMPLE_COLLECTION], "limit": 7}, timeout=30
    ).json()
    assert answer["numberMatched"] == len(sample_items) > 200
    assert len(answer["features"]) == 7
    saved = tmp_path / "items.json"
    saved.write_text(json.dumps({"type": "FeatureCollection", "features": sample_items}))
    with in_front_of(sample_api) as proxy:
        from_api = search_sample(proxy.address, SAMPLE_COLLECTION, sample)
        assert proxy.asked.count("POST /search") == -(-len(sample_items) // 100)
    assert from_api == search_sample(str(saved), SAMPLE_COLLECTION, sample)
    static = search_sample(str(sample.catalogue), "sentinel-2-l2a", sample)
    assert [scene.scene_id for scene in from_api.scenes] == [s.scene_id for s in static.scenes]
    assert [scene.bands for scene in from_api.scenes] == [s.bands for s in static.scenes]
    assert [scene.overpass for scene in from_api.scenes] == [s.overpass for s in static.scenes]
    told = [(refusal.scene_id, refusal.reason) for refusal in from_api.refused]
    assert told == [(refusal.scene_id, refusal.reason) for refusal in static.refused]
    assert len(static.scenes) + len(static.refused) == len(sample_items)
    assert from_api.notes == ()


def test_every_other_request_answered_503_changes_nothing(
    sample_api: str, sample: SamplePaths
) -> None:
    """Landing page and searches are tried again; no page is lost and none comes twice."""
    undisturbed = search_sample(sample_api, SAMPLE_COLLECTION, sample)
    with in_front_of(sample_api) as proxy:
        proxy.fails = lambda number: 503 if number % 2 else None
        disturbed = search_sample(proxy.address, SAMPLE_COLLECTION, sample, retries=QUICK)
        assert proxy.statuses.count(503) >= 4
    assert disturbed == undisturbed


def test_a_service_that_stays_down_is_told_in_a_sentence(
    sample_api: str, sample: SamplePaths
) -> None:
    """After the first page nothing but 503: no half result is taken for a whole one."""
    with in_front_of(sample_api) as proxy:
        proxy.fails = lambda number: 503 if number > 3 else None
        with pytest.raises(ServiceError, match="failed after several tries") as caught:
            search_sample(proxy.address, SAMPLE_COLLECTION, sample, retries=QUICK)
    assert caught.value.exit_status == 3
    assert "POST /search" in proxy.asked
    assert 200 in proxy.statuses
