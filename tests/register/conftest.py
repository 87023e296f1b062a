"""A small invented programme that is right in every way; each test breaks one thing of it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import pytest
from shapely.geometry import box

_GOOD_PROGRAMME = """\
programme: {id: dune-edge, name: Dune Edge sowing programme, currency: XOF}
sites: sites.geojson
sowing: sowing.csv
rain: {table: rain.csv}
scenes: {catalogue: catalog.json, start: 2017-01-01, end: 2025-12-31}
"""


def _squares(count: int, *, west: float = -2.0, south: float = 14.0) -> gpd.GeoDataFrame:
    """`count` squares of some 300 m in a row, a kilometre apart; two of three are controls."""
    return gpd.GeoDataFrame(
        {
            "site_id": [f"plot-{number:02d}" for number in range(count)],
            "role": ["sown" if number % 3 == 0 else "control" for number in range(count)],
        },
        geometry=[
            box(west + 0.01 * at, south, west + 0.01 * at + 0.0028, south + 0.0027)
            for at in range(count)
        ],
        crs="EPSG:4326",
    )


@pytest.fixture
def sites_frame() -> gpd.GeoDataFrame:
    """Nine squares: three sown, six controls."""
    return _squares(9)


@pytest.fixture
def squares() -> Callable[..., gpd.GeoDataFrame]:
    """Makes such a row of squares: `squares(count, west=…, south=…)`."""
    return _squares


@pytest.fixture
def folder(tmp_path: Path, sites_frame: gpd.GeoDataFrame) -> Path:
    """A folder with a programme file and everything that it names."""
    (tmp_path / "programme.yaml").write_text(_GOOD_PROGRAMME)
    sites_frame.to_file(tmp_path / "sites.geojson")
    rows = ["site_id,sown_on,method,species,seed_kg_per_ha,seed_lot,cost"]
    for site_id in sites_frame.site_id[sites_frame.role == "sown"]:
        rows.append(f"{site_id},2020-06-15,by hand,acacia mix,4.5,lot 7,1200000")
    (tmp_path / "sowing.csv").write_text("\n".join(rows) + "\n")
    (tmp_path / "rain.csv").write_text("date,rain_mm\n2017-01-01,0\n")
    (tmp_path / "catalog.json").write_text("{}")
    return tmp_path
