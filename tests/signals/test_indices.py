"""Spectral indices against the open index catalogue (spyndex) and its values at one point."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager

import dask.array as da
import hypothesis.strategies as st
import numpy as np
import pytest
import spyndex
import xarray as xr
from hypothesis import given

import afterrains.indices
from afterrains import indices
from afterrains.signals.indices import DEFAULT_INDICES, INDICES, available, compute

# One reflectance set and what spyndex 0.12.0 gives for it, to six decimals. SATVI, which the
# catalogue lacks, is from its published formula (Marsett et al. 2006); SAVI has L = 0.5.
POINT = {
    "blue": 0.05,
    "green": 0.08,
    "red": 0.10,
    "rededge1": 0.14,
    "rededge2": 0.22,
    "nir": 0.28,
    "swir16": 0.26,
    "swir22": 0.18,
}
AT_POINT = {
    "ndvi": 0.473684,
    "evi": 0.299003,
    "evi2": 0.296053,
    "savi": 0.306818,
    "msavi2": 0.281603,
    "osavi": 0.333333,
    "ndmi": 0.037037,
    "nbr": 0.217391,
    "nbr2": 0.181818,
    "bsi": 0.043478,
    "nirv": 0.132632,
    "kndvi": 0.220686,
    "ndre": 0.333333,
    "gcvi": 2.5,
    "satvi": 0.189070,
    "ndwi": -0.555556,
}
# Our name: the catalogue's name, and the constants it is to be given.
IN_SPYNDEX: dict[str, tuple[str, dict[str, float]]] = {
    "ndvi": ("NDVI", {}),
    "evi": ("EVI", {"g": 2.5, "C1": 6.0, "C2": 7.5, "L": 1.0}),
    "evi2": ("EVI2", {"g": 2.5, "L": 1.0}),
    "savi": ("SAVI", {"L": 0.5}),
    "msavi2": ("MSAVI", {}),
    "osavi": ("OSAVI", {}),
    "ndmi": ("NDMI", {}),
    "nbr": ("NBR", {}),
    "nbr2": ("NBR2", {}),
    "bsi": ("BI", {}),
    "nirv": ("NIRv", {}),
    "ndre": ("NDREI", {}),
    "gcvi": ("CIG", {}),
    "ndwi": ("NDWI", {}),
}
BANDS = {
    "blue": "B",
    "green": "G",
    "red": "R",
    "rededge1": "RE1",
    "nir": "N",
    "swir16": "S1",
    "swir22": "S2",
}
WITHOUT_VALUE_AT_ZERO = frozenset(
    ["ndvi", "kndvi", "nirv", "ndre", "gcvi", "ndmi", "nbr", "nbr2", "ndwi", "bsi"]
)


@pytest.mark.parametrize("name", INDICES)
def test_index_at_the_published_point(name: str) -> None:
    """Every index has a value there; none is left out."""
    assert compute(name, POINT) == pytest.approx(AT_POINT[name], abs=5e-7)


@pytest.mark.parametrize("name", IN_SPYNDEX)
def test_index_equals_the_index_catalogue(name: str, rng: np.random.Generator) -> None:
    """On random land reflectance; spyndex evaluates its own formula texts."""
    bands = {band: rng.uniform(0.01, 0.6, 500) for band in BANDS}
    theirs, constants = IN_SPYNDEX[name]
    expected = spyndex.computeIndex(
        theirs, params={BANDS[band]: values for band, values in bands.items()} | constants
    )
    index = INDICES[name]
    ours = index.function(*(bands[band] for band in index.bands))
    np.testing.assert_allclose(ours, expected, rtol=1e-12, atol=1e-14)


def test_kndvi_is_the_kernel_formula_with_sigma_half_the_sum(rng: np.random.Generator) -> None:
    """(kNN - kNR)/(kNN + kNR), Gaussian kernel, pixel by pixel (Camps-Valls 2021, eq. 2 and 4)."""
    red, nir = rng.uniform(0.01, 0.6, (2, 300))
    sigma = 0.5 * (nir + red)
    k = spyndex.computeKernel("RBF", params={"a": nir, "b": red, "sigma": sigma})
    np.testing.assert_allclose(indices.kndvi(red, nir), (1 - k) / (1 + k), rtol=1e-10, atol=1e-12)


def test_an_offset_left_in_the_bands_does_not_cancel() -> None:
    """Reference values: +0.1 on both bands makes NDVI .3103 and EVI2 .2419."""
    assert indices.ndvi(0.20, 0.38) == pytest.approx(0.3103, abs=5e-5)
    assert indices.evi2(0.20, 0.38) == pytest.approx(0.2419, abs=5e-5)


@pytest.mark.parametrize("name", INDICES)
def test_missing_and_zero_give_nan_and_no_warning(name: str) -> None:
    """By hand: 0/0 has no value; warnings are errors in this test run."""
    index = INDICES[name]
    for width in (np.float32, np.float64):
        missing = [np.array([np.nan, 0.2], width) for _ in index.bands]
        got = index.function(*missing)
        assert np.isnan(got[0]) and np.isfinite(got[1]) and got.dtype == width
    zeros = index.function(*(np.zeros(1) for _ in index.bands))
    assert np.isnan(zeros[0]) if name in WITHOUT_VALUE_AT_ZERO else zeros[0] == 0


def test_negative_reflectance_does_not_reach_a_mean() -> None:
    """By hand: red -.009, nir .010 is an NDVI of 19; `compute` leaves it out, `ndvi` shows it."""
    red, nir = np.array([-0.009, 0.10]), np.array([0.010, 0.28])
    assert indices.ndvi(red, nir)[0] == pytest.approx(19)
    np.testing.assert_allclose(compute("ndvi", {"red": red, "nir": nir}), [np.nan, 0.18 / 0.38])
    assert np.isnan(indices.msavi2(np.array([-0.2]), np.array([0.5]))[0])


@given(
    st.lists(st.floats(0.0, 1.0, width=32), min_size=7, max_size=7),
    st.sampled_from(sorted(INDICES)),
)
def test_range_holds_all_that_reflectance_can_give(bands: list[float], name: str) -> None:
    """Property: `compute` takes no value away between 0 and 1 (EVI's range is a choice)."""
    values = {band: np.array([v]) for band, v in zip(BANDS, bands, strict=True)}
    index = INDICES[name]
    if name != "evi":
        raw = index.function(*(values[band] for band in index.bands))
        np.testing.assert_array_equal(compute(name, values), raw)


@pytest.mark.parametrize("name", INDICES)
def test_index_is_lazy_and_the_same_on_every_array_type(
    name: str,
    rng: np.random.Generator,
    computing_forbidden: Callable[[], AbstractContextManager[None]],
) -> None:
    """Numpy, dask and xarray (of either) give the same numbers; dask is not computed on the way."""
    plain = {b: rng.uniform(0.0, 0.5, (4, 6)).astype(np.float32) for b in BANDS}
    plain["nir"][0, 0] = plain["red"][0, 0] = 0.0
    expected = compute(name, plain)
    labelled = {b: xr.DataArray(v, dims=("y", "x")) for b, v in plain.items()}
    with computing_forbidden():
        dask_result = compute(name, {b: da.from_array(v, chunks=3) for b, v in plain.items()})
        lazy = compute(name, {b: v.chunk(x=3) for b, v in labelled.items()})
    assert isinstance(dask_result, da.Array) and lazy.chunks is not None
    np.testing.assert_array_equal(dask_result.compute(), expected)
    np.testing.assert_array_equal(lazy.compute(), expected)
    np.testing.assert_array_equal(compute(name, labelled), expected)
    assert lazy.dtype == expected.dtype == np.float32


def test_available_asks_for_every_band() -> None:
    assert available(["red", "nir"]) == (
        *("ndvi", "evi2", "msavi2", "kndvi", "savi", "osavi", "nirv"),
    )
    assert available(["red"]) == ()
    assert set(DEFAULT_INDICES) <= set(available(["red", "nir", "swir16", "swir22"]))


def test_compute_names_what_is_missing() -> None:
    with pytest.raises(ValueError, match=r"nbr needs the band\(s\) swir22"):
        compute("nbr", {"nir": 0.2})
    with pytest.raises(ValueError, match="no index 'ndvy'"):
        compute("ndvy", {})


def test_unscaled_numbers_are_refused() -> None:
    """Snow above 1 passes, digital numbers do not; nothing at all passes."""
    indices.require_reflectance(np.array([0.1, 0.2, 1.6, np.nan]))
    indices.require_reflectance(np.array([np.nan]))
    with pytest.raises(ValueError, match=r"nir has a median of 2800; .* scale and offset"):
        indices.require_reflectance(np.array([2600, 2800, 3000]), "nir")


def test_library_face_has_the_indices() -> None:
    """The documented way in: `afterrains.indices.ndvi(red, nir)`."""
    assert afterrains.indices.ndvi(0.10, 0.28) == pytest.approx(9 / 19)
    assert set(afterrains.indices.__all__) >= set(INDICES)
