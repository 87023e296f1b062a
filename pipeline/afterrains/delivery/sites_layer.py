"""The sites with their verdicts as map layers, in longitude and latitude (WGS 84).

`sites.geojson` (RFC 7946) for maps, `sites.parquet` (GeoParquet 1.1) for analysis, with every
column of verdicts.csv. Both hold where the sites lie.
Share them only with the consent of those who use the land.
"""

from __future__ import annotations

import io
from pathlib import Path

import geopandas as gpd
import pandas as pd
from shapely.geometry import shape as from_geojson

from afterrains.delivery.atomic import write_bytes
from afterrains.delivery.columns import Table
from afterrains.delivery.geojson import plain_geometry, write_features

__all__ = ["write_sites", "write_sites_parquet"]


def write_sites(folder: Path, sites: gpd.GeoDataFrame, verdicts: pd.DataFrame) -> Path:
    """Write every site's polygon with what is known of it.

    Parameters
    ----------
    folder : Path
        The output folder.
    sites : GeoDataFrame
        The register's: `site_id, role, name, stratum, area_ha, geometry`, in any CRS.
    verdicts : DataFrame
        `site_id, verdict` of the sown sites; a control has none and gets null.

    Returns
    -------
    Path
        `folder/sites.geojson`: features in the order of site_id, coordinates in degrees rounded
        to 6 decimals, area rounded to 4; the same sites give the same bytes.

    Raises
    ------
    OutputError
        When the disk does not take the file.
    """
    verdict_of = verdicts.set_index("site_id")["verdict"].to_dict()
    layer = sites.set_geometry("geometry").to_crs("EPSG:4326").sort_values("site_id")
    columns = (layer[name] for name in ("site_id", "role", "name", "stratum", "area_ha"))
    features = (
        {
            "type": "Feature",
            "properties": {
                "site_id": site_id,
                "role": role,
                "name": name,
                "stratum": stratum,
                "area_ha": round(float(area_ha), 4),
                "verdict": verdict_of.get(site_id),
            },
            "geometry": plain_geometry(shape),
        }
        for site_id, role, name, stratum, area_ha, shape in zip(
            *columns, layer.geometry, strict=True
        )
    )
    return write_features(folder / "sites.geojson", features)


def write_sites_parquet(
    folder: Path, sites: gpd.GeoDataFrame, verdicts: pd.DataFrame, definition: Table
) -> Path:
    """Write every site with its polygon and its row of verdicts.csv as GeoParquet 1.1.

    Parameters
    ----------
    folder : Path
        The output folder.
    sites : GeoDataFrame
        The register's: `site_id, role, name, stratum, area_ha, geometry`, in any CRS.
    verdicts : DataFrame
        Rows of verdicts.csv as read back from it.
    definition : Table
        That of verdicts.csv.

    Returns
    -------
    Path
        `folder/sites.parquet`: rows in the order of site_id, polygons as WKB in WGS 84 with the
        coordinates of sites.geojson and a covering box; missing values are null, for controls every
        column of a verdict. The same sites give the same bytes.

    Raises
    ------
    OutputError
        When the disk does not take the file.
    """
    ground = ["site_id", "role", "name", "stratum", "area_ha"]
    layer = sites.set_geometry("geometry").to_crs("EPSG:4326").sort_values("site_id")
    table = pd.DataFrame(layer[ground]).astype({"area_ha": float}).round({"area_ha": 4})
    told = [name for name in definition.column_names if name not in ground]
    table = table.merge(verdicts[["site_id", *told]], on="site_id", how="left")
    text = ["role", *(each.name for each in definition.columns if each.type == "string")]
    table[text] = table[text].replace("", None).astype("str")
    whole = [each.name for each in definition.columns if each.type == "integer"]
    table[whole] = table[whole].astype("Int64")
    # Through GeoJSON's rounding, so that both layers hold the same ground.
    shapes = [from_geojson(plain_geometry(each)) for each in layer.geometry]
    buffer = io.BytesIO()
    gpd.GeoDataFrame(table, geometry=shapes, crs="EPSG:4326").to_parquet(
        buffer, index=False, schema_version="1.1.0", write_covering_bbox=True
    )
    return write_bytes(folder / "sites.parquet", buffer.getvalue())
