"""Broken inputs that are not text. Each function breaks a good programme and gives its findings."""

from __future__ import annotations

import struct
import warnings
import zipfile
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
from shapely import MultiPolygon, Polygon, box

WRITTEN: dict[str, Callable[[Path], list[str]]] = {}
_RESAVE = "open and save it anew in a GIS program, for example as GeoPackage"
_SAVE_AS = 'save it from the spreadsheet as "CSV UTF-8 (comma delimited)"'


def _case(write: Callable[[Path], list[str]]) -> Callable[[Path], list[str]]:
    WRITTEN[write.__name__.replace("_", "-")] = write
    return write


def _sites(folder: Path) -> gpd.GeoDataFrame:
    return gpd.read_file(folder / "sites.geojson")


def _name_sites(folder: Path, name: str) -> None:
    path = folder / "programme.yaml"
    path.write_text(path.read_text().replace("sites.geojson", name))


@_case
def shapefile_without_prj(folder: Path) -> list[str]:
    _sites(folder).to_file(folder / "sites.shp")
    (folder / "sites.prj").unlink()
    _name_sites(folder, "sites.shp")
    return [
        "error sites-no-crs sites.shp: declares no coordinate reference system; put sites.prj "
        "beside it, or assign the CRS the coordinates were taken in, in a GIS program"
    ]


@_case
def shapefile_without_shx(folder: Path) -> list[str]:
    _sites(folder).to_file(folder / "sites.shp")
    (folder / "sites.shx").unlink()
    _name_sites(folder, "sites.shp")
    return [
        "error sites-unreadable sites.shp: cannot be read as vector features (Unable to open …); "
        "keep the .shp, .shx, .dbf and .prj of one Shapefile together; or " + _RESAVE
    ]


@_case
def shapefile_without_dbf(folder: Path) -> list[str]:
    _sites(folder).to_file(folder / "sites.shp")
    (folder / "sites.dbf").unlink()
    _name_sites(folder, "sites.shp")
    return [
        f"error site-missing-column sites.shp: its features have no field {name!r}; put sites.dbf "
        f"beside it, or add the text field {name}"
        for name in ("site_id", "role")
    ]


@_case
def geopackage_without_crs(folder: Path) -> list[str]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)
        _sites(folder).set_crs(None, allow_override=True).to_file(folder / "sites.gpkg")
    _name_sites(folder, "sites.gpkg")
    return [
        "error sites-no-crs sites.gpkg: declares no coordinate reference system; assign the CRS "
        "the coordinates were taken in, in a GIS program"
    ]


@_case
def geopackage_with_two_layers(folder: Path) -> list[str]:
    _sites(folder).to_file(folder / "sites.gpkg", layer="sown ground")
    _sites(folder).to_file(folder / "sites.gpkg", layer="old")
    _name_sites(folder, "sites.gpkg")
    return [
        "warning sites-several-layers sites.gpkg: holds 2 layers ('sown ground', 'old'); 'sown "
        'ground\' is taken; call the layer with the sites "sites", or save it alone'
    ]


@_case
def geopackage_with_a_table_only(folder: Path) -> list[str]:
    frame = _sites(folder).drop(columns="geometry")
    pyogrio.write_dataframe(frame, folder / "sites.gpkg", driver="GPKG")
    _name_sites(folder, "sites.gpkg")
    return [
        "error sites-no-geometry-column sites.gpkg: holds no layer with geometry; give the file "
        "that holds the polygons"
    ]


@_case
def geopackage_with_infinite_coordinate(folder: Path) -> list[str]:
    frame = _sites(folder)
    frame.loc[1, "geometry"] = Polygon([(-1.99, 14), (np.inf, 14), (-1.98, 14.01), (-1.99, 14)])
    frame.to_file(folder / "sites.gpkg")
    _name_sites(folder, "sites.gpkg")
    return [
        "error site-nan-coordinates sites.gpkg: feature 2 (site_id 'ridge'): has coordinates that "
        "are not numbers; draw the polygon anew"
    ]


@_case
def projected_coordinates_out_of_reach(folder: Path) -> list[str]:
    frame = _sites(folder).to_crs(32630)
    frame.loc[1, "geometry"] = box(1e30, 1e30, 2e30, 2e30)
    frame.to_file(folder / "sites.gpkg")
    _name_sites(folder, "sites.gpkg")
    return [
        "error site-outside-world sites.gpkg: feature 2 (site_id 'ridge'): lies outside the world; "
        "check the coordinates and the CRS that the file declares"
    ]


