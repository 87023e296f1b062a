"""Time and memory of the rain room on a large grid: `python benchmarks/rain/run.py`.

An invented daily grid of 40 years at 0.05 degrees over 500 km (14,610 days, 100 x 100 cells) is
written to a temporary folder, and the rain of 1,000 sites is read from it in each format, then
turned into seasons and tables. Each job runs in a fresh process; the median of the repeats is
told with its peak memory (Linux). `floor` is the time in which xarray alone reads every value of
the NetCDF file once, block by block: reading cannot be faster in one process.

`--days 1461` and `--sites 100` make a small run; `--repeats 1` a quick one.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
import xarray as xr
from affine import Affine
from shapely.geometry import Point

# The figures are those of one process on one core.
ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "NUMBA_NUM_THREADS": "1"}
CELLS = 100
WEST, NORTH, STEP = 2.0, 16.0, 0.05
BLOCK = 365
FORMATS = {"NetCDF, daily chunks": "rain.nc", "NetCDF, deep chunks": "deep.nc"}
FORMATS |= {"Zarr": "rain.zarr", "GeoTIFF, a file a day": "days", "GeoTIFF, one file": "rain.tif"}


def sites_of(count: int) -> gpd.GeoDataFrame:
    """Discs of 10 to 100 hectares, strewn over the grid."""
    rng = np.random.default_rng(1)
    lon = WEST + CELLS * STEP * rng.uniform(0.02, 0.98, count)
    lat = NORTH - CELLS * STEP * rng.uniform(0.02, 0.98, count)
    radius = np.sqrt(rng.uniform(10, 100, count) * 1e4 / np.pi) / 111_000
    shapes = [Point(x, y).buffer(r) for x, y, r in zip(lon, lat, radius, strict=True)]
    return gpd.GeoDataFrame(
        {"site_id": [f"site-{n:04}" for n in range(count)]}, geometry=shapes, crs=4326
    )


def block_of(days: pd.DatetimeIndex, seed: int) -> np.ndarray:
    """Invented rain of a stretch of days, mm: wet days three in ten from June to September."""
    rng = np.random.default_rng(seed)
    season = np.asarray((days.day_of_year > 160) & (days.day_of_year < 275))
    chance = np.where(season, 0.3, 0.01)[:, None, None]
    shape = (len(days), CELLS, CELLS)
    amount = rng.gamma(0.8, 13, size=shape)
    return np.where(rng.random(shape) < chance, amount, 0).astype(np.float32)


def write(folder: Path, days: pd.DatetimeIndex) -> None:
    """The same rain in every format."""
    (folder / "days").mkdir()
    centres = (np.arange(CELLS) + 0.5) * STEP
    coords = {"time": days, "lat": NORTH - centres, "lon": WEST + centres}
    profile = {
        "driver": "GTiff",
        "width": CELLS,
        "height": CELLS,
        "dtype": "float32",
        "crs": "EPSG:4326",
        "transform": Affine(STEP, 0, WEST, 0, -STEP, NORTH),
        "compress": "deflate",
    }
    stack = rasterio.open(
        folder / "rain.tif", "w", count=len(days), interleave="band", BIGTIFF="YES", **profile
    )
    cube = np.empty((len(days), CELLS, CELLS), dtype=np.float32)
    for first in range(0, len(days), BLOCK):
        part = days[first : first + BLOCK]
        cube[first : first + len(part)] = block_of(part, first)
    for place, day in enumerate(days):
        stack.write(cube[place], place + 1)
        stack.set_band_description(place + 1, f"{day:%Y-%m-%d}")
        with rasterio.open(
            folder / "days" / f"rain-{day:%Y%m%d}.tif", "w", count=1, **profile
        ) as one:
            one.write(cube[place], 1)
            one.set_band_unit(1, "mm/day")
    stack.close()
    rain = xr.DataArray(cube, dims=("time", "lat", "lon"), coords=coords, name="rain")
    data = rain.assign_attrs(units="mm/day").to_dataset()
    for name, chunks in (("rain.nc", (1, CELLS, CELLS)), ("deep.nc", (len(days), 5, 5))):
        packed = {"chunksizes": chunks, "zlib": True, "complevel": 1, "shuffle": True}
        data.to_netcdf(folder / name, encoding={"rain": packed})
    data.to_zarr(
        folder / "rain.zarr",
        encoding={"rain": {"chunks": (BLOCK, 50, 50)}},
        consolidated=False,
        zarr_format=2,
    )


def _floor(folder: Path) -> int:
    with xr.open_dataset(folder / "rain.nc", chunks=None, cache=False) as data:
        return sum(
            int(np.isfinite(data.rain[first : first + BLOCK].to_numpy()).sum())
            for first in range(0, data.sizes["time"], BLOCK)
        )


def _read(folder: Path, name: str, count: int) -> int:
    from afterrains.programme import Rain
    from afterrains.rain import read_rain

    record = read_rain(Rain(grid=folder / name), sites_of(count))
    if name == "rain.nc":
        record.daily.to_parquet(folder / "sites.parquet")
    return int(record.daily.notna().sum().sum())


def _tables(folder: Path, what: str) -> int:
    from afterrains.rain import RainRecord, from_rain, season_rain, sowing_rain
    from afterrains.rain.seasons import site_onsets
    from afterrains.rain.start_chances import start_chances

    daily = pd.read_parquet(folder / "sites.parquet")
    daily.index = pd.DatetimeIndex(daily.index)
    record = RainRecord(daily, "benchmark")
    sites = list(daily.columns)
    started = time.perf_counter()
    if what == "season calendar":
        table = from_rain(record.mean())
    elif what == "rain of each site and season":
        table = season_rain(record, from_rain(record.mean()), sites)
    elif what == "rain after 3 sowings a site":
        sown = pd.to_datetime(["2010-05-20", "2013-10-01", "2016-06-15"])
        sowing = pd.DataFrame(
            {"site_id": np.repeat(sites, 3), "sown_on": np.tile(sown, len(sites))}
        )
        table = sowing_rain(sowing, record, from_rain(record.mean()))
    elif what == "each site's own onsets":
        table = site_onsets(record.daily)
    else:
        table = start_chances(record, sites)
    _say(time.perf_counter() - started)
    return len(table)


TABLES = (
    "season calendar",
    "rain of each site and season",
    "rain after 3 sowings a site",
    "each site's own onsets",
    "chances of a good start",
)


def _say(seconds: float) -> None:
    """Time without the loading of libraries, and peak memory, for the parent process."""
    status = Path("/proc/self/status").read_text().splitlines()
    (peak,) = [line.split()[1] for line in status if line.startswith("VmHWM")]
    print(json.dumps({"seconds": seconds, "peak_gb": int(peak) / 1e6}))


def _job(folder: Path, kind: str, days: int, count: int) -> None:
    if kind in TABLES:
        _tables(folder, kind)
        return
    import afterrains.rain  # noqa: F401 - libraries are loaded before the clock starts

    started = time.perf_counter()
    if kind == "write":
        write(folder, pd.date_range("1981-01-01", periods=days))
    elif kind == "floor":
        _floor(folder)
    else:
        _read(folder, FORMATS[kind], count)
    _say(time.perf_counter() - started)


def measure(folder: Path, kind: str, days: int, count: int, repeats: int) -> tuple[float, float]:
    """Median seconds and peak memory in GB of a job in fresh processes."""
    seconds, peaks = [], []
    for _ in range(repeats):
        words = [sys.executable, __file__, "--job", kind, "--folder", str(folder)]
        words += ["--days", str(days), "--sites", str(count)]
        child = subprocess.run(
            words, stdout=subprocess.PIPE, text=True, check=True, env=os.environ | ONE_THREAD
        )
        told = json.loads(child.stdout.splitlines()[-1])
        seconds.append(told["seconds"])
        peaks.append(told["peak_gb"])
    return statistics.median(seconds), max(peaks)


def main() -> None:
    """Write the grid, run the jobs, print the table."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--days", type=int, default=14_610)
    asked.add_argument("--sites", type=int, default=1000)
    asked.add_argument("--repeats", type=int, default=3)
    asked.add_argument("--job")
    asked.add_argument("--folder", type=Path)
    given = asked.parse_args()
    if given.job:
        _job(given.folder, given.job, given.days, given.sites)
        return
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        measure(folder, "write", given.days, given.sites, 1)
        print(f"{given.days:,} days, {CELLS} x {CELLS} cells, {given.sites:,} sites")
        print(f"{'job':32} {'seconds':>8} {'x floor':>8} {'peak GB':>8}")
        jobs: list[str] = ["floor", *FORMATS, *TABLES]
        floor = None
        for kind in jobs:
            seconds, peak = measure(folder, kind, given.days, given.sites, given.repeats)
            floor = seconds if floor is None else floor
            print(f"{kind:32} {seconds:8.2f} {seconds / floor:8.2f} {peak:8.2f}", flush=True)


if __name__ == "__main__":
    main()
