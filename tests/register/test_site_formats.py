"""The same sites come out of every vector format and every CRS."""

from __future__ import annotations

import http.server
import threading
import zipfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely
from shapely import MultiPolygon, box

from afterrains.register.findings import FindingList, has_errors
from afterrains.register.sites import SiteTable, read_sites


def _read(path: Path) -> tuple[SiteTable, list[str]]:
    found = FindingList(path.name)
    table = read_sites(path, found)
    assert table is not None, [str(finding) for finding in found.all()]
    return table, [finding.code for finding in found.all()]


def _same_ground(one: gpd.GeoSeries, other: gpd.GeoSeries, within_degrees: float) -> None:
    gap = shapely.hausdorff_distance(one.to_numpy(), other.to_numpy())
    assert gap.max() <= within_degrees


def _contents(folder: Path) -> dict[str, bytes]:
    return {str(path): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.fixture
def named(sites_frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    sites_frame["name"] = ["Étang du Nord", *[f"site {at}" for at in range(1, 9)]]
    sites_frame["stratum"] = ["dune"] * 4 + ["plain"] * 5
    return sites_frame


@pytest.mark.parametrize(
    ("file", "driver"),
    [
        ("sites.geojson", "GeoJSON"),
        ("sites.json", "GeoJSON"),
        ("sites.geojsonl", "GeoJSONSeq"),
        ("sites.gpkg", "GPKG"),
        ("sites.shp", "ESRI Shapefile"),
        ("sites.fgb", "FlatGeobuf"),
        ("sites.kml", "KML"),
        ("sites.gml", "GML"),
        ("sites.tab", "MapInfo File"),
        ("sites.sqlite", "SQLite"),
        ("sites.gdb", "OpenFileGDB"),
        ("sites.kmz", "LIBKML"),
    ],
)
def test_every_format_gives_the_same_sites(
    tmp_path: Path, named: gpd.GeoDataFrame, file: str, driver: str
) -> None:
    """Written by GDAL itself. Text formats round coordinates, to 7 decimals at worst (1 cm)."""
    named.to_file(tmp_path / file, driver=driver)
    before = _contents(tmp_path)
    table, codes = _read(tmp_path / file)
    assert codes == []
    assert _contents(tmp_path) == before
    # FlatGeobuf stores features by their place, so order is not kept.
    frame = table.frame.sort_values("site_id").reset_index(drop=True)
    for column in ("site_id", "role", "name", "stratum"):
        assert frame[column].tolist() == named[column].tolist()
    _same_ground(frame.geometry, named.geometry, 1e-7)
    assert dict(table.named) == dict(zip(named.site_id, named.role, strict=True))


@pytest.mark.parametrize("crs", [32630, 32631, 3857, 2062, "ESRI:102022", "OGC:CRS84", 4267])
def test_every_crs_gives_the_same_ground(
    tmp_path: Path, sites_frame: gpd.GeoDataFrame, crs: int | str
) -> None:
    """PROJ there and back; a datum shift without its grid is good to about a metre, 1e-5°."""
    sites_frame.to_crs(crs).to_file(tmp_path / "sites.gpkg")
    table, codes = _read(tmp_path / "sites.gpkg")
    assert codes == []
    assert table.frame.crs.to_epsg() == 4326
    _same_ground(table.frame.geometry, sites_frame.geometry, 1e-5 if crs in (2062, 4267) else 1e-9)


def test_old_geojson_with_a_crs_member_is_read_in_that_crs(
    tmp_path: Path, sites_frame: gpd.GeoDataFrame
) -> None:
    """The 2008 GeoJSON specification, section 3, allowed one; RFC 7946 has only WGS 84."""
    text = sites_frame.to_crs(32630).to_json(drop_id=True, to_wgs84=False)
    assert "EPSG::32630" in text
    (tmp_path / "sites.geojson").write_text(text)
    table, codes = _read(tmp_path / "sites.geojson")
    assert codes == []
    _same_ground(table.frame.geometry, sites_frame.geometry, 1e-9)


def test_a_plain_zip_file_is_read(tmp_path: Path, sites_frame: gpd.GeoDataFrame) -> None:
    sites_frame.to_file(tmp_path / "sites.shp")
    with zipfile.ZipFile(tmp_path / "my sites.zip", "w") as archive:
        for part in tmp_path.glob("sites.*"):
            archive.write(part, f"export/{part.name}")
    table, codes = _read(tmp_path / "my sites.zip")
    assert codes == []
    assert table.frame.site_id.tolist() == sites_frame.site_id.tolist()


_GML_FROM_A_SERVICE = """\
<?xml version="1.0" encoding="utf-8"?>
<wfs:FeatureCollection xmlns:wfs="http://www.opengis.net/wfs"
  xmlns:gml="http://www.opengis.net/gml" xmlns:t="http://example.org/t"
  xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance"
  xsi:schemaLocation="http://example.org/t http://127.0.0.1:{port}/wfs?{ask}&amp;TYPENAME=t:sites">
<gml:featureMember><t:sites gml:id="a"><t:geom><gml:Polygon srsName="urn:ogc:def:crs:EPSG::4326">
<gml:exterior><gml:LinearRing><gml:posList>14 -2 14.1 -2 14.1 -1.9 14 -2</gml:posList>
</gml:LinearRing></gml:exterior></gml:Polygon></t:geom>
<t:site_id>north</t:site_id><t:role>sown</t:role></t:sites></gml:featureMember>
</wfs:FeatureCollection>
"""


def test_a_file_makes_gdal_neither_fetch_nor_write_anything(tmp_path: Path) -> None:
    """GDAL would fetch the schema that this file names, and keep one of its own beside it.

    A server here counts what is asked for.
    """
    asked: list[str] = []

    class Counting(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            self.send_error(404)

        def log_message(self, *_: object) -> None:
            pass

    with http.server.HTTPServer(("127.0.0.1", 0), Counting) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        ask = "SERVICE=WFS&amp;VERSION=1.1.0&amp;REQUEST=DescribeFeatureType"
        text = _GML_FROM_A_SERVICE.format(port=server.server_port, ask=ask)
        (tmp_path / "sites.gml").write_text(text)
        table, _ = _read(tmp_path / "sites.gml")
        server.shutdown()
    assert asked == []
    assert [path.name for path in tmp_path.iterdir()] == ["sites.gml"]
    assert table.frame.site_id.tolist() == ["north"]
    assert table.frame.total_bounds.tolist() == [-2.0, 14.0, -1.9, 14.1]


def test_heights_are_dropped_quietly(tmp_path: Path, sites_frame: gpd.GeoDataFrame) -> None:
    flat = sites_frame.geometry.copy()
    heights = shapely.force_3d(flat.to_numpy(), z=np.arange(9.0))
    sites_frame.set_geometry(gpd.GeoSeries(heights, crs=4326)).to_file(tmp_path / "sites.gpkg")
    table, codes = _read(tmp_path / "sites.gpkg")
    assert codes == []
    assert not table.frame.geometry.has_z.any()
    _same_ground(table.frame.geometry, flat, 0.0)


def test_holes_and_several_parts_are_kept(tmp_path: Path, sites_frame: gpd.GeoDataFrame) -> None:
    outer = box(-1.99, 14.01, -1.98, 14.02)
    parts = MultiPolygon(
        [outer.difference(box(-1.987, 14.013, -1.983, 14.017)), box(-1.97, 14.01, -1.965, 14.015)]
    )
    sites_frame.loc[1, "geometry"] = parts
    sites_frame.to_file(tmp_path / "sites.geojson")
    table, codes = _read(tmp_path / "sites.geojson")
    assert codes == []
    assert table.frame.geometry[1].equals(parts)


def test_a_layer_called_sites_is_taken(tmp_path: Path, sites_frame: gpd.GeoDataFrame) -> None:
    sites_frame.head(2).to_file(tmp_path / "a.gpkg", layer="roads")
    sites_frame.to_file(tmp_path / "a.gpkg", layer="Sites")
    pyogrio.write_dataframe(sites_frame.drop(columns="geometry"), tmp_path / "a.gpkg", layer="log")
    table, codes = _read(tmp_path / "a.gpkg")
    assert codes == ["sites-several-layers"]
    assert len(table.frame) == 9


def test_shapefile_fields_in_capitals_are_taken(
    tmp_path: Path, sites_frame: gpd.GeoDataFrame
) -> None:
    sites_frame.rename(columns=str.upper).set_geometry("GEOMETRY").to_file(tmp_path / "sites.shp")
    table, codes = _read(tmp_path / "sites.shp")
    assert codes == ["site-renamed-column"] * 2
    assert len(table.frame) == 9


def test_shapefile_in_an_old_encoding_is_read(
    tmp_path: Path, sites_frame: gpd.GeoDataFrame
) -> None:
    sites_frame["name"] = "Étang"
    sites_frame.to_file(tmp_path / "sites.shp", encoding="ISO-8859-1")
    assert _read(tmp_path / "sites.shp")[0].frame["name"].tolist() == ["Étang"] * 9


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ([1, 2, 3], ["1", "2", "3"]),
        ([1.0, 2.5, 3.0], ["1", "2.5", "3"]),
        ([2**53 + 1, 2, 3], ["9007199254740993", "2", "3"]),
    ],
)
def test_ids_that_are_numbers_become_text(
    tmp_path: Path, sites_frame: gpd.GeoDataFrame, values: list[float], expected: list[str]
) -> None:
    sites_frame.head(3).assign(site_id=values).to_file(tmp_path / "sites.gpkg")
    table, codes = _read(tmp_path / "sites.gpkg")
    assert codes == ["site-id-number"]
    assert table.frame.site_id.tolist() == expected


def test_space_around_ids_is_trimmed_with_a_word(
    tmp_path: Path, sites_frame: gpd.GeoDataFrame
) -> None:
    sites_frame.loc[0, "site_id"] = " plot-00\u00a0"
    sites_frame.to_file(tmp_path / "sites.geojson")
    table, codes = _read(tmp_path / "sites.geojson")
    assert codes == ["site-id-space"]
    assert table.frame.site_id[0] == "plot-00"


def test_letters_composed_otherwise_give_the_same_id(
    tmp_path: Path, sites_frame: gpd.GeoDataFrame
) -> None:
    """Unicode normalisation form C; file systems and editors differ in this unseen."""
    sites_frame.loc[0, "site_id"] = "e\u0301tang"
    sites_frame.to_file(tmp_path / "sites.geojson")
    table, codes = _read(tmp_path / "sites.geojson")
    assert codes == []
    assert table.frame.site_id[0] == "\u00e9tang"


def test_real_polygons_are_read_without_a_finding(real: Path) -> None:
    """Nine polygons that came with real scenes; read once more by geopandas."""
    path = real / "semi-arid-2019" / "polygons.geojson"
    table, codes = _read(path)
    expected = gpd.read_file(path)
    assert codes == []
    assert table.frame.site_id.tolist() == expected.site_id.tolist()
    assert table.frame.geometry.geom_equals(expected.geometry).all()


@pytest.mark.parametrize(
    ("file", "driver"),
    [
        ("sites.geojson", "GeoJSON"),
        ("sites.gpkg", "GPKG"),
        ("sites.shp", "ESRI Shapefile"),
        ("sites.fgb", "FlatGeobuf"),
    ],
)
def test_a_damaged_file_is_told_and_loses_no_site_in_silence(
    tmp_path: Path, sites_frame: gpd.GeoDataFrame, rng: np.random.Generator, file: str, driver: str
) -> None:
    """Each file of the format cut short in several places, and with single bytes changed."""
    sites_frame.to_file(tmp_path / file, driver=driver)
    whole = {path: path.read_bytes() for path in tmp_path.iterdir()}
    for damaged, content in whole.items():
        for at in rng.integers(1, len(content), 12).tolist():
            changed = content[:at] + b"9" + content[at + 1 :]
            for cut, broken in ((True, content[:at]), (False, changed)):
                damaged.write_bytes(broken)
                found = FindingList(file)
                table = read_sites(tmp_path / file, found)
                if cut and not has_errors(found.all()):
                    assert table is not None
                    assert len(table.frame) == len(sites_frame), (damaged.name, at)
        damaged.write_bytes(content)
