"""Trends of season values, pixel by pixel: Theil–Sen slope and Mann–Kendall test.

Kernels take plain numpy arrays of shape (..., time) and times in years; wrappers take xarray
objects with a "time" dimension and stay lazy. Slopes are per year between the true dates, a season
without a value is NaN.

The p-value is that of independent seasons. Successive seasons are not independent: with a
correlation of 0.3 or 0.6 between them, the test at the 5 % level calls 13 or 30 % of steady series
of 20 seasons a trend. There is no correction, for none helps in records this short. In 1500 steady
series with a correlation of 0, 0.3 and 0.6, the variance of Hamed & Rao (1998) gave 9, 16 and 29 %
with 20 seasons and 9, 15 and 22 % with 40; that of Yue & Wang (2004) and pre-whitening after
removing the trend are no better, and plain pre-whitening keeps the level by losing most true
trends. So these numbers describe a pixel; they never carry a verdict.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from afterrains.signals.composites import require_whole_time
from afterrains.signals.pairs import slopes_and_tests

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["decimal_years", "robust_slope", "slope_and_test"]

# Pairs are counted in float32, which holds whole numbers up to 2**24 exactly.
_MOST_SEASONS = 4096


def slope_and_test(
    values: NDArray[np.floating], years: NDArray[np.floating], *, min_valid: int = 5
) -> tuple[NDArray[np.floating], NDArray[np.floating], NDArray[np.uint16]]:
    """Theil–Sen slope and Mann–Kendall p-value of many series at once.

    Parameters
    ----------
    values : array of float32 or float64, shape (..., time)
        Season values; NaN (or infinite) where a season has none. At most 4096 seasons.
    years : array, shape (time,)
        Decimal years, strictly increasing, e.g. 2021.5.
    min_valid : int
        Fewest seasons with a value that still give a slope; at least 2. Under 5 the test cannot
        reach 0.05 whatever the series.

    Returns
    -------
    tuple of array, shape (...)
        Slope per year and two-sided p-value, of the values' type and NaN where fewer than
        `min_valid` seasons have a value; and the number of seasons with a value (uint16). The
        p-value is exact up to 40 seasons without ties, else that of the normal approximation with
        the variance corrected for ties and a continuity correction.

    Raises
    ------
    ValueError
        If `min_valid` is below 2, `years` does not increase strictly or has not the values' length,
        or there are more than 4096 seasons.
    TypeError
        If the values are not float32 or float64.

    References
    ----------
    Sen, P. K. (1968). Estimates of the regression coefficient based on Kendall's tau.
    J. Am. Stat. Assoc. 63, 1379-1389. doi:10.1080/01621459.1968.10480934
    Mann, H. B. (1945). Nonparametric tests against trend. Econometrica 13, 245-259.
    doi:10.2307/1907187
    Kendall, M. G. (1975). Rank Correlation Methods, 4th ed. Griffin (ties).
    Gilbert, R. O. (1987). Statistical Methods for Environmental Pollution Monitoring. Wiley, ch. 16
    (exact test up to 40 values).
    """
    if min_valid < 2:
        raise ValueError(f"min_valid is {min_valid}; a slope needs at least 2 seasons")
    if years.ndim != 1 or values.shape[-1] != years.size:
        raise ValueError(f"{values.shape[-1]} values for {years.size} years")
    if np.any(np.diff(years) <= 0):
        raise ValueError("years must increase strictly; sort by time and merge equal dates")
    if years.size > _MOST_SEASONS:
        raise ValueError(f"{years.size} seasons are more than {_MOST_SEASONS}")
    if values.dtype not in (np.float32, np.float64):
        raise TypeError(f"values are {values.dtype}; give float32 or float64, NaN where missing")
    shape = values.shape[:-1]
    if years.size < min_valid:  # no series is long enough: nothing to compile a kernel for
        nothing = np.full(shape, np.nan, values.dtype)
        return nothing, nothing.copy(), np.isfinite(values).sum(axis=-1, dtype=np.uint16)
    # One memory layout, so that the kernel is compiled once.
    flat = np.ascontiguousarray(values.reshape(-1, years.size))
    slope, p_value, count = slopes_and_tests(flat, years.astype(np.float64), min_valid)
    return slope.reshape(shape), p_value.reshape(shape), count.reshape(shape)


def robust_slope(cube: xr.DataArray, *, min_valid: int = 5) -> xr.Dataset:
    """Theil–Sen slope per year and Mann–Kendall test of each pixel; lazy where the cube is.

    Parameters
    ----------
    cube : DataArray
        One value a season, with the dimension "time" whole in one chunk and any others, e.g.
        (time, y, x). The time coordinate is dates or decimal years, strictly increasing.
    min_valid : int
        Fewest seasons with a value; see `slope_and_test`.

    Returns
    -------
    Dataset
        `slope` (per year), `p_value` (of independent seasons; see the module's note) and `n`
        (seasons with a value), on the cube's other dimensions.

    Raises
    ------
    ValueError
        As `slope_and_test`, and if "time" is split into chunks.
    """
    import xarray as xr  # for cubes alone: it takes 15 MB

    require_whole_time(cube)
    kind = np.float32 if cube.dtype == np.float32 else np.float64
    slope, p_value, n = xr.apply_ufunc(
        slope_and_test,
        cube.astype(kind),
        decimal_years(cube["time"].to_numpy()),
        kwargs={"min_valid": min_valid},
        input_core_dims=[["time"], ["time"]],
        output_core_dims=[[], [], []],
        output_dtypes=[kind, kind, np.uint16],
        dask="parallelized",
        keep_attrs=False,
    )
    return xr.Dataset(
        {
            "slope": slope.assign_attrs(long_name="Theil-Sen slope", units="year-1"),
            "p_value": p_value.assign_attrs(
                long_name="two-sided Mann-Kendall p-value, independent seasons"
            ),
            "n": n.assign_attrs(long_name="seasons with a value"),
        }
    )


def decimal_years(times: NDArray[np.generic]) -> NDArray[np.float64]:
    """Dates as years and the share of the year gone; numbers are taken as decimal years already.

    The same day of successive years lies one year apart (up to a leap day).
    """
    if not np.issubdtype(times.dtype, np.datetime64):
        return np.asarray(times, np.float64)
    year = times.astype("datetime64[Y]")
    start = year.astype("datetime64[s]").astype(np.int64)
    end = (year + 1).astype("datetime64[s]").astype(np.int64)
    second = times.astype("datetime64[s]").astype(np.int64)
    share = (second - start) / (end - start)
    return np.asarray(year.astype(np.int64) + 1970 + share, np.float64)
