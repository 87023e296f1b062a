"""What a worker tells of its rasters, put together with what is held already."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from copy import deepcopy
from datetime import date
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from affine import Affine
from odc.geo.geobox import GeoBox

from afterrains.delivery.products import DRY_GREENNESS, PICTURE
from afterrains.delivery.stac import RasterFile
from afterrains.stages import drawing


def test_rasters_keep_their_place_and_share_what_is_alike(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two blocks of two rasters each come back as copies, as from another process."""
    boxes = {
        name: GeoBox((8, 8), Affine(10, 0, east, 0, -10, 1_600_000), "EPSG:32631")
        for name, east in (("e000n000", 500_000), ("e001n000", 510_240))
    }
    first, last = date(2020, 11, 1), date(2021, 5, 31)
    sent = [
        [RasterFile(product, name, "2021-dry", box, first, last) for product in _PRODUCTS]
        for name, box in boxes.items()
    ]

    def copies(_client: Any, _work: Callable[..., Any], tasks: Iterable[Any]) -> Iterator[Any]:
        yield from (deepcopy(each) for each, _ in zip(sent, tasks, strict=True))

    monkeypatch.setattr(drawing, "in_turn", copies)
    tasks: Any = [
        SimpleNamespace(cell=SimpleNamespace(cell_id=name, geobox=box))
        for name, box in boxes.items()
    ]
    told: list[tuple[int, int]] = []
    nobody: Any = None
    found = drawing.draw_maps(nobody, tasks, nobody, Path(), lambda *step: told.append(step))
    assert told == [(1, 2), (2, 2)]
    assert [
        (each.block, each.product.name, each.season, each.start, each.end) for each in found
    ] == [(name, product.name, "2021-dry", first, last) for name in boxes for product in _PRODUCTS]
    assert all(each.geobox is boxes[each.block] for each in found)
    assert len({id(each.product) for each in found}) == len(_PRODUCTS)


_PRODUCTS = (DRY_GREENNESS, PICTURE)
