"""Files behind a server of byte ranges."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import rasterio
from numpy.typing import NDArray
from range_server import RangeServer, serve
from rasterio.transform import from_origin
from served_ground import CRS, LEFT, TOP


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """What the server serves."""
    made = tmp_path / "served"
    made.mkdir()
    return made


@pytest.fixture
def server(folder: Path) -> Iterator[RangeServer]:
    """A server of `folder`, without faults until it is given a plan."""
    with serve(folder) as running:
        yield running


@pytest.fixture
def write(folder: Path) -> Callable[..., Path]:
    """Write a single-band GeoTIFF there: `write(name, numbers, **creation options)`."""

    def _write(name: str, numbers: NDArray[Any], *, nodata: float | None = 0, **how: Any) -> Path:
        settings = {
            "driver": "GTiff", "tiled": True, "blockxsize": 64, "blockysize": 64,
            "transform": from_origin(LEFT, TOP, 10, 10),
        }  # fmt: skip
        with rasterio.open(
            folder / name,
            "w",
            height=numbers.shape[0],
            width=numbers.shape[1],
            count=1,
            dtype=numbers.dtype,
            crs=CRS,
            nodata=nodata,
            **{**settings, "compress": "deflate", **how},
        ) as file:
            file.write(numbers, 1)
        return folder / name

    return _write
