"""The catalogue of the rasters, judged by pystac's validation with its own schemas, offline."""

from __future__ import annotations

import json
import shutil
from datetime import date
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pystac
import pystac.validation
import pytest
import rasterio
from affine import Affine
from odc.geo.geobox import GeoBox
from pystac.extensions.projection import ProjectionExtension
from pystac.validation.stac_validator import JsonSchemaSTACValidator

from afterrains.delivery.products import PRODUCTS, WOODY_PERCENT
from afterrains.delivery.rasters import write_product
from afterrains.delivery.stac import (
    CLASSIFICATION,
    PROJECTION,
    RASTER,
    RasterFile,
    write_catalog,
)

pytestmark = pytest.mark.usefixtures("offline")

_NUMBERS = {"type": "array", "items": {"type": "number"}}
# The rules of the three extensions for the fields used here, put down from the text of their
# specifications (projection 2.0.0, raster 2.0.0, classification 2.0.0); their schemas are not
# part of pystac and cannot be fetched without a network.
_PROJECTION_RULES = {
    "type": "object",
    "required": ["proj:code", "proj:shape", "proj:transform", "proj:bbox"],
    "properties": {
        "proj:code": {"type": ["string", "null"], "pattern": "^[A-Z]+:[0-9]+$"},
        "proj:wkt2": {"type": ["string", "null"]},
        "proj:shape": {**_NUMBERS, "items": {"type": "integer"}, "minItems": 2, "maxItems": 2},
        "proj:transform": {**_NUMBERS, "minItems": 6, "maxItems": 6},
        "proj:bbox": {**_NUMBERS, "minItems": 4, "maxItems": 4},
    },
    "patternProperties": {"^(?!proj:)": {}},
    "additionalProperties": False,
}
_ASSET_RULES = {
    "type": "object",
    "properties": {
        "raster:spatial_resolution": {"type": "number", "exclusiveMinimum": 0},
        "bands": {
            "type": "array",
            "items": {
                "properties": {
                    "classification:classes": {
                        "type": "array",
                        "minItems": 1,
                        "uniqueItems": True,
                        "items": {
                            "type": "object",
                            "required": ["value", "name"],
                            "properties": {
                                "value": {"type": "integer"},
                                "name": {"type": "string", "pattern": "^[0-9A-Za-z_-]+$"},
                                "description": {"type": "string"},
                                "color_hint": {"type": "string", "pattern": "^[0-9A-F]{6}$"},
                            },
                        },
                    }
                }
            },
        },
    },
}


class _CoreOnly(JsonSchemaSTACValidator):
    """Core schemas as pystac bundles them; extensions by the rules above."""

    checked: set[str]

    def validate_extension(  # type: ignore[override]
        self, stac_dict: dict[str, Any], *_: Any, extension_id: str = "", **__: Any
    ) -> None:
        extension = extension_id or str(_[2])
        self.checked.add(extension)
        if extension == PROJECTION:
            jsonschema.validate(stac_dict["properties"], _PROJECTION_RULES)
        elif extension in (RASTER, CLASSIFICATION):
            for asset in stac_dict["assets"].values():
                jsonschema.validate(asset, _ASSET_RULES)
        else:
            raise AssertionError(f"no rules for {extension}")


@pytest.fixture
def validator(monkeypatch: pytest.MonkeyPatch) -> _CoreOnly:
    checker = _CoreOnly()
    checker.checked = set()
    monkeypatch.setattr(pystac.validation.RegisteredValidator, "get_validator", lambda: checker)
    return checker


def _grid(column: int) -> GeoBox:
    return GeoBox((6, 8), Affine(10, 0, 5e5 + 1e4 * column, 0, -10, 1.6e6), "EPSG:32630")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Two blocks, two seasons, every product, written with their catalogue."""
    files = []
    for column, block in enumerate(["e001n002", "e000n002"]):
        for year in (2022, 2021):
            season = f"{year}-dry"
            for product in PRODUCTS.values():
                values = np.ones((len(product.bands), 6, 8), product.dtype)
                write_product(
                    tmp_path, product, block, season, values, _grid(column),
                    programme_id="dune-edge", method="test",
                )  # fmt: skip
                start, end = date(year, 11, 1), date(year + 1, 5, 31)
                files.append(RasterFile(product, block, season, _grid(column), start, end))
    write_catalog(tmp_path, files, programme_id="dune-edge", title="Dune Edge")
    return tmp_path


def test_it_passes_stac_validation(folder: Path, validator: _CoreOnly) -> None:
    """Every object against the STAC 1.1 schemas, and the rules of the extensions it names."""
    catalog = pystac.Catalog.from_file(folder / "catalog.json")
    assert catalog.validate_all() == 4
    assert validator.checked == {PROJECTION, RASTER, CLASSIFICATION}


def test_a_broken_item_does_not_pass(folder: Path, validator: _CoreOnly) -> None:
    """The validation above can fail: for a core field and for an extension's field."""
    place = folder / "rasters" / "e001n002" / "2021-dry.json"
    sound = json.loads(place.read_text(encoding="utf-8"))
    broken = {**sound, "properties": {**sound["properties"], "proj:shape": [6]}}
    with pytest.raises(jsonschema.ValidationError, match="is too short"):
        pystac.validation.validate_dict(broken)
    broken = {key: value for key, value in sound.items() if key != "assets"}
    with pytest.raises(pystac.STACValidationError, match="'assets' is a required property"):
        pystac.validation.validate_dict(broken)


