"""Rain from a STAC catalogue of daily (or pentad) rasters.

Catalogues are read by the same reader as those of scenes, with its care for other people's links.

Rasters lie on this disk or are asked for by http or https; other addresses are refused.

Items of the named collection that touch the sites are taken, each with the raster of the named
asset. Their day is `start_datetime` and `end_datetime` where given, else `datetime`. Unit, scale,
offset and nodata are the item's (STAC 1.0 `raster:bands`, 1.1 `bands`), else the file's own.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date
from typing import Any

import geopandas as gpd
import pandas as pd
from shapely import box
from shapely.errors import ShapelyError
from shapely.geometry import shape

from afterrains.errors import Finding, InputError
from afterrains.programme import RainCatalogue
from afterrains.rain.raster_face import StepRaster
from afterrains.rain.rasters import check_rasters
from afterrains.rain.record import RainRecord
from afterrains.scenes.documents import Documents
from afterrains.scenes.references import is_address, resolve, without_query
from afterrains.scenes.sources import Asked, BBox, Remarks, is_remote, may_lie_inside, raw_items
from afterrains.scenes.windows import Patience

__all__ = ["check_catalogue"]

_FILE = "rain.catalogue"
_SCHEME_MEND = "name an asset with an https address, or keep a copy of the rasters on this disk"
_ITEMS_TOLD = 20
_ALWAYS = date(1800, 1, 1), date(2200, 1, 1)


def check_catalogue(
    catalogue: RainCatalogue,
    sites: gpd.GeoDataFrame | None,
    *,
    documents: Documents | None = None,
    patience: Patience | None = None,
) -> tuple[RainRecord | None, list[Finding]]:
    """Read the sites' rain from a catalogue and find everything that is wrong with it.

    Parameters
    ----------
    catalogue : RainCatalogue
        Address or path, collection and asset.
    sites : GeoDataFrame or None
        Polygons with `site_id` and a CRS; without them nothing is searched.
    documents, patience
        Reader of documents, and tries of failed reads of rasters.

    Raises
    ------
    ServiceError
        If a server failed after the retries.
    """
    if sites is None:
        return None, []
    west, south, east, north = sites.to_crs("EPSG:4326").total_bounds
    bbox = float(west), float(south), float(east), float(north)
    remarks = Remarks()
    rasters: list[StepRaster] = []
    findings: list[Finding] = []
    asked = Asked((catalogue.collection,), *_ALWAYS, bbox)
    trusted = may_lie_inside(catalogue.url, ())
    try:
        reader = documents or Documents(trusted=trusted)
        for item, base in raw_items(catalogue.url, asked, reader, remarks):
            if item.get("collection", catalogue.collection) != catalogue.collection:
                continue
            if _touches(item, bbox):
                found = _raster(item, base, catalogue)
                if isinstance(found, StepRaster):
                    rasters.append(found)
                else:
                    findings.append(found)
    except InputError as failure:
        mend = "check the address and that it is a STAC catalogue"
        code = "rain-catalogue-unreadable"
        return None, [_fault("url", told.what, mend, code) for told in failure.findings]
    # An item that cannot be had is a day of rain that is missing: a fault, never a dry day.
    findings += [
        _fault(refusal.scene_id, refusal.detail, "mend the catalogue", "rain-catalogue-item")
        for refusal in remarks.refused
    ]
    findings += [
        _fault("url", note, "run the same command again later", "rain-catalogue-item")
        for note in remarks.notes
    ]
    if len(findings) > _ITEMS_TOLD:
        what = f"holds {len(findings) - _ITEMS_TOLD:,} more items that cannot be used"
        more = _fault("", what, "mend the items", "rain-catalogue-item")
        findings = [*findings[:_ITEMS_TOLD], more]
    if not rasters and not findings:
        what = f"holds no raster of collection {catalogue.collection!r} at the sites"
        mend = "check the collection and the sites' coordinates"
        findings = [_fault("collection", what, mend, "rain-catalogue-empty")]
    if findings:
        return None, findings
    source = f"catalogue {without_query(catalogue.url)}, collection {catalogue.collection}, "
    source += f"asset {catalogue.asset}"
    return check_rasters(rasters, _FILE, source, sites, patience=patience, trusted=trusted)


def _fault(where: str, what: str, mend: str, code: str) -> Finding:
    return Finding("error", _FILE, where, what, mend, code)


def _touches(item: Mapping[str, Any], bbox: BBox) -> bool:
    """Whether the item's ground meets the sites; one that does not say is taken as if it did."""
    geometry: Any = item.get("geometry")
    try:
        return bool(shape(geometry).intersects(box(*bbox)))
    except (ShapelyError, ValueError, TypeError, AttributeError, KeyError, IndexError):
        return True


def _raster(item: Mapping[str, Any], base: str, catalogue: RainCatalogue) -> StepRaster | Finding:
    """The raster that an item points to, or why it cannot be used."""
    name = str(item.get("id", ""))[:100]
    mend = "mend the item, or name another collection or asset"
    try:
        assets = item["assets"]
        if not isinstance(assets, Mapping):
            raise TypeError("assets is no object")
        if catalogue.asset not in assets:
            has = ", ".join(sorted(map(str, assets))[:6])
            what = f"has no asset {catalogue.asset!r} (it has {has})"
            return _fault(f"item {name!r}", what, mend, "rain-catalogue-asset")
        asset = assets[catalogue.asset]
        href = resolve(asset["href"], base, remote=is_remote(catalogue.url))
        if "://" in href and not is_address(href):
            scheme = href.partition(":")[0]
            what = f"lies at a {scheme}: address, and rain is asked for by https or http"
            return _fault(f"item {name!r}", what, _SCHEME_MEND, "rain-catalogue-scheme")
        first, last = _days(item["properties"])
        bands = asset.get("raster:bands") or asset.get("bands") or [{}]
        stated = {**asset, **bands[0]}
        return StepRaster(
            href=href,
            name=name,
            first=first,
            last=last,
            unit=_text(stated.get("unit")),
            scale=_number(stated.get("raster:scale", stated.get("scale"))),
            offset=_number(stated.get("raster:offset", stated.get("offset"))),
            nodata=_number(stated.get("nodata")),
        )
    except (KeyError, TypeError, ValueError, AttributeError, IndexError) as error:
        what = f"cannot be used ({type(error).__name__}: {str(error)[:100]})"
        return _fault(f"item {name!r}", what, mend, "rain-catalogue-item")


def _text(value: Any) -> str | None:
    return value if isinstance(value, str) and value else None


def _number(value: Any) -> float | None:
    """A finite number, or None; "nan" as nodata needs no replacing."""
    if isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value):
        return float(value)
    return None


def _days(properties: Mapping[str, Any]) -> tuple[pd.Timestamp, pd.Timestamp | None]:
    """First day of the item's step and the day after its last, if it says."""
    start, end = properties.get("start_datetime"), properties.get("end_datetime")
    first = _moment(start or properties["datetime"]).normalize()
    if not (start and end):
        return first, None
    # Ends are written as the last second of a day or as the first of the next.
    last = _moment(end) - pd.Timedelta(seconds=1)
    return first, last.normalize() + pd.Timedelta(days=1)


def _moment(text: str) -> pd.Timestamp:
    """A moment in UTC, which STAC asks for, without its zone."""
    moment = pd.Timestamp(text)
    return moment if moment.tz is None else moment.tz_convert("UTC").tz_localize(None)
