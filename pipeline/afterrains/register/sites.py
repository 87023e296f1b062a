"""The sites file: which ground was sown, which is comparable unsown ground, and where it lies.

`read_sites` checks each feature by itself, `lay_out` brings the sites onto the analysis CRS and
checks them against the grid. What sites do to each other is looked at in `overlaps`.
"""

from __future__ import annotations

import unicodedata
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray
from pyproj import CRS
from pyproj.exceptions import ProjError
from shapely.geometry.base import BaseGeometry

from afterrains.register.findings import FindingList
from afterrains.register.geometry import sound_polygon
from afterrains.register.site_file import RawSites, open_sites
from afterrains.register.values import Fault, identifier, near_miss, plain_label

__all__ = ["ROLES", "SiteTable", "read_sites"]

ROLES = ("sown", "control")
_REQUIRED = ("site_id", "role")
_OPTIONAL = ("name", "stratum")


@dataclass(frozen=True)
class SiteTable:
    """The sound sites of a file, and every id that the file names.

    `frame` has the columns site_id, role, name, stratum, feature (its place in the file, counted
    from 1) and geometry, in longitude and latitude on WGS 84.

    `roles` has the role of every feature ("" where it is wrong) and `named` that of every id, those
    with a faulty geometry among them, so that one fault does not look like others elsewhere.
    """

    frame: gpd.GeoDataFrame
    roles: tuple[str, ...]
    named: Mapping[str, str]


def read_sites(path: Path, found: FindingList) -> SiteTable | None:
    """Read the sites file and check every feature.

    Parameters
    ----------
    path : Path
        Any vector file that GDAL reads.
    found : FindingList
        Takes the findings.

    Returns
    -------
    SiteTable or None
        None where the file has no features to speak of.
    """
    raw = open_sites(path, found)
    if raw is None:
        return None
    columns = _columns(raw, path, found)
    if columns is None:
        return None
    ids = _ids(columns["site_id"], found)
    places = [f"feature {number}" for number in range(1, len(ids) + 1)]
    places = [
        f"{place} (site_id {name!r})" if name else place
        for place, name in zip(places, ids, strict=True)
    ]
    roles = [
        _role(value, place, found) for value, place in zip(columns["role"], places, strict=True)
    ]
    shapes: list[BaseGeometry | None] = []
    in_degrees = raw.crs.is_geographic and raw.crs.axis_info[0].unit_name == "degree"
    for geometry, had, place in zip(raw.geometry, raw.had_geometry, places, strict=True):
        if geometry is None and had:
            mend = "close every ring: its last point repeats the first"
            found.error(place, "has a geometry that cannot be read", mend, "site-bad-geometry")
            shapes.append(None)
            continue
        shapes.append(sound_polygon(geometry, place, in_degrees=in_degrees, found=found))
    _same_ids(ids, places, found)
    first_of_id = {name: number for number, name in reversed(list(enumerate(ids)))}
    keep = [
        number
        for number, (name, role, shape) in enumerate(zip(ids, roles, shapes, strict=True))
        if name and role and shape is not None and first_of_id[name] == number
    ]
    frame = gpd.GeoDataFrame(
        {
            "site_id": [ids[number] for number in keep],
            "role": [roles[number] for number in keep],
            **{
                name: [plain_label(_text(columns[name][number])) for number in keep]
                for name in _OPTIONAL
            },
            "feature": np.array([number + 1 for number in keep], dtype="int64"),
        },
        geometry=gpd.GeoSeries([shapes[number] for number in keep], crs=raw.crs),
    )
    named = {name: role for name, role in zip(ids, roles, strict=True) if name}
    return SiteTable(_in_lonlat(frame, found), tuple(roles), named)


def place_of(feature: int, site_id: str) -> str:
    """A site as its file's reader would look it up."""
    return f"feature {feature} (site_id {site_id!r})"


def _columns(raw: RawSites, path: Path, found: FindingList) -> dict[str, list[object]] | None:
    """The known fields by name; optional ones that the file lacks are all None."""
    count = len(raw.geometry)
    known = (*_REQUIRED, *_OPTIONAL)
    taken: dict[str, list[object]] = {}
    others: list[str] = []
    for exact in (True, False):
        for field, values in raw.fields.items():
            name = field if exact else field.strip().casefold().replace(" ", "_").replace("-", "_")
            if name in taken or name not in known or (exact is False and field in known):
                others += [] if exact or field in known else [name]
                continue
            if field != name and (name, field) != ("name", "Name"):
                what = f"the field {field!r} is taken for {name!r}"
                found.warning("", what, f"rename it to {name}", "site-renamed-column")
            taken[name] = _plain(values)
    for name in _REQUIRED:
        if name in taken:
            continue
        what = f"its features have no field {name!r}{near_miss(name, others)}"
        mend = f"add the text field {name}"
        if path.suffix.lower() == ".shp" and not raw.fields:
            mend = f"put {path.stem}.dbf beside it, or " + mend
        found.error("", what, mend, "site-missing-column")
    if not set(_REQUIRED) <= set(taken):
        return None
    return {name: taken.get(name, [None] * count) for name in known}


