"""The map layer of the sites, read back by GDAL through geopandas."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
from shapely import Polygon
from shapely.geometry import MultiPolygon, box, shape

from afterrains.delivery.geojson import plain_geometry, write_features
from afterrains.delivery.sites_layer import write_sites

_VERDICTS = pd.DataFrame({"site_id": ["north"], "verdict": ["gain"]})


@pytest.fixture
def sites() -> gpd.GeoDataFrame:
    hole = box(500_100, 1_600_100, 500_200, 1_600_200).exterior
    with_hole = Polygon(box(500_000, 1_600_000, 500_300, 1_600_300).exterior, [hole])
    two = MultiPolygon([box(510_000, 1_600_000, 510_100, 1_600_100), box(5.2e5, 1.6e6, 5.3e5, 2e6)])
    frame = gpd.GeoDataFrame(
        {
            "site_id": ["south", "north"],
            "role": ["control", "sown"],
            "name": ["", '"</script>\u200f=1+1'],
            "stratum": ["", "dune"],
            "area_ha": [400_001.0, 8.0],
        },
        geometry=[two, with_hole],
        crs="EPSG:32630",
    )
    frame["core"] = frame.buffer(-10)
    return frame


def test_gdal_reads_it_back(tmp_path: Path, sites: gpd.GeoDataFrame) -> None:
    """Longitude and latitude, one feature a site, areas as in the analysis CRS."""
    path = write_sites(tmp_path, sites, _VERDICTS)
    back = gpd.read_file(path)
    assert back.crs.to_epsg() == 4326
    assert list(back.columns) == [
        "site_id", "role", "name", "stratum", "area_ha", "verdict", "geometry",
    ]  # fmt: skip
    assert back["site_id"].tolist() == ["north", "south"]
    assert back["verdict"].tolist()[0] == "gain"
    assert pd.isna(back["verdict"][1])
    assert back["name"][0] == '"</script>\u200f=1+1'
    again = back.to_crs("EPSG:32630").geometry
    # Six decimals of a degree are some 0.11 m; a side of 100 m may move by that much.
    assert again.area.tolist() == pytest.approx([80_000, 4_000_010_000], rel=2e-3)
    assert again.iloc[0].hausdorff_distance(sites.geometry.iloc[1]) < 0.11


def test_rings_turn_as_rfc_7946_wants(sites: gpd.GeoDataFrame, tmp_path: Path) -> None:
    """Section 3.1.6: exterior rings counter-clockwise, holes clockwise."""
    content = json.loads(write_sites(tmp_path, sites, _VERDICTS).read_text(encoding="utf-8"))
    polygon = shape(content["features"][0]["geometry"])
    assert polygon.exterior.is_ccw
    assert [ring.is_ccw for ring in polygon.interiors] == [False]
    assert all(part.exterior.is_ccw for part in shape(content["features"][1]["geometry"]).geoms)


def test_equal_sites_are_equal_bytes(tmp_path: Path, sites: gpd.GeoDataFrame) -> None:
    """In whatever order, and without the core geometry."""
    first = write_sites(tmp_path / "a", sites, _VERDICTS).read_bytes()
    turned = sites.iloc[::-1].drop(columns="core")
    assert write_sites(tmp_path / "b", turned, _VERDICTS).read_bytes() == first


def test_heights_are_left_out_and_numbers_are_short() -> None:
    """A survey's height is no part of the map; by hand."""
    point = Polygon([(0, 0, 5), (1.23456789, 0, 5), (1, 1, 5)])
    assert plain_geometry(point) == {
        "type": "Polygon",
        "coordinates": [[[0.0, 0.0], [1.234568, 0.0], [1.0, 1.0], [0.0, 0.0]]],
    }


@pytest.mark.parametrize("count", [0, 1, 3])
def test_features_one_by_one_are_the_text_of_all_at_once(tmp_path: Path, count: int) -> None:
    """As Python's own encoder lays out the whole; text with line ends of every kind."""
    odd = {
        "type": "Feature",
        "name": "a\nb\u2028c\x85é",
        "empty": {},
        "none": None,
        "at": [[1.5, 2]],
    }
    features = [odd | {"number": number} for number in range(count)]
    path = write_features(tmp_path / "some.geojson", iter(features))
    whole = {"type": "FeatureCollection", "features": features}
    assert path.read_text("utf-8") == json.dumps(whole, indent=2, ensure_ascii=False) + "\n"
    with pytest.raises(ValueError, match="JSON"):
        write_features(path, [{"n": float("nan")}])
    assert json.loads(path.read_text("utf-8")) == whole
