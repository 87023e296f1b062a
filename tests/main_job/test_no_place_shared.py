"""The shared copy for donors: nothing in any of its files places a site finer than a coarse cell.

Every file is taken apart – each number of each cell, text, attribute, geometry and geotransform –
and held against every corner, middle and bound of every site and raster, in degrees and in the
analysis CRS. What the search can find is shown by planting it.
"""

from __future__ import annotations

import csv
import json
import re
import shutil
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import rasterio
import shapely
from rasterio.transform import from_origin

from afterrains.jobs.run import RunSummary

_CELL = 0.1
_NUMBER = re.compile(r"(?<![\w.])-?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?(?![\w.])")
_BLOCK = re.compile(r"(?<![a-z0-9])[ew]\d{3}[ns]\d{3}(?![a-z0-9])")
_PICTURE = re.compile(r"data:image|<image\b[^>]*href=\"(?!#)", re.I)


@dataclass(frozen=True)
class _Places:
    """Coordinates that must not be told: sorted, in degrees and in metres."""

    degrees: np.ndarray
    metres: np.ndarray
    words: frozenset[str]

    def tells(self, number: float) -> bool:
        """Whether it is one of them, to 50 m; a multiple of the coarse cell tells none."""
        if abs(number) >= 1000:
            return _near(self.metres, number, 0.5)
        if abs(number / _CELL - round(number / _CELL)) < 1e-6:
            return False
        return len(f"{number:.6f}".rstrip("0").partition(".")[2]) > 2 and _near(
            self.degrees, number, 0.0005
        )


def _near(sorted_values: np.ndarray, number: float, within: float) -> bool:
    at = np.searchsorted(sorted_values, number - within)
    return bool(at < len(sorted_values) and sorted_values[at] <= number + within)


@pytest.fixture(scope="session")
def places(undisturbed: RunSummary) -> _Places:
    output = undisturbed.output
    sites = gpd.read_parquet(output / "sites.parquet")
    metres = sites.to_crs(sites.estimate_utm_crs())
    found = []
    for layer in (sites, metres):
        shapes = layer.geometry
        points = [shapely.get_coordinates(shapes.to_numpy()), shapes.bounds.to_numpy()]
        middles = (shapely.centroid(shapes.to_numpy()), shapes.representative_point().to_numpy())
        found.append([*points, *(shapely.get_coordinates(each) for each in middles)])
    told = np.concatenate([np.ravel(each) for each in found[0]]).reshape(-1, 2)
    told = gpd.GeoSeries(gpd.points_from_xy(*told.T), crs=4326)
    found[1].append(shapely.get_coordinates(told.to_crs(metres.crs).to_numpy()))
    blocks = sorted((output / "rasters").glob("*/*.tif"))
    assert blocks
    for path in blocks:
        with rasterio.open(path) as raster:
            found[1].append(np.array(raster.bounds))
            found[0].append(
                np.array(rasterio.warp.transform_bounds(raster.crs, 4326, *raster.bounds))
            )
    degrees, in_metres = (np.unique(np.concatenate([np.ravel(e) for e in each])) for each in found)
    names = set(pd.read_csv(output / "verdicts.csv")["name"].dropna())
    names |= set(pd.read_csv(output / "controls.csv")["name"].dropna())
    assert len(degrees) > 100 and len(names) > 3
    words = frozenset({*names, str(output), str(output.parent.parent)})
    return _Places(degrees, in_metres, words)


def _leaks(folder: Path, places: _Places) -> list[str]:
    """Whatever in any file of the folder places a site, with where it stands."""
    out = []
    for path in sorted(path for path in folder.rglob("*") if path.is_file()):
        name = path.relative_to(folder).as_posix()
        read = _KINDS.get(path.suffix)
        if read is None:
            out.append(f"{name}: a kind of file that nobody has looked into")
            continue
        if block := _BLOCK.search(name):
            out.append(f"{name}: named by the block {block[0]}")
        for value in read(path):
            if isinstance(value, str):
                out += [f"{name}: {word!r}" for word in places.words if word in value]
                out += [f"{name}: block {block}" for block in _BLOCK.findall(value)]
                out += [f"{name}: a picture" for _ in _PICTURE.findall(value)]
                numbers: Iterable[float] = (float(each) for each in _NUMBER.findall(value))
            else:
                numbers = (float(value),)
            out += [f"{name}: {number!r}" for number in numbers if places.tells(number)]
    return out


def _from_text(path: Path) -> Iterator[str]:
    yield path.read_text(encoding="utf-8")


def _from_csv(path: Path) -> Iterator[str]:
    with path.open(encoding="utf-8", newline="") as file:
        for row in csv.reader(file):
            yield from row


def _from_json(path: Path) -> Iterator[Any]:
    yield from _plain(json.loads(path.read_text(encoding="utf-8")))


def _plain(value: Any) -> Iterator[Any]:
    """Every number and text in nested plain values; geometry (WKB) as its coordinates."""
    if isinstance(value, dict):
        for key, each in value.items():
            yield from _plain(key)
            yield from _plain(each)
    elif isinstance(value, list | tuple):
        for each in value:
            yield from _plain(each)
    elif isinstance(value, bytes):
        yield from shapely.get_coordinates(shapely.from_wkb(value)).ravel()
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield value
    elif isinstance(value, str):
        yield value