@_case
def projected_coordinates_that_proj_cannot_place(folder: Path) -> list[str]:
    frame = _sites(folder).to_crs("ESRI:54009")
    frame.loc[1, "geometry"] = box(5e7, 5e7, 6e7, 6e7)
    frame.to_file(folder / "sites.gpkg")
    _name_sites(folder, "sites.gpkg")
    return [
        "error site-outside-world sites.gpkg: feature 2 (site_id 'ridge'): its coordinates lie "
        "outside World_Mollweide; check the coordinates and the CRS that the file declares"
    ]


@_case
def coordinates_on_the_moon(folder: Path) -> list[str]:
    frame = _sites(folder).to_crs(32630).set_crs("IAU_2015:30130", allow_override=True)
    frame.to_file(folder / "sites.gpkg")
    _name_sites(folder, "sites.gpkg")
    return [
        "error sites-unusable-crs sites.gpkg: declares the CRS Moon…, from which no way leads to "
        "places on Earth; assign the CRS the coordinates were taken in, in a GIS program"
    ]


def _cut(folder: Path, where: Callable[[bytes], int]) -> None:
    """The sites as a FlatGeobuf file that ends at the byte named."""
    _sites(folder).to_file(folder / "sites.fgb")
    whole = (folder / "sites.fgb").read_bytes()
    (folder / "sites.fgb").write_bytes(whole[: where(whole)])
    _name_sites(folder, "sites.fgb")


@_case
def flatgeobuf_cut_between_features(folder: Path) -> list[str]:
    def last_feature(whole: bytes) -> int:
        # Features follow one another to the file's end, each after its length in four bytes.
        return next(
            at
            for at in range(len(whole) - 5, 0, -1)
            if struct.unpack_from("<I", whole, at)[0] == len(whole) - at - 4
        )

    _cut(folder, last_feature)
    return [
        "error sites-cut-short sites.fgb: says that it holds 6 features, and 5 can be read; copy "
        "or export the file anew"
    ]


@_case
def flatgeobuf_cut_in_its_header(folder: Path) -> list[str]:
    _cut(folder, lambda _: 200)
    return ["error sites-cut-short sites.fgb: holds no layer at all; copy or export the file anew"]


@_case
def parts_of_one_site_overlap(folder: Path) -> list[str]:
    frame = _sites(folder)
    part = frame.geometry[1]
    west, south, east, north = part.bounds
    frame.loc[1, "geometry"] = MultiPolygon([part, box(west + 0.001, south, east + 0.001, north)])
    frame.to_file(folder / "sites.gpkg")
    _name_sites(folder, "sites.gpkg")
    return [
        "error site-self-crossing sites.gpkg: feature 2 (site_id 'ridge'): has an outline that "
        "crosses or touches itself (Self-intersection…); mend the outline in a GIS program"
    ]


@_case
def points_as_shapefile(folder: Path) -> list[str]:
    frame = _sites(folder).to_crs(32630)
    frame.set_geometry(frame.centroid).to_file(folder / "sites.shp")
    _name_sites(folder, "sites.shp")
    names = ("north", "ridge", "well", "pan", "fan", "spur")
    return [
        f"error site-not-polygon sites.shp: feature {number} (site_id {name!r}): is or holds a "
        "Point, not a polygon; draw the outline of the ground as a polygon"
        for number, name in enumerate(names, start=1)
    ]


@_case
def kml_without_site_fields(folder: Path) -> list[str]:
    _sites(folder).rename(columns={"site_id": "Name"}).drop(columns="role").to_file(
        folder / "sites.kml", driver="KML"
    )
    _name_sites(folder, "sites.kml")
    return [
        f"error site-missing-column sites.kml: its features have no field {name!r}…; add the text "
        f"field {name}"
        for name in ("site_id", "role")
    ]


@_case
def sites_in_a_picture(folder: Path) -> list[str]:
    (folder / "sites.geojson").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(64))
    return [
        "error sites-unreadable sites.geojson: cannot be read as vector features (…); " + _RESAVE
    ]


@_case
def sites_in_a_folder(folder: Path) -> list[str]:
    (folder / "shapes").mkdir()
    _name_sites(folder, "shapes")
    return ["error sites-folder shapes: is a folder, not a file; name the file inside it"]


@_case
def sites_in_a_table_of_points(folder: Path) -> list[str]:
    (folder / "sites.csv").write_text("site_id,role,WKT\nnorth,sown,POINT (0 0)\n")
    _name_sites(folder, "sites.csv")
    return [
        "error sites-format sites.csv: is read as CSV, which is not a format for site polygons; "
        "save the polygons as GeoJSON or GeoPackage"
    ]


def _zip_sites(folder: Path, *names: str) -> None:
    with zipfile.ZipFile(folder / "sites.zip", "w") as archive:
        for name in names:
            archive.write(folder / "sites.geojson", name)


