"""Results out of the door: tables, rasters, their catalogue, and what they rest on."""

from afterrains.delivery.atomic import atomic_path, remove_partials, write_bytes, write_json
from afterrains.delivery.cells import as_given
from afterrains.delivery.columns import Column, Table
from afterrains.delivery.datapackage import write_datapackage
from afterrains.delivery.manifest import refresh_manifest, write_manifest
from afterrains.delivery.products import PRODUCTS, Product, season_code, season_of_code
from afterrains.delivery.rasters import write_cog, write_product
from afterrains.delivery.sites_layer import write_sites, write_sites_parquet
from afterrains.delivery.stac import RasterFile, write_catalog
from afterrains.delivery.table_files import (
    read_csv,
    read_tables,
    table_of_file,
    write_csv,
    write_csv_and_parquet,
    write_parquet,
)
from afterrains.delivery.tables import all_tables, seasons_table, series_table

__all__ = [
    "PRODUCTS",
    "Column",
    "Product",
    "RasterFile",
    "Table",
    "all_tables",
    "as_given",
    "atomic_path",
    "read_csv",
    "read_tables",
    "refresh_manifest",
    "remove_partials",
    "season_code",
    "season_of_code",
    "seasons_table",
    "series_table",
    "table_of_file",
    "write_bytes",
    "write_catalog",
    "write_cog",
    "write_csv",
    "write_csv_and_parquet",
    "write_datapackage",
    "write_json",
    "write_manifest",
    "write_parquet",
    "write_product",
    "write_sites",
    "write_sites_parquet",
]
