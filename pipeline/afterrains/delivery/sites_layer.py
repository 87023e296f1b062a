"""The sites with their verdicts as one map layer: `sites.geojson`, WGS 84, RFC 7946.

It holds where the sites lie. Share it only with the consent of those who use the land.
"""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pandas as pd

from afterrains.delivery.atomic import write_json
from afterrains.delivery.geojson import plain_geometry

__all__ = ["write_sites"]


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
    features = [
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
    ]
    return write_json(folder / "sites.geojson", {"type": "FeatureCollection", "features": features})
