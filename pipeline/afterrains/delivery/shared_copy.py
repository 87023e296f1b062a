"""A copy of the results that is fit to hand to donors: no place in it finer than a coarse cell.

What goes in is named here; what is not named stays behind. Every site stands as the square cell of
longitude and latitude that holds its middle; sites in one cell cannot be told apart by place. Names
of sites are left out, for a name may be that of a place. Rasters, their catalogue, visits and the
seasons kept are left out: their grid, outline or coordinates would give the place away. The scenes
stay named, whose tiles are some hundred kilometres wide.

A site id is kept, since every figure is found by it: ids that are made of coordinates or of names
must be changed in the programme's own files before anything is shared.

What stays possible: the series of a site are those of its ground, so who searches the public scenes
of a cell for ground with the very same dates and values can find it again. Where that must not be,
`series.csv`, `series.parquet` and `seasons.csv` are taken out of the copy before it is handed on.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pystac
from shapely.geometry import Polygon, box, mapping

from afterrains.delivery.atomic import write_json
from afterrains.delivery.columns import Table
from afterrains.delivery.datapackage import write_datapackage
from afterrains.delivery.manifest import refresh_manifest
from afterrains.delivery.page import build
from afterrains.delivery.sites_layer import write_sites, write_sites_parquet
from afterrains.delivery.table_files import read_csv, table_of_file, write_csv, write_parquet
from afterrains.delivery.tables import (
    ANSWER_CALENDAR,
    BALANCE,
    BREAK_EVEN,
    CHANGES,
    CONTROLS,
    COSTS,
    SOW_AGAIN,
    SOWING_RAIN,
    VERDICT_HISTORY,
    VERDICTS,
    WHAT_WORKS,
)
from afterrains.errors import OutputError

__all__ = ["SMALLEST_CELL", "coarse_cells", "share"]

SMALLEST_CELL = 0.1
"""Degrees: about eleven kilometres."""
_TABLES = (
    VERDICTS, VERDICT_HISTORY, CONTROLS, SOWING_RAIN, WHAT_WORKS, COSTS, SOW_AGAIN, BREAK_EVEN,
    CHANGES, ANSWER_CALENDAR, BALANCE,
)  # fmt: skip
_BY_INDEX = ("seasons", "series")
_MANIFEST_KEYS = (
    "programme", "versions", "seasons", "specification", "model_sha256", "inputs", "seeds",
    "scenes_used", "scenes_refused", "unreadable_reads", "times",
)  # fmt: skip
_LEFT_OUT = ("site names", "polygons", "rasters and their catalogue", "visits", "seasons kept")


def share(output: Path, folder: Path, *, cell_degrees: float = SMALLEST_CELL) -> Path:
    """Write the shared copy of an output folder.

    Parameters
    ----------
    output : Path
        A programme's output folder.
    folder : Path
        Where the copy goes: a folder that is not there yet, or is empty.
    cell_degrees : float
        Side of a cell, at least `SMALLEST_CELL`.

    Returns
    -------
    Path
        The copy's page.

    Raises
    ------
    OutputError
        When the folder is in use, the results cannot be read, or the disk does not take a file.
    """
    if cell_degrees < SMALLEST_CELL:
        raise OutputError(
            f"a cell of {cell_degrees:g} degrees is too fine to hide a site; take "
            f"{SMALLEST_CELL:g} or more"
        )
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise OutputError(f"{folder}: holds something already; name a new or empty folder")
    try:
        sites = gpd.read_parquet(output / "sites.parquet")
        manifest: dict[str, Any] = json.loads((output / "manifest.json").read_text("utf-8"))
    except (OSError, ValueError) as error:
        raise OutputError(
            f"{output}: cannot be read ({error}); name a programme's output folder, or run the "
            "programme again"
        ) from error
    written: list[Table] = []
    for table in (*_TABLES, *(_by_index(output, name) for name in _BY_INDEX)):
        if table is not None and (output / table.file).is_file():
            written.append(table)
            rows = _without_places(read_csv(table, output))
            write_csv(table, rows, folder)
            if table.name == "series":
                write_parquet(table, rows, folder)
    coarse = coarse_cells(sites[["site_id", "role", "stratum", "area_ha", "geometry"]],
                          cell_degrees).assign(name="")  # fmt: skip
    coarse["stratum"] = coarse["stratum"].fillna("")
    verdicts = read_csv(VERDICTS, folder)
    write_sites(folder, coarse, verdicts)
    write_sites_parquet(folder, coarse, verdicts, VERDICTS)
    programme = manifest["programme"]
    write_datapackage(folder, written, programme_id=programme["id"], title=programme["name"])
    _write_catalog(folder, coarse, programme)
    told = {key: manifest[key] for key in _MANIFEST_KEYS if key in manifest}
    shared = {"coarse_locations_degrees": cell_degrees, "left_out": list(_LEFT_OUT)}
    write_json(folder / "manifest.json", {**told, "shared": shared, "files": []})
    refresh_manifest(folder)
    page: Path = build(folder)
    refresh_manifest(folder)
    return page


def coarse_cells(sites: gpd.GeoDataFrame, cell_degrees: float) -> gpd.GeoDataFrame:
    """The sites, each with the cell of longitude and latitude that holds its middle.

    Parameters
    ----------
    sites : GeoDataFrame
        In longitude and latitude.
    cell_degrees : float
        Side of a cell; cells begin at multiples of it.
    """
    points = sites.geometry.representative_point()
    west = np.floor(points.x / cell_degrees) * cell_degrees
    south = np.floor(points.y / cell_degrees) * cell_degrees
    # Rounded, so that no trace of the site stays in the last digits.
    cells = [
        _box([round(float(each), 6) for each in (x, y, x + cell_degrees, y + cell_degrees)])
        for x, y in zip(west, south, strict=True)
    ]
    return gpd.GeoDataFrame(
        sites.drop(columns="geometry"), geometry=cells, crs="EPSG:4326"
    ).reset_index(drop=True)


def _box(bounds: list[float]) -> Polygon:
    west, south, east, north = bounds
    return box(west, south, east, north)


def _by_index(output: Path, name: str) -> Table | None:
    file = output / f"{name}.csv"
    return table_of_file(name, file) if file.is_file() else None


def _without_places(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows without names, and without how far a site lies from its controls."""
    if "quantity" in rows:
        rows = rows[rows["quantity"] != "distance"]
    return rows.assign(name="") if "name" in rows else rows


