"""Real servers for the tests, started here on the loopback and gone with the test run."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from range_server import RangeServer, serve
from stac_service import StacService, missing_part, run_service

from afterrains.sample import SamplePaths, write_sample

ABSOLUTE = ("http://", "https://", "s3://")


@pytest.fixture(scope="session")
def stac_service() -> Iterator[StacService]:
    """A STAC API (stac-fastapi over pgstac), empty at first; tests of one file share it."""
    missing = missing_part()
    if missing is not None:
        message = f"the STAC API cannot be started: {missing}"
        if os.environ.get("CI", "").lower() == "true":
            pytest.fail(message)
        pytest.skip(message)
    with run_service() as service:
        yield service


@pytest.fixture(scope="session")
def sample(tmp_path_factory: pytest.TempPathFactory) -> SamplePaths:
    """The small sample programme; read only."""
    return write_sample(tmp_path_factory.mktemp("sample"), size="small", workers=1)


@pytest.fixture(scope="session")
def sample_server(sample: SamplePaths) -> Iterator[RangeServer]:
    """The sample's folder over HTTP with byte ranges."""
    with serve(sample.folder) as server:
        yield server


@pytest.fixture(scope="session")
def real_items(real: Path) -> list[dict[str, Any]]:
    """The real items whose files have addresses of their own, each once."""
    found: dict[tuple[str, str], dict[str, Any]] = {}
    for path in sorted((real / "stac").rglob("*.*json")):
        document = json.loads(path.read_text(encoding="utf-8"))
        features = document.get("features", [document]) if isinstance(document, dict) else document
        for item in features:
            if isinstance(item, dict) and item.get("type") == "Feature" and _can_be_served(item):
                found.setdefault((item["collection"], item["id"]), item)
    return list(found.values())


def _can_be_served(item: dict[str, Any]) -> bool:
    """A service needs a collection and a place; a relative reference would change its meaning."""
    return (
        bool(item.get("collection"))
        and item.get("geometry") is not None
        and all(asset["href"].startswith(ABSOLUTE) for asset in item["assets"].values())
    )
