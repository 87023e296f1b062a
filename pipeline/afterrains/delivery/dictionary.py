"""The data dictionary, `docs/data-dictionary.md`, from the definitions that the code writes with.

`python -m afterrains.delivery.dictionary [FILE]` writes it anew.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterable
from pathlib import Path

from afterrains.delivery.atomic import write_bytes
from afterrains.delivery.columns import Column, Table
from afterrains.delivery.products import PRODUCTS, Band, Product
from afterrains.delivery.tables import ANY_INDEX, VERDICT_HISTORY, all_tables
from afterrains.signals.indices import DEFAULT_INDICES, INDICES

__all__ = ["PLACE", "data_dictionary"]

PLACE = Path("docs/data-dictionary.md")

_OPENING = """\
# Data dictionary

Every table and raster that a run writes to `<output>/<programme id>/`. This page is generated from
the definitions that the code writes with; change those, then run
`python -m afterrains.delivery.dictionary`.

Read the figures with care. Greening is not trees. Woody gain may be encroaching or invasive
shrubs: species need eyes on the ground. Satellites do not count seedlings. Controls are comparable
only as far as their balance says. The figures are not carbon credits, which need an accredited
method and verifier. Site locations may expose the people who use the land: share `sites.geojson`,
`sites.parquet`, `drawn_controls.geojson`, `visits` and the rasters only with their consent.
"""

_CSV_RULES = f"""\
## Tables: how they are written

- CSV as in RFC 4180: UTF-8 without a byte order mark, commas, one header row, CRLF line ends,
  double quotes where a cell needs them. Days are ISO 8601 (`2024-07-31`), UTC. A decimal point.
- An empty cell is missing; it is never zero. *Required* cells are never empty.
- Numbers are rounded to the decimals given below; equal results are equal files, byte for byte.
- A text cell that a spreadsheet would run as a formula (it begins with `=`, `+`, `-`, `@`, their
  full-width forms, a tab or a line end, and is no plain number) has an apostrophe before it. A
  program that is no spreadsheet takes one leading apostrophe away from such a cell. Control
  characters become U+FFFD.
- A season id is the year the season starts in and its name: `2021-rains`, `2021-dry`, or with
  several rainy seasons a year `2021-rains-1`, `2021-dry-1`, or the calendar's own names.
- `{ANY_INDEX}` stands for each index of the run. `series.parquet` holds the same rows and the same
  rounded numbers as `series.csv`, without apostrophes, with units and meanings as field metadata.
- `datapackage.json` says the same to machines (Data Package 2, Table Schema).
"""

_RASTER_RULES = """\
## Rasters: how they are written

