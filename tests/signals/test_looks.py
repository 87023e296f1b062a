"""Shares of a polygon by what became of them, on a grid whose parts are counted by hand."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import geopandas as gpd
import numpy as np
import pytest
import shapely
from affine import Affine
from numpy.typing import NDArray
from odc.geo.geobox import GeoBox

from afterrains.signals.coverage import site_coverage
from afterrains.signals.looks import SHARES, polygon_looks

CRS = "EPSG:32630"
GRID = GeoBox((2, 5), Affine(10, 0, 500_000, 0, -10, 1_600_020), CRS)  # five columns, two rows


@dataclass(frozen=True)
class Seen:
    """A pass, by hand."""

    clear: NDArray[np.bool_]
    covered: NDArray[np.bool_]
    lost: NDArray[np.bool_]
    date: date = date(2021, 2, 3)
    sensor: str = "sentinel-2a"
    scene_ids: tuple[str, ...] = ("one",)
    unreadable: tuple[tuple[str, str, str], ...] = ()


def columns(*which: int) -> NDArray[np.bool_]:
    """Both rows of these columns."""
    layer = np.zeros((2, 5), dtype=bool)
    layer[:, list(which)] = True
    return layer


def sites(**boxes: tuple[float, float, float, float]) -> gpd.GeoDataFrame:
    """Sites whose core is a box in pixels, from the grid's south-west corner."""
    cores = [
        shapely.box(500_000 + 10 * w, 1_600_000 + 10 * s, 500_000 + 10 * e, 1_600_000 + 10 * n)
        for w, s, e, n in boxes.values()
    ]
    core = gpd.GeoSeries(cores, crs=CRS)
    return gpd.GeoDataFrame({"site_id": list(boxes), "core": core}, geometry=core.buffer(10))


def test_the_three_are_told_apart() -> None:
    """By hand: column 0 clear, 1 masked, 2 lost, 3 not covered, 4 clear but left out as haze."""
    look = Seen(clear=columns(0, 4), covered=columns(0, 1, 4), lost=columns(2))
    table = polygon_looks(
        [(look, columns(4))], site_coverage(GRID, sites(all=(0, 0, 5, 2), two=(1, 0, 3, 2)))
    )
    whole, two = table.to_dict(orient="records")
    assert {share: whole[share] for share in SHARES} == pytest.approx(dict.fromkeys(SHARES, 0.2))
    assert (two["masked"], two["unreadable"]) == pytest.approx((0.5, 0.5))
    assert two["clear"] == two["leftover"] == two["not_covered"] == 0


def test_half_pixels_and_ground_beyond_the_grid() -> None:
    """By hand: the polygon's east half lies outside the grid, its west half covers half pixels."""
    look = Seen(clear=columns(4), covered=columns(4), lost=columns())
    [row] = polygon_looks(
        [(look, None)], site_coverage(GRID, sites(edge=(4.5, 0, 5.5, 2)))
    ).to_dict("records")
    assert (row["clear"], row["not_covered"]) == pytest.approx((0.5, 0.5))


def test_shares_add_up_to_one(rng: np.random.Generator) -> None:
    """Whatever the arrays say, contradictions too: every part of a polygon counts once."""
    for _ in range(50):
        clear, covered, lost, removed = rng.random((4, 2, 5)) < 0.5
        look = Seen(clear & covered, covered, lost)
        table = polygon_looks(
            [(look, removed & clear & covered)], site_coverage(GRID, sites(odd=(0.3, 0, 4, 2)))
        )
        assert table[list(SHARES)].sum(axis=1).to_numpy() == pytest.approx(1)


def test_failed_reads_are_named_beside_the_shares() -> None:
    """A scene that gave nothing is named; so are the bands that are missing on clear ground."""
    lost = Seen(
        columns(), columns(), columns(0, 1, 2, 3, 4), scene_ids=(),
        unreadable=(("two", "scl", "status 500"),),
    )  # fmt: skip
    part = Seen(
        columns(0, 1, 2, 3, 4), columns(0, 1, 2, 3, 4), columns(), date=date(2021, 1, 1),
        unreadable=(("one", "swir22", "cut"),),
    )  # fmt: skip
    table = polygon_looks([(lost, None), (part, None)], site_coverage(GRID, sites(a=(0, 0, 5, 2))))
    assert table["scene_id"].tolist() == ["one", "two"]
    assert table["unread"].tolist() == ["swir22", "scl"]
    assert table["unreadable"].tolist() == [0, 1]
    assert table["clear"].tolist() == [1, 0]


def test_no_looks_no_rows_and_wrong_shapes_are_named() -> None:
    assert polygon_looks([], site_coverage(GRID, sites(a=(0, 0, 5, 2)))).empty
    small = np.zeros((1, 1), dtype=bool)
    with pytest.raises(ValueError, match="clear has shape"):
        polygon_looks(
            [(Seen(small, small, small), None)], site_coverage(GRID, sites(a=(0, 0, 5, 2)))
        )
