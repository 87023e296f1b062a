"""Season composites against numpy's quantiles."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.typing import NDArray

from afterrains.signals.composites import natural_colour, season_composite, season_composites
from afterrains.signals.season_values import season_of


def by_numpy(stack: NDArray[np.floating], *probabilities: float) -> NDArray[np.float64]:
    """`numpy.nanquantile`, whose all-NaN warning is not news here."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        return np.nanquantile(stack.astype(np.float64), probabilities, axis=0)


# 2e-7: results are float32.
SINGLE = {"rtol": 2e-7, "atol": 1e-12}


@pytest.mark.parametrize("n_dates", [1, 2, 3, 5, 8, 17, 30, 64, 100])
def test_composite_equals_numpy(n_dates: int, rng: np.random.Generator) -> None:
    """Every length sorts right: the sorting network is made anew for each."""
    stack = rng.normal(0.2, 0.1, (n_dates, 9, 31)).astype(np.float32)
    stack[rng.random(stack.shape) < 0.3] = np.nan
    stack[:, 0, 0] = np.nan
    made = season_composite(stack)
    middle, low, high = by_numpy(stack, 0.5, 0.1, 0.9)
    np.testing.assert_allclose(made["median"], middle, **SINGLE)
    np.testing.assert_allclose(made["low"], low, **SINGLE)
    np.testing.assert_allclose(made["high"], high, **SINGLE)
    np.testing.assert_array_equal(made["count"], np.isfinite(stack).sum(axis=0))
    assert made["median"].dtype == np.float32 and made["count"].dtype == np.uint16


@settings(deadline=None)
@given(
    arrays(
        np.float32,
        st.tuples(st.integers(1, 12), st.just(2), st.integers(1, 3)),
        elements=st.one_of(
            st.floats(-1, 1, width=32), st.sampled_from([0.0, 0.25, np.nan, np.inf, -np.inf])
        ),
    ),
    st.floats(0, 1),
    st.permutations(range(12)),
)
def test_composite_of_anything_equals_numpy_in_any_order_of_dates(
    stack: NDArray[np.float32], probability: float, order: list[int]
) -> None:
    """Property: ties, infinities (missing), all probabilities; dates may come in any order."""
    known = np.where(np.isfinite(stack), stack, np.nan)
    made = season_composite(stack, low=probability, high=1.0)
    low, high = by_numpy(known, probability, 1.0)
    # 1e-7: float32 of values up to 1.
    np.testing.assert_allclose(made["low"], low, atol=1e-7)
    np.testing.assert_allclose(made["high"], high, atol=1e-7)
    shuffled = stack[[i for i in order if i < len(stack)]]
    again = season_composite(shuffled, low=probability, high=1.0)
    for name, values in made.items():
        np.testing.assert_array_equal(values, again[name])


def test_only_what_is_wanted_is_made(rng: np.random.Generator) -> None:
    stack = rng.normal(0.2, 0.1, (7, 4, 5)).astype(np.float32)
    every = season_composite(stack)
    for names in (("median",), ("low", "high"), ()):
        made = season_composite(stack, names=names)
        assert set(made) == {*names, "count"}
        for name, values in made.items():
            np.testing.assert_array_equal(values, every[name])


def test_season_without_looks_is_nan_and_counts_none() -> None:
    made = season_composite(np.empty((0, 2, 3), np.float32))
    assert np.isnan(made["median"]).all() and (made["count"] == 0).all()


def test_natural_colour_is_the_median_of_each_band(rng: np.random.Generator) -> None:
    """Numpy's median, band by band."""
    stack = rng.uniform(0, 0.4, (11, 3, 5, 7)).astype(np.float32)
    stack[rng.random(stack.shape) < 0.2] = np.nan
    picture = natural_colour(stack)
    assert picture.shape == (3, 5, 7) and picture.dtype == np.float32
    np.testing.assert_allclose(picture, np.nanmedian(stack, axis=0), **SINGLE)


def test_composite_of_real_ndvi_equals_numpy(real: Path) -> None:
    """The provider's NDVI of 2019, with its real gaps; seasons by quarter."""
    path = real / "semi-arid-2019" / "ndvi_as_delivered.nc"
    with xr.open_dataset(path, engine="h5netcdf") as delivered:
        cube = delivered["NDVI"].rename(t="time").load()
    starts = pd.date_range("2019-01-01", periods=4, freq="QS")
    calendar = pd.DataFrame(
        {
            "season": [f"q{i}" for i in range(4)],
            "start": starts,
            "end": starts + pd.offsets.QuarterEnd(),
        }
    )
    seasons = season_of(pd.Series(cube["time"].to_numpy()), calendar)
    made = season_composites(cube, seasons)
    assert list(made["season"].to_numpy()) == list(calendar["season"])
    for season in calendar["season"]:
        stack = cube.to_numpy()[(seasons == season).to_numpy()]
        middle, low, high = by_numpy(stack, 0.5, 0.1, 0.9)
        one = made.sel(season=season)
        np.testing.assert_allclose(one["median"], middle, **SINGLE)
        np.testing.assert_allclose(one["low"], low, **SINGLE)
        np.testing.assert_allclose(one["high"], high, **SINGLE)
        np.testing.assert_array_equal(one["count"], np.isfinite(stack).sum(axis=0))


def test_composites_are_lazy_and_equal_eager(
    rng: np.random.Generator, computing_forbidden: Callable[[], AbstractContextManager[None]]
) -> None:
    """Chunks change when the work is done, never the answer; a date of no season is left out."""
    cube = xr.DataArray(
        rng.normal(0.2, 0.1, (9, 6, 8)).astype(np.float32), dims=("time", "y", "x"), name="ndvi"
    )
    seasons = ["2021-dry"] * 4 + [None] + ["2021-rains"] * 4
    with computing_forbidden():
        lazy = season_composites(cube.chunk(y=4, x=3), seasons)
    eager = season_composites(cube, seasons)
    assert lazy["median"].chunks is not None
    xr.testing.assert_identical(lazy.compute(), eager)
    assert eager["median"].dims == ("season", "y", "x")
    expected = np.median(cube.to_numpy()[:4], axis=0)
    np.testing.assert_allclose(eager["median"].sel(season="2021-dry"), expected, **SINGLE)


def test_mistakes_of_the_caller_are_named(rng: np.random.Generator) -> None:
    cube = xr.DataArray(rng.random((4, 2, 2)), dims=("time", "y", "x"), name="ndvi")
    with pytest.raises(ValueError, match=r'ndvi: "time" is split into 2 chunks; rechunk with'):
        season_composites(cube.chunk(time=2), ["a"] * 4)
    with pytest.raises(ValueError, match="no date lies in a season"):
        season_composites(cube, [None] * 4)
    with pytest.raises(ValueError, match="3 seasons for 4 dates"):
        season_composites(cube, ["a"] * 3)
    with pytest.raises(ValueError, match=r"probabilities 0.1 and 90 must lie between 0 and 1"):
        season_composite(cube.to_numpy(), high=90)
    with pytest.raises(ValueError, match="time, y, x; this one has 2"):
        season_composite(np.zeros((3, 3)))
    with pytest.raises(ValueError, match="time, band, y, x; this one has 3"):
        natural_colour(np.zeros((3, 3, 3)))
