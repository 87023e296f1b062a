"""Numbers to reflectance, and the published band-pass coefficients."""

from __future__ import annotations

import numpy as np
import pytest

from afterrains.scenes.bandpass import SETS, adjust_bandpass
from afterrains.scenes.reflectance import share_negative, to_reflectance


def test_landsat_scale_and_offset():
    """USGS: DN 7273 is 0.0000075 and 43636 is 0.99999, the ends of the valid range."""
    numbers = np.array([7273, 43636, 0], dtype=np.uint16)
    found = to_reflectance(numbers, scale=2.75e-5, offset=-0.2, nodata=0)
    assert found.dtype == np.float32
    # float32 keeps 0.0000075 to a relative 6e-8 of the numbers it is the difference of
    np.testing.assert_allclose(found[:2], [0.0000075, 0.99999], atol=1e-8)
    assert np.isnan(found[2])


def test_sentinel_2_offset_is_taken_off_after_nodata():
    """ESA baseline 04.00: (DN - 1000) / 10000; DN 0 stays "no data" and never becomes -0.1."""
    numbers = np.array([0, 1, 1000, 1400, 11000], dtype=np.uint16)
    found = to_reflectance(numbers, scale=0.0001, offset=-0.1, nodata=0)
    np.testing.assert_allclose(found[1:], [-0.0999, 0.0, 0.04, 1.0], atol=1e-7)
    assert np.isnan(found[0])


def test_saturated_and_broken_numbers_have_no_value():
    numbers = np.array([1, 65534, 65535], dtype=np.uint16)
    found = to_reflectance(numbers, scale=1e-4, offset=0, nodata=0, valid_range=(1, 65534))
    assert np.isfinite(found).tolist() == [True, True, False]


@pytest.mark.parametrize("kind", ["u1", "i1", "<u2", ">u2", "<i2", ">i2", "<u4", "<i4", "<f4"])
def test_every_number_of_every_type(kind: str, rng: np.random.Generator):
    """Computed in double precision and rounded once, whichever way the type allows to do it."""
    low, high = (
        (0, 10_000) if np.dtype(kind).kind == "f" else (np.iinfo(kind).min, np.iinfo(kind).max)
    )
    numbers = rng.integers(max(low, -40_000), min(high, 70_000), (40, 50), endpoint=True).astype(
        kind
    )
    numbers[0, 0] = 7
    found = to_reflectance(numbers, scale=2.75e-5, offset=-0.2, nodata=7, valid_range=(-100, 9_000))
    plain = numbers.astype(float)
    expected = np.where(
        (plain == 7) | (plain < -100) | (plain > 9_000), np.nan, plain * 2.75e-5 - 0.2
    )
    assert found.dtype == np.float32
    np.testing.assert_array_equal(found, expected.astype(np.float32))
    found[0] = 0  # a table that is kept is not handed out
    again = to_reflectance(numbers, scale=2.75e-5, offset=-0.2, nodata=7, valid_range=(-100, 9_000))
    np.testing.assert_array_equal(again, expected.astype(np.float32))


def test_floating_point_files():
    """NaN, infinity and a huge nodata number have no value."""
    numbers = np.array([0.2, np.nan, np.inf, -3.4e38], dtype=np.float32)
    nodata = float(np.float32(-3.4e38))
    found = to_reflectance(numbers, scale=1, offset=0, nodata=nodata)
    assert np.isfinite(found).tolist() == [True, False, False, False]
    assert np.isfinite(
        to_reflectance(numbers, scale=1, offset=0, nodata=float("nan"))
    ).tolist() == [True, False, False, True]


def test_roy_direction_and_size():
    """Roy et al. 2016, table 2: the reduced major axis slope is the root of the ratio of the two
    least-squares slopes (OLI on ETM+ over ETM+ on OLI), which fixes the direction.
    """
    oli_on_etm = [0.8474, 0.8483, 0.9047, 0.8462, 0.8937, 0.9071]
    etm_on_oli = [0.8850, 0.9317, 0.9372, 0.8339, 0.8639, 0.9165]
    bands = ["blue", "green", "red", "nir", "swir16", "swir22"]
    slopes = [SETS["roy-etm"][band][0] for band in bands]
    # published to four decimals
    np.testing.assert_allclose(slopes, np.sqrt(np.divide(oli_on_etm, etm_on_oli)), atol=1.5e-4)


def ndvi(red: float, nir: float, set_name: str, nir_band: str) -> float:
    values = np.array([red], np.float32), np.array([nir], np.float32)
    red_out = adjust_bandpass(values[0], "red", set_name)
    nir_out = adjust_bandpass(values[1], nir_band, set_name)
    return float(((nir_out - red_out) / (nir_out + red_out))[0])


@pytest.mark.parametrize(
    ("set_name", "expected"),
    [("roy-etm", 0.1806), ("hls-s2a", 0.1750), ("hls-s2b", 0.1743), ("hls-s2c", 0.1770)],
)
def test_bare_pixel_after_adjustment(set_name: str, expected: float):
    """A bare pixel of red .20 and near infrared .28 has NDVI .1667; computed from the published
    coefficients by hand (Roy 2016; Claverie 2018 with the agency's parameter files).
    """
    # the expected values are rounded to four decimals
    assert ndvi(0.20, 0.28, set_name, "nir08") == pytest.approx(expected, abs=5e-5)


def test_bands_without_coefficients_have_no_value():
    """Sentinel-2's broad near infrared (B08) and red edge have no published pair."""
    for band in ("nir", "rededge1"):
        assert np.isnan(adjust_bandpass(np.zeros(1, np.float32), band, "hls-s2a")).all()


def test_missing_stays_missing():
    found = adjust_bandpass(np.array([np.nan, 0.5], np.float32), "red", "hls-s2b")
    assert np.isnan(found[0])
    assert found.dtype == np.float32


def test_share_of_negative_reflectance():
    values = np.array([-0.02, 0.1, np.nan, -0.5], np.float32)
    clear = np.array([True, True, True, False])
    assert share_negative(values, clear) == 0.5
    assert np.isnan(share_negative(values, np.zeros(4, bool)))
