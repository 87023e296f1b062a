"""Opening the sites file: any vector format that GDAL reads from one local file.

GDAL also has formats that send it elsewhere: to other files, to servers, to other programs. A sites
file comes from many hands, so those are refused by their content before GDAL opens the file, and
again by the name of the driver that opened it.
"""

from __future__ import annotations

import shutil
import tempfile
import warnings
import zipfile
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

import numpy as np
import pyogrio
import shapely
from numpy.typing import NDArray
from pyogrio.errors import DataLayerError, DataSourceError
from pyproj import CRS
from pyproj.exceptions import CRSError
from shapely.geometry.base import BaseGeometry

from afterrains.register.findings import FindingList

__all__ = ["RawSites", "open_sites"]

_LARGEST_BYTES = 500_000_000
_MOST_FEATURES = 200_000
_SENT_ELSEWHERE = (b"<ogrvrtdatasource", b"<ogrwfsdatasource", b"gdal_streamed_alg", b"<gdal_wms")
_LOCAL_DRIVERS = frozenset(
    {
        "ESRI Shapefile",
        "ESRIJSON",
        "FlatGeobuf",
        "GML",
        "GPKG",
        "GeoJSON",
        "GeoJSONSeq",
        "JSONFG",
        "KML",
        "LIBKML",
        "MapInfo File",
        "OGR_GMT",
        "OpenFileGDB",
        "SQLite",
        "TopoJSON",
    }
)
_UNREADABLE = (
    DataSourceError,
    DataLayerError,
    CRSError,
    OSError,
    ValueError,
    # pyogrio stumbles over GDAL's message where that quotes bytes that are not UTF-8.
    UnboundLocalError,
)
# Only these are looked for inside a zip file.
_SUFFIXES = (".geojson", ".json", ".gpkg", ".shp", ".kml", ".fgb", ".gml", ".tab", ".mif")


@dataclass(frozen=True)
class RawSites:
    """The features as the file has them: fields by name, geometry (None where unreadable), CRS.

    `had_geometry` tells a feature without a geometry from one whose geometry cannot be read.
    """

    fields: dict[str, NDArray[np.generic]]
    geometry: list[BaseGeometry | None]
    had_geometry: list[bool]
    crs: CRS
    driver: str


def open_sites(path: Path, found: FindingList) -> RawSites | None:
    """Read every feature of one layer.

    Parameters
    ----------
    path : Path
        GeoJSON, GeoPackage, Shapefile, KML, FlatGeobuf, GML, … or a zip file with one of them.
    found : FindingList
        Takes the findings.

    Returns
    -------
    RawSites or None
        None where the file cannot be read as a layer of features with a known CRS.
    """
    source = _source(path, found)
    if source is None:
        return None
    # GML may name its schema by an address, and GDAL would fetch it.
    pyogrio.set_gdal_config_options({"GML_DOWNLOAD_WFS_SCHEMA": "NO"})
    with (
        tempfile.TemporaryDirectory() as aside,
        warnings.catch_warnings(record=True) as said,
    ):
        warnings.simplefilter("always")
        try:
            if path.suffix.lower() == ".gml":
                source = _copied(path, Path(aside))
            raw = _read(source, path, found)
        except _UNREADABLE as error:
            mend = "open and save it anew in a GIS program, for example as GeoPackage"
            if path.suffix.lower() == ".shp":
                mend = "keep the .shp, .shx, .dbf and .prj of one Shapefile together; or " + mend
            what = f"cannot be read as vector features ({_short(str(error), path)})"
            found.error("", what, mend, "sites-unreadable")
            return None
    # A ring that does not close comes back as an unreadable geometry, which is told by itself.
    for text in dict.fromkeys(str(warning.message) for warning in said):
        if "ring" not in text and "invalid value" not in text:
            mend = "check the features in a GIS program"
            found.warning("", f"GDAL warns: {_short(text, path)}", mend, "sites-gdal-warning")
    return raw


def _copied(path: Path, folder: Path) -> str:
    """A GML file and its schema elsewhere: GDAL writes a file of its own beside what it reads."""
    for file in (path, path.with_suffix(".xsd")):
        if file.is_file():
            shutil.copyfile(file, folder / file.name)
    return str(folder / path.name)


def _short(text: str, path: Path) -> str:
    return text.replace(str(path), path.name).split("; It might help")[0].strip()[:200]


def _source(path: Path, found: FindingList) -> str | None:
    """What GDAL is to open, once the file has been seen to be harmless."""
    try:
        if path.is_dir():
            if path.suffix.lower() == ".gdb":
                return str(path)
            mend = "name the file inside it"
            found.error("", "is a folder, not a file", mend, "sites-folder")
            return None
        if path.stat().st_size > _LARGEST_BYTES:
            what = f"is larger than {_LARGEST_BYTES // 1_000_000} MB"
            found.error("", what, "check that it is the right file", "sites-too-large")
            return None
        with path.open("rb") as file:
            head = file.read(65_536)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        what, mend = f"cannot be read ({reason})", f"check the path {path}"
        found.error("", what, mend, "sites-unreadable")
        return None
    if any(mark in head.lower() for mark in _SENT_ELSEWHERE):
        what = "does not hold features itself but points to another source"
        found.error("", what, "give the file that holds the features", "sites-points-elsewhere")
        return None
    if head.startswith(b"PK\x03\x04"):
        return _inside_zip(path, found)
    return str(path)