@_case
def zip_with_two_files(folder: Path) -> list[str]:
    _zip_sites(folder, "a.geojson", "b.geojson")
    _name_sites(folder, "sites.zip")
    return [
        "error sites-zip sites.zip: holds 2 vector files, not one; unpack it and name the file "
        "inside"
    ]


@_case
def zip_cut_short(folder: Path) -> list[str]:
    _zip_sites(folder, "a.geojson")
    whole = (folder / "sites.zip").read_bytes()
    (folder / "sites.zip").write_bytes(whole[: len(whole) // 2])
    _name_sites(folder, "sites.zip")
    return [
        "error sites-zip sites.zip: is not a sound zip file; unpack it and name the file inside"
    ]


@_case
def zip_that_unpacks_beyond_measure(folder: Path) -> list[str]:
    with zipfile.ZipFile(folder / "sites.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.geojson", bytes(1000))
    whole = (folder / "sites.zip").read_bytes()
    # The directory at the end says how large the member is: byte 24 of its entry.
    at = whole.index(b"PK\x01\x02") + 24
    (folder / "sites.zip").write_bytes(
        whole[:at] + struct.pack("<I", 4_000_000_000) + whole[at + 4 :]
    )
    _name_sites(folder, "sites.zip")
    return [
        "error sites-zip sites.zip: unpacks to more than 500 MB; unpack it and name the file inside"
    ]


def _rewrite_sowing(folder: Path, encoding: str, old: str = "", new: str = "") -> None:
    path = folder / "sowing.csv"
    path.write_bytes(path.read_text().replace(old, new).encode(encoding))


@_case
def sowing_in_utf_16(folder: Path) -> list[str]:
    _rewrite_sowing(folder, "utf-16")
    return [f"error table-encoding sowing.csv: is UTF-16, not UTF-8; {_SAVE_AS}"]


@_case
def sowing_in_latin_1(folder: Path) -> list[str]:
    _rewrite_sowing(folder, "latin-1", "lot 8", "lot né 8")
    return [
        "error table-encoding sowing.csv: row 3: holds the byte 0xE9, which is not UTF-8; "
        + _SAVE_AS
    ]


@_case
def sowing_with_a_nul(folder: Path) -> list[str]:
    _rewrite_sowing(folder, "utf-8", "lot 8", "lot\0 8")
    return [
        "error table-nul sowing.csv: row 3: holds a NUL character, so the file is damaged or not "
        f"text; {_SAVE_AS}"
    ]


@_case
def sowing_with_an_over_long_cell(folder: Path) -> list[str]:
    _rewrite_sowing(folder, "utf-8", "lot 8", "x" * 20_000)
    return [
        "error table-long-cell sowing.csv: row 3: has a cell of 20000 characters; shorten it, or "
        "look for a quotation mark that does not close"
    ]


@_case
def sowing_with_a_hundred_bad_dates(folder: Path) -> list[str]:
    rows = "".join(f"north,15/06/2020,way {way},,,,\n" for way in range(100))
    with (folder / "sowing.csv").open("a") as file:
        file.write(rows)
    told = [
        f"error sowing-bad-date sowing.csv: row {row}: sown_on '15/06/2020' is not an ISO date; "
        "write 2020-06-15 if that is the day meant"
        for row in range(4, 24)
    ]
    more = (
        "error sowing-bad-date sowing.csv: has 80 more problems like the 20 shown "
        "(sowing-bad-date); mend them the same way"
    )
    return [*told, more]


@_case
def programme_in_utf_16(folder: Path) -> list[str]:
    path = folder / "programme.yaml"
    path.write_bytes(path.read_text().encode("utf-16"))
    return ["error yaml-encoding programme.yaml: is not UTF-8; save it as UTF-8"]


@_case
def programme_with_a_control_character(folder: Path) -> list[str]:
    path = folder / "programme.yaml"
    path.write_bytes(path.read_bytes().replace(b"Dune Edge", b"Dune\x07Edge"))
    return [
        "error yaml-syntax programme.yaml: is not valid YAML: unacceptable character #x0007: …; "
        "save it anew as plain text"
    ]


@_case
def programme_nested_without_end(folder: Path) -> list[str]:
    (folder / "programme.yaml").write_text("[" * 5000)
    return ["error yaml-syntax programme.yaml: is not valid YAML: …; save it anew as plain text"]


@_case
def programme_too_large(folder: Path) -> list[str]:
    (folder / "programme.yaml").write_text("# " + "x" * 1_100_000)
    return [
        "error yaml-too-large programme.yaml: is 1.1 MB large, more than any file of settings; "
        "check that it is the right file"
    ]


@_case
def path_longer_than_any_file_name(folder: Path) -> list[str]:
    _name_sites(folder, "x" * 300)
    return [
        "error unusable-path programme.yaml: sites (line 2): '…' cannot be looked up (File name "
        "too long); correct the path"
    ]