def _from_parquet(path: Path) -> Iterator[Any]:
    table = pq.read_table(path)
    for column in table.columns:
        yield from _plain(
            column.unique().to_pylist()
            if column.type != pa.binary() and not pa.types.is_struct(column.type)
            else column.to_pylist()
        )
    for value in (table.schema.metadata or {}).values():
        yield from _plain(json.loads(value))
    groups = pq.ParquetFile(path).metadata
    for group in range(groups.num_row_groups):
        for at in range(groups.num_columns):
            statistics = groups.row_group(group).column(at).statistics
            if statistics is not None and statistics.has_min_max:
                yield from _plain([statistics.min, statistics.max])


def _from_raster(path: Path) -> Iterator[float]:
    with rasterio.open(path) as raster:
        yield from raster.bounds
        yield from rasterio.warp.transform_bounds(raster.crs, 4326, *raster.bounds)


_KINDS: dict[str, Callable[[Path], Iterator[Any]]] = {
    ".csv": _from_csv,
    ".json": _from_json,
    ".geojson": _from_json,
    ".parquet": _from_parquet,
    ".html": _from_text,
    ".tif": _from_raster,
}


def test_no_file_of_the_copy_places_a_site(shared: Path, places: _Places) -> None:
    assert _leaks(shared, places) == []


def test_sites_of_one_cell_cannot_be_told_apart_by_place(shared: Path) -> None:
    """Every outline is a whole cell of the coarse grid, in both layers and in the catalogue."""
    layers = [gpd.read_parquet(shared / "sites.parquet"), gpd.read_file(shared / "sites.geojson")]
    item = json.loads((shared / "sites.json").read_text("utf-8"))
    corners = [*(each.bounds.to_numpy().ravel() for each in layers), np.array(item["bbox"])]
    corners.append(shapely.get_coordinates(shapely.geometry.shape(item["geometry"])).ravel())
    for values in corners:
        np.testing.assert_allclose(values / _CELL, np.round(values / _CELL), atol=1e-9)
    for layer in layers:
        assert layer.geometry.map(lambda shape: shape.equals(shape.envelope)).all()
        np.testing.assert_allclose(layer.bounds["maxx"] - layer.bounds["minx"], _CELL)


def _in_csv(folder: Path, site: Any) -> None:
    with (folder / "verdicts.csv").open("a", encoding="utf-8") as file:
        file.write(f'x,,"reached by the well at {site.x:.4f} E"\n')


def _in_a_number_column(folder: Path, site: Any) -> None:
    rows = pd.read_csv(folder / "controls.csv")
    rows.assign(own_gain=site.y).to_csv(folder / "controls.csv", index=False)


def _in_metres(folder: Path, site: Any) -> None:
    point = gpd.GeoSeries([site], crs=4326)
    easting = point.to_crs(point.estimate_utm_crs()).iloc[0].x
    (folder / "deep.json").write_text(json.dumps({"a": [{"b": f"at {easting:.1f}"}]}), "utf-8")


def _in_the_page(folder: Path, site: Any) -> None:
    page = folder / "report" / "index.html"
    text = page.read_text("utf-8").replace("</main>", f'<p data-at="{site.y:.5f}"></p></main>')
    page.write_text(text, "utf-8")


def _a_picture_in_the_page(folder: Path, site: Any) -> None:
    page = folder / "report" / "index.html"
    picture = '<svg><image href="data:image/png;base64,AA"/></svg></main>'
    page.write_text(page.read_text("utf-8").replace("</main>", picture), "utf-8")


def _in_parquet(folder: Path, site: Any) -> None:
    cells = gpd.read_parquet(folder / "sites.parquet")
    cells.loc[0, "geometry"] = site
    cells.to_parquet(folder / "sites.parquet")


def _a_geotransform(folder: Path, site: Any) -> None:
    with rasterio.open(
        folder / "woody.tif", "w", driver="GTiff", width=8, height=8, count=1, dtype="uint8",
        crs="EPSG:4326", transform=from_origin(site.x, site.y, 1e-4, 1e-4),
    ) as raster:  # fmt: skip
        raster.write(np.zeros((1, 8, 8), "uint8"))


def _an_item_by_block(folder: Path, site: Any) -> None:
    (folder / "item.json").write_text('{"href": "./rasters/e012n034/x.tif"}', "utf-8")


def _an_unknown_file(folder: Path, site: Any) -> None:
    (folder / "visits.gpx").write_text("<gpx/>", "utf-8")


@pytest.mark.parametrize(
    "plant",
    [
        _in_csv, _in_a_number_column, _in_metres, _in_the_page, _a_picture_in_the_page,
        _in_parquet, _a_geotransform, _an_item_by_block, _an_unknown_file,
    ],
)  # fmt: skip
def test_the_search_finds_what_is_planted(
    shared: Path, undisturbed: RunSummary, places: _Places, tmp_path: Path,
    plant: Callable[[Path, Any], None],
) -> None:  # fmt: skip
    """So that the test above can fail, in every kind of file."""
    copy = tmp_path / "copy"
    shutil.copytree(shared, copy)
    sites = gpd.read_parquet(undisturbed.output / "sites.parquet")
    plant(copy, sites.geometry.iloc[1].representative_point())
    assert len(_leaks(copy, places)) >= 1


def test_no_signature_of_an_address_is_in_the_copy(shared: Path) -> None:
    for path in (path for path in shared.rglob("*") if path.is_file()):
        data = path.read_bytes()
        assert b"X-Amz" not in data
        assert not re.search(rb"https?://[^\s\"'<>]*\?[^\s\"'<>]*(sig|token|se)=", data)
