"""Tile, baseline, processing time and solar day from the many ways in which catalogues say them."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from afterrains.scenes import identity

# ESA's naming convention of Sentinel-2 products, and USGS's of Landsat Collection 2 products.
S2 = "S2B_MSIL2A_20190629T212529_N0212_R043_T06VVN_20201006T080531"
LANDSAT = "LC08_L2SP_047027_20201204_20210313_02_T1"


def test_sentinel_2_product_name():
    assert identity.tile_of([S2], {}) == "06VVN"
    assert identity.baseline_of([S2], {}) == "02.12"
    assert identity.processed_at([S2], {}) == datetime(2020, 10, 6, 8, 5, 31, tzinfo=UTC)


def test_landsat_product_name():
    assert identity.tile_of([LANDSAT], {}) == "047027"
    assert identity.processed_at([LANDSAT], {}) == datetime(2021, 3, 13, tzinfo=UTC)
    assert identity.baseline_of([LANDSAT], {}) is None


@pytest.mark.parametrize(
    ("properties", "tile"),
    [
        ({"s2:mgrs_tile": "29RKH"}, "29RKH"),
        ({"grid:code": "MGRS-29RKH"}, "29RKH"),
        ({"grid:code": "MGRS-01WCP"}, "01WCP"),
        ({"mgrs:utm_zone": 1, "mgrs:latitude_band": "W", "mgrs:grid_square": "CP"}, "01WCP"),
        (
            {
                "sentinel:utm_zone": 31,
                "sentinel:latitude_band": "N",
                "sentinel:grid_square": "BJ",
            },
            "31NBJ",
        ),
        ({"landsat:wrs_path": "8", "landsat:wrs_row": "59"}, "008059"),
        ({}, None),
        ({"grid:code": 7, "landsat:wrs_path": "x"}, None),
    ],
)
def test_tile_from_properties(properties: dict[str, object], tile: str | None):
    assert identity.tile_of([], properties) == tile


def test_tile_from_a_catalogues_own_id():
    assert identity.tile_of(["S2A_29RKH_20200219_0_L2A"], {}) == "29RKH"
    assert identity.tile_of(["s2-l2a-20190127"], {}) is None


@pytest.mark.parametrize(
    ("text", "sensor"),
    [
        ("sentinel-2a", "sentinel-2a"),
        ("Sentinel-2B", "sentinel-2b"),
        ("LANDSAT_8", "landsat-8"),
        ("Landsat 9", "landsat-9"),
    ],
)
def test_sensor_spellings(text: str, sensor: str):
    assert identity.sensor_of({"platform": text}) == sensor
    assert identity.sensor_of({"eo:platform": text}) == sensor


def test_no_sensor():
    assert identity.sensor_of({"platform": 8}) is None
    assert identity.sensor_of({}) is None


@pytest.mark.parametrize(
    "text", ["2020-10-31", "31/10/2020", "2020-13-01T00:00:00Z", "", None, 20201031, "soon"]
)
def test_no_moment(text: object):
    """RFC 3339 asks for date and time."""
    assert identity.moment(text) is None


def test_moment_in_utc():
    assert identity.moment("2020-01-01T02:30:00+03:00") == datetime(
        2019, 12, 31, 23, 30, tzinfo=UTC
    )
    assert identity.moment("2020-01-01 02:30:00Z") == datetime(2020, 1, 1, 2, 30, tzinfo=UTC)


def test_solar_day_far_from_greenwich():
    """15 degrees are one hour: 23:46 UTC is past noon of the next day at 177 degrees east."""
    acquired = datetime(2023, 6, 25, 23, 46, tzinfo=UTC)
    assert identity.solar_day(acquired, 177) == date(2023, 6, 26)
    assert identity.solar_day(acquired, -177) == date(2023, 6, 25)
    assert identity.solar_day(acquired, 2) == date(2023, 6, 25)


def test_centre_longitude_across_the_antimeridian():
    """The mean of 179 and -179 is 180, not 0; it is given in the turn that the ground lies in."""
    across = {
        "type": "MultiPolygon",
        "coordinates": [
            [[[179, 0], [180, 0], [180, 1], [179, 1], [179, 0]]],
            [[[-180, 0], [-179, 0], [-179, 1], [-180, 1], [-180, 0]]],
        ],
    }
    assert identity.centre_longitude(across, 179.0) == pytest.approx(180, abs=0.4)
    assert identity.centre_longitude(across, -179.0) == pytest.approx(-180, abs=0.4)
