"""Items from a stac-geoparquet file: one row an item, its properties as columns of their own.

References
----------
STAC GeoParquet specification 1.0.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import shapely
from shapely.errors import ShapelyError

__all__ = ["is_geoparquet", "items_of"]

_TOP = ("type", "stac_version", "stac_extensions", "id", "collection", "links", "assets", "bbox")
_ROWS_AT_ONCE = 1000


def is_geoparquet(place: str) -> bool:
    """Whether a path names such a file."""
    return Path(place).suffix.lower() in (".parquet", ".geoparquet")


def items_of(path: Path) -> Iterator[dict[str, Any]]:
    """The items of a file, one after the other, as their JSON would read.

    Columns that are empty in a row are left out of its item, as the format means them.

    Raises
    ------
    ValueError
        If the file is not Parquet or lacks the columns of items.
    OSError
        If it cannot be read.
    """
    try:
        with pq.ParquetFile(path) as file:
            missing = {"id", "geometry", "assets"} - set(file.schema_arrow.names)
            if missing:
                raise ValueError(f"{path} has no column {', '.join(sorted(missing))}")
            for batch in file.iter_batches(batch_size=_ROWS_AT_ONCE):
                for row in batch.to_pylist():
                    yield _item(row)
    except pa.ArrowException as error:
        raise ValueError(f"{path} is not a Parquet file that can be read") from error


def _item(row: Mapping[str, Any]) -> dict[str, Any]:
    item = {key: _plain(row[key]) for key in _TOP if row.get(key) is not None}
    item["geometry"] = _geometry(row.get("geometry"))
    item["properties"] = {
        key: _plain(value)
        for key, value in row.items()
        if key not in (*_TOP, "geometry") and value is not None
    }
    return item


def _geometry(value: Any) -> dict[str, Any] | None:
    """GeoJSON of well-known binary; None where it is broken, which the item's check tells."""
    if not isinstance(value, bytes):
        return None
    try:
        return dict(shapely.geometry.mapping(shapely.from_wkb(value)))
    except ShapelyError:
        return None


def _plain(value: Any) -> Any:
    """A cell as JSON has it: no empty fields, times as text."""
    if isinstance(value, Mapping):
        return {key: _plain(part) for key, part in value.items() if part is not None}
    if isinstance(value, list):
        return [_plain(part) for part in value]
    if isinstance(value, datetime):
        moment = value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)
        return moment.isoformat().replace("+00:00", "Z")
    return value