Cloud-optimised GeoTIFFs in the analysis CRS, one folder for each block of ground. Numbers are
float32; missing pixels are NaN (so that a program that does not know the nodata tag can never
average a filler into a mean). Pictures are uint8, 0 is missing. Overviews are means that leave
missing pixels out, or the nearest pixel where a mean would be no value of the band. GeoTIFF has no
place for category names: they stand in the band's metadata (`class_0`, `class_1`, …) and in a
side file `<name>.tif.aux.xml`, which desktop programs read; the colours are in `catalog.json`.
"""

_OTHER_FILES = (
    (
        "`sites.geojson`",
        "every site's polygon in longitude and latitude (WGS 84), with `site_id`, `role`, `name`, "
        "`stratum`, `area_ha` and, for sown sites, `verdict`",
    ),
    (
        "`sites.parquet`",
        "the same sites with every column of `verdicts.csv`, as GeoParquet 1.1",
    ),
    (
        "`drawn_controls.geojson`",
        "the controls that were drawn (`controls.choose: sampled`), with `site_id`, `stratum`, "
        "`nearest_sown` and `area_ha`, as every later run takes them; `draw` tells the settings, "
        "the sown sites that had their turn, and the last number given",
    ),
    (
        "`history/<season>/`",
        "the tables that people decide by, and the manifest without times and files, as they were "
        "when that season was the newest",
    ),
    (
        "`catalog.json`, `rasters/<block>/<season>.json`",
        "STAC 1.1 catalogue of the rasters, every link relative",
    ),
    (
        "`visits.geojson`, `visits.gpx`, `visits_form.xlsx`",
        "the visits as points (RFC 7946), as waypoints (GPX 1.1) and as a field form (XLSForm); "
        "the last two do not tell the observers what is expected",
    ),
    ("`datapackage.json`", "the tables described for machines"),
    (
        "`manifest.json`",
        "digest of the programme file, versions, digests of all inputs, every scene used or "
        "refused with its reason, "
        "reads that failed by scene and band, the judging rule, seeds, every file with its "
        "SHA-256; `times` is all that differs between equal runs",
    ),
    ("`report/index.html`", "the page, which opens offline"),
)


def data_dictionary() -> str:
    """The whole page as Markdown."""
    parts = [_OPENING, _CSV_RULES]
    parts += [_table_section(table) for table in all_tables((ANY_INDEX,))]
    parts += [_index_section(), _RASTER_RULES]
    parts += [_product_section(product) for product in PRODUCTS.values()]
    parts.append(_other_files())
    return "\n".join(parts)


def _table_section(table: Table) -> str:
    lines = [f"## {table.file}", "", f"One row is {table.row}."]
    if table.primary_key:
        lines.append(f"Key: {_codes(table.primary_key)}.")
    if table.caution:
        lines += ["", f"**{table.caution}**", ""]
    lines += [
        f"Every {_codes(key.columns)} is a {_codes(key.table_columns)} of `{key.table}.csv`."
        for key in table.foreign_keys
    ]
    if table is VERDICT_HISTORY:
        return "\n".join([*lines, "The columns are those of `verdicts.csv`.", ""])
    lines += ["", "| column | type | unit | meaning | may be |", "| --- | --- | --- | --- | --- |"]
    lines += [
        f"| `{column.name}` | {_type(column)} | {column.unit or '–'} | {_cell(column.description)} "
        f"| {_allowed(column)} |"
        for column in table.columns
    ]
    return "\n".join(lines) + "\n"


def _other_files() -> str:
    lines = ["## Other files", "", "| file | holds |", "| --- | --- |"]
    lines += [f"| {file} | {holds} |" for file, holds in _OTHER_FILES]
    return "\n".join(lines) + "\n"


def _index_section() -> str:
    lines = [
        "## Indices",
        "",
        "From surface reflectance between 0 and 1; an index whose bands a sensor lacks is empty.",
        "",
        "| index | formula | source |",
        "| --- | --- | --- |",
    ]
    lines += [
        f"| `{name}` | {_cell(INDICES[name].formula)} | {_cell(INDICES[name].source)} |"
        for name in DEFAULT_INDICES
    ]
    return "\n".join(lines) + "\n"


def _product_section(product: Product) -> str:
    missing = "NaN" if math.isnan(product.nodata) else f"{product.nodata:g}"
    lines = [
        f"### rasters/<block>/{product.name}_<season>.tif",
        "",
        f"{product.title}. {product.description} {product.dtype}, missing is {missing}.",
        "",
        "| band | name | meaning | unit | overviews |",
        "| --- | --- | --- | --- | --- |",
    ]
    lines += [
        f"| {number} | {band.name} | {_cell(_band_meaning(band))} | {band.unit or '–'} "
        f"| {band.overview} |"
        for number, band in enumerate(product.bands, start=1)
    ]
    return "\n".join(lines) + "\n"


def _band_meaning(band: Band) -> str:
    classes = "; ".join(f"{each.value} {each.name}: {each.description}" for each in band.classes)
    return f"{band.description} ({classes})" if classes else band.description


def _type(column: Column) -> str:
    if column.type != "number":
        return column.type
    kind = "significant digits" if column.significant else "decimals"
    return f"number, {column.decimals} {kind}"


def _allowed(column: Column) -> str:
    rules = ["required"] if column.required else []
    if column.enum:
        rules.append(", ".join(f"`{value}`" for value in column.enum))
    if column.pattern:
        rules.append("a season id")
    if column.minimum is not None and column.maximum is not None:
        rules.append(f"{column.minimum:g} to {column.maximum:g}")
    elif column.minimum is not None:
        rules.append(f"{column.minimum:g} or more")
    return "; ".join(rules) or "–"


def _codes(names: Iterable[str]) -> str:
    return ", ".join(f"`{name}`" for name in names)


def _cell(text: str) -> str:
    """Text that cannot end its cell of a Markdown table."""
    return text.replace("|", "\\|")


if __name__ == "__main__":
    write_bytes(Path(sys.argv[1]) if len(sys.argv) > 1 else PLACE, data_dictionary().encode())
