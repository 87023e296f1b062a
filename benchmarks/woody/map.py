"""A woody map of one season for 10,000 by 10,000 pixels: peak memory, time, and pixels a second.

    python benchmarks/woody/map.py [--side 10000] [--to FILE]

Composites are made up block by block, as a reader would hand them over; features, cover, interval
and domain are computed and the four bands are written as one tiled GeoTIFF. Then the same model
beside a scikit-learn forest of 200 trees of depth 16, which gives neither interval nor domain.
Processor time, one thread.
"""

from __future__ import annotations

import argparse
import os
import resource
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

for _pool in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ.setdefault(_pool, "1")
# The cache of blocks that wait to be written counts as memory, too.
os.environ.setdefault("GDAL_CACHEMAX", "64")

import numpy as np  # noqa: E402
import rasterio  # noqa: E402
from affine import Affine  # noqa: E402
from rasterio.windows import Window  # noqa: E402
from sklearn.ensemble import RandomForestRegressor  # noqa: E402

from afterrains.woody import FeatureStack, WoodyModel, load, predict, predict_blocks  # noqa: E402

MODEL = Path(__file__).resolve().parents[2] / "models" / "woody_cover"
BLOCK = 1024
SHARE_CLOUDED = 0.02


def main() -> None:
    """Print memory and time of the map, then rates beside the large forest."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--side", type=int, default=10_000)
    parser.add_argument("--to", type=Path)
    asked = parser.parse_args()
    model = load(MODEL)
    with tempfile.TemporaryDirectory() as temporary:
        draw(model, asked.side, asked.to or Path(temporary) / "woody.tif")
    rates(model)


def draw(model: WoodyModel, side: int, to: Path) -> None:
    """The map, with the most memory that the process ever held."""
    before = peak_mb()
    profile = {
        "driver": "GTiff", "width": side, "height": side, "count": 4, "dtype": "float32",
        "nodata": float("nan"), "tiled": True, "blockxsize": 512, "blockysize": 512,
        "transform": Affine(10, 0, 300_000, 0, -10, 1_600_000), "crs": "EPSG:32631",
        "compress": "deflate", "predictor": 3, "zlevel": 1, "bigtiff": "if_safer",
    }  # fmt: skip
    predicted = written = 0.0
    with rasterio.open(to, "w", **profile) as sink:
        start = time.process_time()
        for block in predict_blocks(model, composites, (side, side), side=BLOCK):
            here = time.process_time()
            predicted += here - start
            rows, columns = block.rows, block.columns
            window = Window(
                columns.start, rows.start, columns.stop - columns.start, rows.stop - rows.start
            )
            sink.write(block.prediction.stack(), window=window)
            start = time.process_time()
            written += start - here
    print(
        f"{side:,} x {side:,} pixels in blocks of {BLOCK}: peak memory {peak_mb():.0f} MB "
        f"({before:.0f} MB before the first block); processor time {predicted:.0f} s for "
        f"composites and prediction, {written:.0f} s for writing "
        f"{to.stat().st_size / 1e6:.0f} MB; "
        f"{side * side / predicted:,.0f} pixels a second"
    )


def composites(rows: slice, columns: slice) -> dict[str, np.ndarray]:
    """Made-up composites of a window; the same pixel always has the same values."""
    y = np.arange(rows.start, rows.stop, dtype=np.float32)[:, None]
    x = np.arange(columns.start, columns.stop, dtype=np.float32)
    cover = 0.25 * (1 + np.sin(y / 37) * np.sin(x / 53)) * (0.5 + 0.5 * np.sin(x * 1.7 + y * 2.3))
    wet = 0.01 * np.sin(y / 91 - x / 71)
    green, red = 0.19 - 0.10 * cover, 0.27 - 0.18 * cover
    nir, swir16, swir22 = 0.34 - 0.02 * cover, 0.44 - 0.20 * cover - wet, 0.39 - 0.24 * cover
    nir = np.where(np.sin(x / 211) * np.sin(y / 173) > 1 - SHARE_CLOUDED, np.nan, nir)
    return {
        "late_blue_median": 0.13 - 0.07 * cover,
        "late_green_median": green, "late_red_median": red, "late_nir_median": nir,
        "late_ndvi_median": (nir - red) / (nir + red),
        "late_ndmi_median": (nir - swir16) / (nir + swir16),
        "late_nbr2_median": (swir16 - swir22) / (swir16 + swir22),
    }  # fmt: skip


def rates(model: WoodyModel) -> None:
    """Pixels a second of cover alone, of all four bands, and of the forest."""
    table = model.training
    x = table[list(model.features)].to_numpy(np.float64)
    forest = RandomForestRegressor(200, max_depth=16, random_state=1, n_jobs=1)
    forest.fit(x.astype(np.float32), table["cover"])
    rng = np.random.default_rng(3)
    side = 400
    drawn = x[rng.integers(0, len(x), side * side)] + rng.normal(0, 0.01, (side * side, x.shape[1]))
    pixels = drawn.astype(np.float32)
    stack = FeatureStack(model.features, np.ascontiguousarray(pixels.T).reshape(-1, side, side))
    predict(model, stack)
    cover, whole, large = median_times(
        lambda: model.core.at(pixels), lambda: predict(model, stack), lambda: forest.predict(pixels)
    )
    n = side * side
    print(
        f"cover alone {n / cover:,.0f} pixels a second, with interval and domain "
        f"{n / whole:,.0f}; forest of 200 trees of depth 16 (cover alone) {n / large:,.0f}: "
        f"{large / cover:.1f} x and {large / whole:.1f} x"
    )


def median_times(*works: Callable[[], object]) -> list[float]:
    """Seconds of each, the median of five; in turns, so that a busy machine slows all alike."""
    times: list[list[float]] = [[] for _ in works]
    for _ in range(5):
        for work, taken in zip(works, times, strict=True):
            start = time.process_time()
            work()
            taken.append(time.process_time() - start)
    return [float(np.median(taken)) for taken in times]


def peak_mb() -> float:
    """The most memory held so far."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


if __name__ == "__main__":
    main()
