"""How much faster the compiled kernels are than the usual ways, as ratios within one run.

    python benchmarks/kernels/run.py [--quick]

Each time is the median processor time of several runs on one thread, after compilation, on the same
invented numbers; before a time counts, the results of both ways are compared. Absolute times depend
on the machine, ratios much less, and what else runs on it counts for little in either.
"""

from __future__ import annotations

import argparse
import os
import statistics
import time
import warnings
from collections.abc import Callable

# Before numpy loads: one thread for everyone, or the comparison is of thread pools.
for _pool in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ.setdefault(_pool, "1")

import dask  # noqa: E402
import exactextract  # noqa: E402
import geopandas as gpd  # noqa: E402
import numpy as np  # noqa: E402
import pandas as pd  # noqa: E402
import pymannkendall  # noqa: E402
import scipy.special  # noqa: E402
import scipy.stats  # noqa: E402
import shapely  # noqa: E402
import xarray as xr  # noqa: E402
from affine import Affine  # noqa: E402
from exactextract.raster import NumPyRasterSource  # noqa: E402
from numpy.typing import NDArray  # noqa: E402
from odc.geo.geobox import GeoBox  # noqa: E402
from shapely.geometry import mapping  # noqa: E402

from afterrains.signals.composites import season_composites  # noqa: E402
from afterrains.signals.coverage import polygon_coverage, polygon_statistics  # noqa: E402
from afterrains.signals.indices import compute  # noqa: E402
from afterrains.signals.trend import slope_and_test  # noqa: E402

Pixels = NDArray[np.float32]


def main() -> None:
    """Run every comparison and print one line for each."""
    parser = argparse.ArgumentParser(description=__doc__, add_help=True)
    parser.add_argument("--quick", action="store_true", help="fewer pixels; noisier ratios")
    small = parser.parse_args().quick
    rng = np.random.default_rng(7)
    print(f"{'comparison':<66}{'ours':>12}{'theirs':>12}{'ratio':>8}")
    for n_seasons in (9, 24):
        trends(rng, n_seasons, 4_000 if small else 40_000)
    season_medians(rng, 128 if small else 384)
    polygon_means(rng)


def trends(rng: np.random.Generator, n_seasons: int, n_pixels: int) -> None:
    """Slope and test of each pixel: libraries pixel by pixel, and all pairs at once in numpy."""
    years = 2001.0 + np.arange(n_seasons)
    pixels = rng.normal(0.2, 0.05, (n_pixels, n_seasons)).astype(np.float32)
    slope, p_value, _ = slope_and_test(pixels, years)  # compiles, too
    ours = median_seconds(lambda: slope_and_test(pixels, years), 7) / n_pixels

    few = pixels[:200]
    found = by_libraries(few, years)
    np.testing.assert_allclose(found[0], slope[: len(few)], atol=1e-8)
    theirs = median_seconds(lambda: by_libraries(few, years), 3) / len(few)
    line(f"slope and test, {n_seasons} seasons, pixel: pymannkendall + scipy", ours, theirs)

    found = by_all_pairs(pixels, years)
    np.testing.assert_allclose(found[0], slope, atol=1e-8)
    # Both count S; ours is exact where theirs is the normal approximation.
    np.testing.assert_allclose(found[1], p_value, atol=0.02)
    theirs = median_seconds(lambda: by_all_pairs(pixels, years), 3) / n_pixels
    line(f"slope and test, {n_seasons} seasons, pixel: all pairs in numpy", ours, theirs)


def by_libraries(pixels: Pixels, years: NDArray[np.float64]) -> tuple[list[float], list[float]]:
    """Each pixel through scipy's slope (of true dates) and pymannkendall's test."""
    slopes = [scipy.stats.theilslopes(row, years).slope for row in pixels]
    return slopes, [pymannkendall.original_test(row).p for row in pixels]