def _plain(values: NDArray[np.generic]) -> list[object]:
    """Python values, with None where the file has nothing."""
    listed = values.tolist()
    return [None if value is None or value != value else value for value in listed]


def _text(value: object) -> str:
    """A field's value as trimmed text; whole numbers without a decimal point; "" for nothing."""
    if value is None:
        return ""
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    return unicodedata.normalize("NFC", str(value)).strip()


def _ids(values: list[object], found: FindingList) -> list[str]:
    """Every feature's id, "" where it has none that can be used."""
    ids: list[str] = []
    numbers = 0
    for number, value in enumerate(values, start=1):
        text = _text(value)
        numbers += value is not None and not isinstance(value, str)
        checked = identifier(text)
        if isinstance(checked, Fault):
            where = f"feature {number}"
            found.error(where, f"its site_id {checked.what}", checked.mend, "site-bad-id")
            ids.append("")
            continue
        if isinstance(value, str) and value != text and value.strip() != text:
            pass  # the same letters, composed otherwise: nothing a person could see
        elif isinstance(value, str) and value != text:
            where, mend = f"feature {number}", "delete the space around it"
            found.warning(where, f"site_id {value!r} is taken for {text!r}", mend, "site-id-space")
        ids.append(checked)
    if numbers:
        what = (
            f"site_id is a number in {numbers} features and is taken as text (such as {ids[0]!r})"
        )
        mend = "make site_id a text field, so that leading zeros are kept"
        found.warning("", what, mend, "site-id-number")
    return ids


def _same_ids(ids: list[str], places: list[str], found: FindingList) -> None:
    counts = Counter(name for name in ids if name)
    for name, count in counts.items():
        if count > 1:
            rows = ", ".join(str(at + 1) for at, other in enumerate(ids) if other == name)
            what = f"features {rows} bear the same site_id"
            mend = "give every site its own id; draw a site of several patches as one multipolygon"
            found.error(places[ids.index(name)], what, mend, "site-duplicate-id")
    alike = Counter(name.casefold() for name in counts)
    for name in counts:
        if alike[name.casefold()] > 1 and name != name.casefold():
            what = "another site's id differs only by capital letters"
            mend = "make sure that two sites are meant"
            found.warning(places[ids.index(name)], what, mend, "site-id-alike")


def _role(value: object, place: str, found: FindingList) -> str:
    """`sown` or `control`; "" where it is neither."""
    text = _text(value)
    role = text.casefold()
    if role in ROLES:
        if value != role:
            mend = f"write {role}"
            found.warning(
                place, f"role {value!r} is taken for {role!r}", mend, "site-role-spelling"
            )
        return role
    what = (
        f"role {text[:40]!r} is not known{near_miss(role, list(ROLES))}" if text else "has no role"
    )
    found.error(place, what, "write sown or control", "site-unknown-role")
    return ""


def _in_lonlat(frame: gpd.GeoDataFrame, found: FindingList) -> gpd.GeoDataFrame:
    """The frame on WGS 84, without the sites whose coordinates cannot be brought there."""
    try:
        there = frame.to_crs(CRS.from_epsg(4326))
    except ProjError:
        what = f"declares the CRS {frame.crs.name}, from which no way leads to places on Earth"
        mend = "assign the CRS the coordinates were taken in, in a GIS program"
        found.error("", what, mend, "sites-unusable-crs")
        return frame.iloc[:0].set_crs(4326, allow_override=True)
    bounds = there.bounds.to_numpy()
    reached = np.isfinite(bounds).all(axis=1)
    for feature, site_id in frame.loc[~reached, ["feature", "site_id"]].itertuples(index=False):
        what = f"its coordinates lie outside {frame.crs.name}"
        mend = "check the coordinates and the CRS that the file declares"
        found.error(place_of(feature, site_id), what, mend, "site-outside-world")
    return there[reached].reset_index(drop=True)
