"""`datapackage.json`: the tables described for machines, from the same definitions.

Data Package version 2 with Table Schema (https://datapackage.org/standard/): types, constraints,
keys and the missing value of every table written; the unit of a column stands in its own property
`unit`. No licence is stated: the figures are the programme's, which says itself who may use them.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from afterrains.delivery.atomic import write_json
from afterrains.delivery.columns import Column, Table

__all__ = ["describe", "write_datapackage"]

_PROFILE = "https://datapackage.org/profiles/2.0/{}.json"


def write_datapackage(
    folder: Path, tables: Iterable[Table], *, programme_id: str, title: str
) -> Path:
    """Describe the tables that stand in the output folder.

    Parameters
    ----------
    folder : Path
        The output folder.
    tables : iterable of Table
        The definitions by which the run writes; one whose file is not there is left out.
    programme_id, title : str
        Name and title of the package.

    Returns
    -------
    Path
        `folder/datapackage.json`.

    Raises
    ------
    OutputError
        When the disk does not take the file.
    """
    written = [table for table in tables if (folder / table.file).is_file()]
    return write_json(
        folder / "datapackage.json", describe(written, programme_id=programme_id, title=title)
    )


def describe(tables: Iterable[Table], *, programme_id: str, title: str) -> dict[str, Any]:
    """The descriptor of a package that holds these tables and no others."""
    present = list(tables)
    names = {table.name for table in present}
    return {
        "$schema": _PROFILE.format("datapackage"),
        "name": programme_id,
        "title": title,
        "description": "Season by season, which sown sites regenerate beyond comparable unsown "
        "ground, and how sure that is. Greening is not trees; the figures are not carbon credits.",
        "resources": [_resource(table, names) for table in present],
    }


def _resource(table: Table, names: set[str]) -> dict[str, Any]:
    """One table; a key into a table that is not in the package is left out."""
    keys = [
        {
            "fields": list(key.columns),
            "reference": {"resource": key.table, "fields": list(key.table_columns)},
        }
        for key in table.foreign_keys
        if key.table in names
    ]
    return {
        "name": table.name,
        "type": "table",
        "title": table.title,
        "description": " ".join(filter(None, (f"One row is {table.row}.", table.caution))),
        "path": table.file,
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "dialect": {"delimiter": ",", "lineTerminator": "\r\n", "quoteChar": '"', "header": True},
        "schema": {
            "fields": [_field(column) for column in table.columns],
            "missingValues": [""],
            **({"primaryKey": list(table.primary_key)} if table.primary_key else {}),
            **({"foreignKeys": keys} if keys else {}),
        },
    }


def _field(column: Column) -> dict[str, Any]:
    """One column as a field of Table Schema."""
    constraints: dict[str, Any] = {}
    if column.required:
        constraints["required"] = True
    if column.minimum is not None:
        constraints["minimum"] = column.minimum
    if column.maximum is not None:
        constraints["maximum"] = column.maximum
    if column.enum:
        constraints["enum"] = list(column.enum)
    if column.pattern:
        constraints["pattern"] = column.pattern
    return {
        "name": column.name,
        "type": column.type,
        "description": column.description,
        **({"unit": column.unit} if column.unit else {}),
        **({"constraints": constraints} if constraints else {}),
    }