def by_all_pairs(
    pixels: Pixels, years: NDArray[np.float64]
) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
    """All pairs of all pixels in arrays, in blocks that stay in cache; complete series, no ties."""
    n = years.size
    first, later = np.triu_indices(n, k=1)
    span = (years[later] - years[first]).astype(np.float32)
    deviation = np.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    slopes, p_values = [], []
    for block in np.array_split(pixels, max(1, len(pixels) // 2000)):
        difference = block[:, later] - block[:, first]
        s = np.sign(difference).sum(axis=1)
        z = np.maximum(np.abs(s) - 1, 0) / deviation
        p_values.append(scipy.special.erfc(z / np.sqrt(2)))
        slopes.append(np.median(difference / span, axis=1))
    return np.concatenate(slopes), np.concatenate(p_values)


def season_medians(rng: np.random.Generator, side: int) -> None:
    """Season medians of a chunked cube, against xarray's groupby on dask."""
    dates = pd.date_range("2019-01-01", periods=160, freq="5D")
    values = rng.normal(0.2, 0.05, (len(dates), side, side)).astype(np.float32)
    values[rng.random(values.shape) < 0.3] = np.nan
    half = side // 2
    cube = xr.DataArray(values, dims=("time", "y", "x"), coords={"time": dates}, name="ndvi").chunk(
        time=-1, y=half, x=half
    )
    season = np.array([f"{day.year}-{'rains' if 6 <= day.month <= 10 else 'dry'}" for day in dates])
    labels = xr.DataArray(season, dims="time", coords={"time": dates}, name="season")

    def theirs() -> xr.DataArray:
        return cube.groupby(labels).median().compute()

    def ours() -> xr.Dataset:
        return season_composites(cube, list(season)).compute()

    with dask.config.set(scheduler="synchronous"), warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # numpy on pixels without a clear look
        made, expected = ours(), theirs()
        for name in np.unique(season):
            np.testing.assert_allclose(
                made["median"].sel(season=name), expected.sel(season=name), rtol=1e-6
            )
        ratio_of = "season medians (ours with quantiles and count): xarray groupby, dask"
        line(ratio_of, median_seconds(ours, 5), median_seconds(theirs, 3))


def polygon_means(rng: np.random.Generator) -> None:
    """Six index means of 60 polygons on one date: coverage once, against exactextract each time."""
    grid = GeoBox((1024, 1024), Affine(10, 0, 600_000, 0, -10, 1_510_240), "EPSG:32630")
    corners = rng.uniform((600_300, 1_500_300), (609_900, 1_509_900), (60, 2))
    polygons = gpd.GeoSeries(shapely.buffer(shapely.points(corners), 180), crs="EPSG:32630")
    bands = {
        name: rng.uniform(0.05, 0.4, grid.shape).astype(np.float32)
        for name in ("red", "nir", "swir16", "swir22")
    }
    clear = rng.random(grid.shape) > 0.3
    names = ("ndvi", "evi2", "msavi2", "ndmi", "nbr", "kndvi")
    coverage = polygon_coverage(grid, [f"s{i}" for i in range(60)], polygons)
    features = [
        {"type": "Feature", "geometry": mapping(polygon), "properties": {}} for polygon in polygons
    ]

    def ours() -> dict[str, NDArray[np.float64]]:
        return polygon_statistics(coverage, bands, clear, clear, names).means

    def theirs() -> list[dict[str, dict[str, float]]]:
        sources = []
        for name in names:
            shown = np.where(clear, compute(name, bands), np.nan)
            sources.append(
                NumPyRasterSource(
                    shown, 600_000, 1_500_000, 610_240, 1_510_240, nodata=np.nan, name=name
                )
            )
        return exactextract.exact_extract(sources, features, ["mean"])

    made, expected = ours(), theirs()
    for name in names:
        reference = [feature["properties"][f"{name}_mean"] for feature in expected]
        np.testing.assert_allclose(made[name], reference, atol=1e-6)
    once = median_seconds(lambda: polygon_coverage(grid, list(coverage.site_ids), polygons), 3)
    line("six index means of 60 polygons, one date: exactextract each date",
         median_seconds(ours, 7), median_seconds(theirs, 3))  # fmt: skip
    print(f"  (their coverage, found once for all dates, took {shown(once)})")


def median_seconds(work: Callable[[], object], runs: int) -> float:
    """Median processor time of some runs."""
    times = []
    for _ in range(runs):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return statistics.median(times)


def line(what: str, ours: float, theirs: float) -> None:
    """One row of the table."""
    print(f"{what:<66}{shown(ours):>12}{shown(theirs):>12}{theirs / ours:>7.1f}x")


def shown(seconds: float) -> str:
    """Seconds in the unit that suits them."""
    for unit, size in (("s", 1.0), ("ms", 1e-3)):
        if seconds >= size:
            return f"{seconds / size:.2f} {unit}"
    return f"{seconds * 1e6:.2f} us"


if __name__ == "__main__":
    main()