def _inside_zip(path: Path, found: FindingList) -> str | None:
    """The one dataset of a plain zip file; anything else about zip files is an error."""
    mend = "unpack it and name the file inside"
    try:
        with zipfile.ZipFile(path) as archive:
            members = [info for info in archive.infolist() if not info.is_dir()]
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError):
        found.error("", "is not a sound zip file", mend, "sites-zip")
        return None
    datasets = [info.filename for info in members if info.filename.lower().endswith(_SUFFIXES)]
    is_kmz = path.suffix.lower() == ".kmz"
    what = ""
    if sum(info.file_size for info in members) > _LARGEST_BYTES:
        what = f"unpacks to more than {_LARGEST_BYTES // 1_000_000} MB"
    elif any(info.flag_bits & 1 for info in members):
        what = "is locked by a password"
    elif len(datasets) != 1 and not is_kmz:
        what = f"holds {len(datasets)} vector files, not one"
    elif not is_kmz and (".." in PurePosixPath(datasets[0]).parts or datasets[0].startswith("/")):
        what = "holds a file whose path leads out of it"
    if what:
        found.error("", what, mend, "sites-zip")
        return None
    if is_kmz:
        return str(path)  # zipped KML may hold a file for each layer; GDAL reads it as it is
    return f"/vsizip/{{{path}}}/{datasets[0]}"


def _read(source: str, path: Path, found: FindingList) -> RawSites | None:
    layer = _layer(source, found)
    if layer is None:
        return None
    info = pyogrio.read_info(source, layer=layer, force_feature_count=True)
    if info["driver"] not in _LOCAL_DRIVERS:
        what = f"is read as {info['driver']}, which is not a format for site polygons"
        mend = "save the polygons as GeoJSON or GeoPackage"
        found.error("", what, mend, "sites-format")
        return None
    if info["features"] > _MOST_FEATURES:
        what = f"has {info['features']} features, more than {_MOST_FEATURES}"
        found.error("", what, "check that it is the right file", "sites-too-large")
        return None
    if info["features"] == 0:
        found.error("", "holds no features", "draw or export the sites", "sites-empty")
        return None
    crs = _known_crs(info["crs"], path, found)
    if crs is None:
        return None
    meta, _, wkb, columns = pyogrio.raw.read(
        source, layer=layer, force_2d=True, datetime_as_string=True
    )
    if wkb is None:
        what, mend = "holds a table without geometry", "give the file that holds the polygons"
        found.error("", what, mend, "sites-no-geometry-column")
        return None
    if len(wkb) != info["features"]:
        # Some formats end without an error where the file does.
        what = f"says that it holds {info['features']} features, and {len(wkb)} can be read"
        found.error("", what, "copy or export the file anew", "sites-cut-short")
        return None
    return RawSites(
        fields=dict(zip(meta["fields"], columns, strict=True)),
        geometry=list(shapely.from_wkb(wkb, on_invalid="ignore")),
        had_geometry=[blob is not None for blob in wkb],
        crs=crs,
        driver=info["driver"],
    )


def _layer(source: str, found: FindingList) -> str | None:
    """The layer called "sites", else the first one with geometry; a choice is told."""
    layers = [(str(name), kind) for name, kind in pyogrio.list_layers(source)]
    spatial = [name for name, kind in layers if kind is not None]
    if not layers:
        found.error("", "holds no layer at all", "copy or export the file anew", "sites-cut-short")
        return None
    if not spatial:
        what, mend = "holds no layer with geometry", "give the file that holds the polygons"
        found.error("", what, mend, "sites-no-geometry-column")
        return None
    named = [name for name in spatial if name.casefold() == "sites"]
    taken = (named or spatial)[0]
    if len(spatial) > 1:
        listed = ", ".join(repr(name) for name in spatial[:8])
        what = f"holds {len(spatial)} layers ({listed}); {taken!r} is taken"
        mend = 'call the layer with the sites "sites", or save it alone'
        found.warning("", what, mend, "sites-several-layers")
    return taken


def _known_crs(text: str | None, path: Path, found: FindingList) -> CRS | None:
    crs = None if text is None else CRS.from_user_input(text)
    if crs is not None and (crs.is_geographic or crs.is_projected):
        return crs
    mend = "assign the CRS the coordinates were taken in, in a GIS program"
    if path.suffix.lower() == ".shp":
        mend = f"put {path.stem}.prj beside it, or " + mend
    found.error("", "declares no coordinate reference system", mend, "sites-no-crs")
    return None