def test_every_link_leads_somewhere(folder: Path, tmp_path: Path) -> None:
    """Also after the folder was moved; no link is absolute."""
    moved = tmp_path.parent / f"{tmp_path.name}-moved"
    shutil.move(folder, moved)
    catalog = pystac.Catalog.from_file(moved / "catalog.json")
    items = list(catalog.get_items())
    assert [item.id for item in items] == [
        "e000n002_2021-dry",
        "e000n002_2022-dry",
        "e001n002_2021-dry",
        "e001n002_2022-dry",
    ]
    for item in items:
        assert set(item.assets) == set(PRODUCTS)
        for asset in item.assets.values():
            assert asset.href.startswith("./")
            assert Path(str(asset.get_absolute_href())).is_file()
    for path in moved.rglob("*.json"):
        text = path.read_text(encoding="utf-8")
        assert str(tmp_path) not in text
        assert '"href": "/' not in text


def test_the_grid_told_is_the_grid_written(folder: Path) -> None:
    """Against rasterio's reading of the files themselves, through pystac's own extension class."""
    catalog = pystac.Catalog.from_file(folder / "catalog.json")
    for item in catalog.get_items():
        told = ProjectionExtension.ext(item)
        for name, asset in item.assets.items():
            with rasterio.open(str(asset.get_absolute_href())) as opened:
                assert told.code == opened.crs.to_string()
                assert told.shape == list(opened.shape)
                assert told.transform == list(opened.transform)[:6]
                assert told.bbox == list(opened.bounds)
                bands = asset.extra_fields["bands"]
                assert [band["name"] for band in bands] == list(opened.descriptions)
                assert [band.get("unit", "") for band in bands] == [u or "" for u in opened.units]
                assert asset.extra_fields["data_type"] == opened.dtypes[0], name
                assert float(asset.extra_fields["nodata"]) == pytest.approx(
                    opened.nodata, nan_ok=True
                )
                west, south, east, north = rasterio.warp.transform_bounds(
                    opened.crs, "EPSG:4326", *opened.bounds
                )
        assert item.bbox == pytest.approx([west, south, east, north], abs=2e-6)  # as rounded


def test_a_season_covers_its_days(folder: Path) -> None:
    """The last day is part of it."""
    item = pystac.Item.from_file(folder / "rasters" / "e001n002" / "2021-dry.json")
    assert item.datetime is None
    assert item.properties["start_datetime"] == "2021-11-01T00:00:00Z"
    assert item.properties["end_datetime"] == "2022-05-31T23:59:59Z"


def test_the_order_of_the_rasters_does_not_matter(folder: Path, tmp_path: Path) -> None:
    """Workers finish in any order; the bytes do not tell."""
    files = [
        RasterFile(product, block, "2021-dry", _grid(0), date(2021, 11, 1), date(2022, 5, 31))
        for block in ("a", "b")
        for product in PRODUCTS.values()
    ]
    write_catalog(tmp_path / "1", files, programme_id="x", title="X")
    write_catalog(tmp_path / "2", reversed(files), programme_id="x", title="X")
    for name in ("catalog.json", "rasters/a/2021-dry.json", "rasters/b/2021-dry.json"):
        assert (tmp_path / "1" / name).read_bytes() == (tmp_path / "2" / name).read_bytes()


def test_an_empty_programme_has_an_empty_catalogue(tmp_path: Path, validator: _CoreOnly) -> None:
    """No season is complete yet."""
    path = write_catalog(tmp_path, [], programme_id="x", title="X")
    assert pystac.Catalog.from_file(path).validate_all() == 0


def test_rasters_of_an_item_share_a_grid(tmp_path: Path) -> None:
    """The item tells one grid for all of them."""
    days = date(2021, 11, 1), date(2022, 5, 31)
    first, second, *_ = PRODUCTS.values()
    files = [
        RasterFile(first, "a", "2021-dry", _grid(0), *days),
        RasterFile(second, "a", "2021-dry", _grid(1), *days),
    ]
    with pytest.raises(ValueError, match="a, 2021-dry: the rasters lie on different grids"):
        write_catalog(tmp_path, files, programme_id="x", title="X")
    with pytest.raises(ValueError, match="a raster is named twice"):
        write_catalog(tmp_path, files[:1] * 2, programme_id="x", title="X")


def test_a_crs_without_a_code_is_told_in_full(tmp_path: Path, validator: _CoreOnly) -> None:
    """Projection extension: proj:code is null, the definition stands in proj:wkt2."""
    grid = GeoBox(
        (4, 4), Affine(10, 0, 0, 0, -10, 0), "+proj=laea +lat_0=15 +lon_0=-3 +datum=WGS84 +units=m"
    )
    file = RasterFile(WOODY_PERCENT, "a", "2021-dry", grid, date(2021, 11, 1), date(2022, 5, 31))
    path = write_catalog(tmp_path, [file], programme_id="x", title="X")
    (item,) = pystac.Catalog.from_file(path).get_items()
    item.validate()
    assert item.properties["proj:code"] is None
    assert "Lambert_Azimuthal_Equal_Area" in item.properties["proj:wkt2"].replace(" ", "_")
    assert item.bbox == pytest.approx([-3, 15, -3, 15], abs=0.001)