def _write_catalog(folder: Path, coarse: gpd.GeoDataFrame, programme: dict[str, Any]) -> None:
    """A catalogue with one item: the layer of sites by cell."""
    catalog = pystac.Catalog(
        id=programme["id"],
        title=programme["name"],
        description="Sites with verdicts, each placed by a coarse cell. Rasters are not shared.",
        catalog_type=pystac.CatalogType.SELF_CONTAINED,
    )
    catalog.set_self_href("/catalog.json")
    days = read_csv(VERDICT_HISTORY, folder)["first_sown_on"].dropna()
    seasons = read_csv(table_of_file("seasons", folder / "seasons.csv"), folder)
    start = min([*days, seasons["start"].min()]).to_pydatetime()
    bounds = [round(float(value), 6) for value in coarse.total_bounds]
    item = pystac.Item(
        id="sites",
        geometry=mapping(_box(bounds)),
        bbox=bounds,
        datetime=None,
        start_datetime=start,
        end_datetime=seasons["end"].max().to_pydatetime(),
        properties={"title": "Sites with verdicts, by coarse cell"},
    )
    catalog.add_item(item)
    item.set_self_href("/sites.json")
    for name, kind in (
        ("sites.parquet", "application/vnd.apache.parquet"),
        ("sites.geojson", pystac.MediaType.GEOJSON),
    ):
        item.add_asset(name.rpartition(".")[2], pystac.Asset(f"./{name}", media_type=kind,
                                                             roles=["data"]))  # fmt: skip
    write_json(folder / "sites.json", item.to_dict(include_self_link=False))
    write_json(folder / "catalog.json", catalog.to_dict(include_self_link=False))
