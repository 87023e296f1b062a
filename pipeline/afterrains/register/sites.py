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
from afterrains.register.values import Fault, folded_name, identifier, near_miss, plain_label

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
    columns = None if raw is None else _columns(raw, path, found)
    if raw is None or columns is None:
        return None
    ids = _ids(columns["site_id"], found)
    places = [place_of(number, name) for number, name in enumerate(ids, start=1)]
    roles = [
        _role(value, place, found) for value, place in zip(columns["role"], places, strict=True)
    ]
    shapes = _shapes(raw, places, found)
    _same_ids(ids, places, found)
    first_of_id = {name: at for at, name in reversed(list(enumerate(ids)))}
    sound = [
        at
        for at, name in enumerate(ids)
        if name and roles[at] and shapes[at] is not None and first_of_id[name] == at
    ]
    frame = gpd.GeoDataFrame(
        {
            "site_id": [ids[at] for at in sound],
            "role": [roles[at] for at in sound],
            **{name: [plain_label(_text(columns[name][at])) for at in sound] for name in _OPTIONAL},
            "feature": np.array(sound, dtype="int64") + 1,
        },
        geometry=gpd.GeoSeries([shapes[at] for at in sound], crs=raw.crs),
    )
    named = {name: role for name, role in zip(ids, roles, strict=True) if name}
    return SiteTable(_in_lonlat(frame, found), tuple(roles), named)


def _shapes(raw: RawSites, places: list[str], found: FindingList) -> list[BaseGeometry | None]:
    """Every feature's sound polygon, None where it has none."""
    in_degrees = raw.crs.is_geographic and raw.crs.axis_info[0].unit_name == "degree"
    shapes: list[BaseGeometry | None] = []
    for geometry, had, place in zip(raw.geometry, raw.had_geometry, places, strict=True):
        if geometry is None and had:
            mend = "close every ring: its last point repeats the first"
            found.error(place, "has a geometry that cannot be read", mend, "site-bad-geometry")
            shapes.append(None)
        else:
            shapes.append(sound_polygon(geometry, place, in_degrees=in_degrees, found=found))
    return shapes


def place_of(feature: int, site_id: str) -> str:
    """A site as its file's reader would look it up; features are counted from 1."""
    return f"feature {feature}" + (f" (site_id {site_id!r})" if site_id else "")


def _columns(raw: RawSites, path: Path, found: FindingList) -> dict[str, list[object]] | None:
    """The known fields by name; optional ones that the file lacks are all None."""
    known = (*_REQUIRED, *_OPTIONAL)
    taken: dict[str, list[object]] = {}
    others = {folded_name(field): field for field in raw.fields if field not in known}
    for name in known:
        field = name if name in raw.fields else others.pop(name, None)
        if field is None:
            continue
        if field not in (name, "Name"):  # KML's own field for a feature's name
            what = f"the field {field!r} is taken for {name!r}"
            found.warning("", what, f"rename it to {name}", "site-renamed-column")
        taken[name] = _plain(raw.fields[field])
    for name in _REQUIRED:
        if name in taken:
            continue
        what = f"its features have no field {name!r}{near_miss(name, list(others))}"
        mend = f"add the text field {name}"
        if path.suffix.lower() == ".shp" and not raw.fields:
            mend = f"put {path.stem}.dbf beside it, or " + mend
        found.error("", what, mend, "site-missing-column")
    if not set(_REQUIRED) <= set(taken):
        return None
    return {name: taken.get(name, [None] * len(raw.geometry)) for name in known}


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
        # The same letters composed otherwise (NFC) are nothing that a person could see.
        if isinstance(value, str) and value.strip() != value:
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
