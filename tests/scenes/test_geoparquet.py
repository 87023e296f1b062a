"""A stac-geoparquet file written by another program.

`data/items.parquet` holds three invented items, written by stac-geoparquet 0.8.3 with
`to_parquet(parse_stac_items_to_arrow(items), path)`; the items are the dictionaries named here.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from afterrains.errors import InputError
from afterrains.scenes import PixelGrid, Profiles, search
from afterrains.scenes.geoparquet import items_of

FILE = Path(__file__).parent / "data" / "items.parquet"
DAYS = date(2020, 1, 1), date(2023, 12, 31)
HERE = (3.0, 14.0, 5.0, 15.0)


def test_items_come_back_as_their_json():
    first, _, third = items_of(FILE)
    assert first["id"] == "S2A_31PDR_20200114_0_L2A"
    assert first["properties"]["datetime"] == "2020-01-14T10:20:31.024000Z"
    assert first["properties"]["s2:processing_baseline"] == "02.14"
    assert first["geometry"]["type"] == "Polygon"
    assert first["assets"]["red"]["raster:bands"] == [{"nodata": 0, "scale": 0.0001, "offset": 0}]
    # a column that the row leaves empty is no asset
    assert set(first["assets"]) == {"red", "nir", "scl"}
    assert set(third["assets"]) == {"red", "scl"}


def test_scenes_of_the_file(profiles: Profiles):
    found = search(str(FILE), ["sentinel-2-l2a"], *DAYS, HERE, 80, profiles)
    old, new = found.scenes
    assert old.acquired == datetime(2020, 1, 14, 10, 20, 31, 24000, tzinfo=UTC)
    assert (old.bands["red"].offset, new.bands["red"].offset) == (0.0, -0.1)
    assert new.grid == PixelGrid("EPSG:32631", 500_000.0, 1_600_000.0, 10.0, 100, 100)
    assert new.bands["red"].href == "https://data.example.org/S2A_31PDR_20230114_0_L2A/red.tif"
    assert [refused.reason for refused in found.refused] == ["cloudy"]


def test_what_is_no_such_file_is_an_input_error(tmp_path: Path, profiles: Profiles):
    """Not Parquet, other columns, not there."""
    (tmp_path / "a.parquet").write_text("no parquet", encoding="utf-8")
    pq.write_table(pa.table({"id": ["x"]}), tmp_path / "b.parquet")
    for name, words in (
        ("a", "not a Parquet"),
        ("b", "no column assets, geometry"),
        ("c", "c.par"),
    ):
        with pytest.raises(InputError, match=words):
            path = str(tmp_path / f"{name}.parquet")
            search(path, ["sentinel-2-l2a"], *DAYS, HERE, 80, profiles)


def test_broken_geometry_is_a_refusal(tmp_path: Path, profiles: Profiles):
    table = pq.read_table(FILE)
    broken = pa.array([b"no wkb"] * 3, type=pa.binary())
    table = table.set_column(table.schema.get_field_index("geometry"), "geometry", broken)
    pq.write_table(table, tmp_path / "items.parquet")
    found = search(str(tmp_path / "items.parquet"), ["sentinel-2-l2a"], *DAYS, HERE, 80, profiles)
    assert {refused.reason for refused in found.refused} == {"no-footprint"}
    assert len(found.refused) == 3
