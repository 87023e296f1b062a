"""How lean the woody model may be: trees by depth, and none at all, on ground that was held out.

    python benchmarks/woody/choose.py [--seeds 1 2 3 4 5 6] [--folder FOLDER]

Each of the eight quarters of a district is predicted by a fit to the plots of the other seven. The
stretch that undoes what least squares shrinks is found on places held out among those seven, for
every row alike, so that rows differ in nothing but line and trees. Rate is of cover alone,
processor time on one thread, against a scikit-learn forest of 200 trees of depth 16.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

for _pool in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ.setdefault(_pool, "1")

import numpy as np  # noqa: E402
import pandas as pd  # noqa: E402
from samples import QUARTERS, Samples, samples_of  # noqa: E402
from sklearn.ensemble import RandomForestRegressor  # noqa: E402

from afterrains.woody import DEFAULT_FEATURES, trees  # noqa: E402
from afterrains.woody.fitting import find_stretch  # noqa: E402
from afterrains.woody.line import fit_line, fit_scale  # noqa: E402
from afterrains.woody.validation import folds_of_places, held_out, places_of  # noqa: E402

NAMES = list(DEFAULT_FEATURES)
EARLY = ("2016-dry", "2017-dry")
Fit = Callable[[np.ndarray, np.ndarray, np.ndarray], Callable[[np.ndarray], np.ndarray]]


def lean(count: int, depth: int, leaf: int, *, weighted: bool = True, seasons: bool = True) -> Fit:
    """A line and trees on what it leaves; no trees for a count of 0."""

    def fit(x: np.ndarray, y: np.ndarray, season: np.ndarray) -> Callable[[np.ndarray], np.ndarray]:
        fitted = fit_line(x, y, season if seasons else None, weighted=weighted)
        line = fitted.line
        if not count:
            return line.at
        left = y - line.at(x) - fitted.season_level
        grown = trees.grow(x, left, fitted.weight, trees=count, depth=depth, leaf=leaf, seed=1)
        return lambda at: line.at(at) + trees.evaluate(grown, at.astype(np.float32))

    return fit


def forest(x: np.ndarray, y: np.ndarray, _: np.ndarray) -> Callable[[np.ndarray], np.ndarray]:
    """The usual large forest."""
    return RandomForestRegressor(200, max_depth=16, random_state=1).fit(x, y).predict


WAYS: dict[str, Fit] = {
    "plain line": lean(0, 0, 0, weighted=False, seasons=False),
    "weighted line": lean(0, 0, 0, seasons=False),
    "weighted line, seasons apart": lean(0, 0, 0),
    **{
        f"line + {count} trees of depth {depth}, leaf {leaf}": lean(count, depth, leaf)
        for count, depth, leaf in (
            (15, 3, 10), (30, 2, 10), (30, 3, 10), (30, 4, 10), (60, 3, 10), (60, 5, 5),
            (120, 5, 5), (200, 8, 3),
        )
    },
    "forest of 200 trees of depth 16": forest,
}  # fmt: skip


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3, 4, 5, 6])
    parser.add_argument("--folder", type=Path)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = asked.folder or Path(temporary)
        all_samples = [samples_of(seed, folder, NAMES) for seed in asked.seeds]
    rows = {}
    for way, fit in WAYS.items():
        for stretched in (False, True):
            found = [errors(samples, fit, stretched) for samples in all_samples]
            rows[way, "stretched" if stretched else "as fitted"] = pd.DataFrame(found).mean()
    table = pd.DataFrame(rows).T
    rates = {way: rate(all_samples[0], fit) for way, fit in WAYS.items()}
    large = rates["forest of 200 trees of depth 16"]
    table["rate"] = [rates[way] / large for way, _ in table.index]
    print(table.round(2).to_string())


def errors(samples: Samples, fit: Fit, stretched: bool) -> dict[str, float]:
    """Errors of one way on one district, percentage points."""
    used = samples.features[NAMES].notna().all(axis=1)
    plots, x = samples.plots[used], samples.features.loc[used, NAMES].to_numpy(np.float64)
    y, place = plots["woody_cover_percent"].to_numpy(np.float64), places_of(plots)
    season = plots["season"].to_numpy(str)
    quarter = plots["quarter"].to_numpy()
    seen, circles, sites = [], [], []
    for out in range(QUARTERS):
        mine = quarter != out
        given = x[mine], y[mine], season[mine]
        predict = _stretched(*given, place[mine], fit) if stretched else fit(*given)
        if (~mine).any():
            seen.append(predict(x[~mine]) - y[~mine])
        there = samples.circles[samples.circles["quarter"] == out]
        circles.append(there.assign(found=predict(there[NAMES].to_numpy(np.float64))))
        for each in samples.sites:
            if each.quarter == out:
                pixels = each.stack.values[:, 0].T.astype(np.float64)
                known = np.isfinite(pixels).all(axis=1)
                cover = np.zeros(len(pixels))
                cover[known] = predict(pixels[known]) if known.any() else 0.0
                with np.errstate(invalid="ignore"):
                    mean = each.coverage.sums(cover) / each.coverage.sums(known)
                sites.append(pd.DataFrame({"site_id": each.coverage.site_ids,
                                           "season": each.season, "found": mean}))  # fmt: skip
    ground = pd.concat(circles)
    table = pd.concat(sites).merge(samples.truth, on=["site_id", "season"]).dropna()
    off, low = ground["found"] - ground["cover"], ground["cover"] < 10
    changes = change(table)
    grass = changes[changes["kind"] == "grass-only"]
    return {
        "plots": _rms(np.concatenate(seen)),
        "circles": _rms(off),
        "low bias": float(off[low].mean()),
        "site means": _rms(table["found"] - table["true"]),
        "change": _rms(changes["found"] - changes["true"]),
        "slope": float(np.polyfit(changes["true"], changes["found"], 1)[0]),
        "grass": float((grass["found"] - grass["true"]).mean()),
    }


def _stretched(
    x: np.ndarray, y: np.ndarray, season: np.ndarray, place: np.ndarray, fit: Fit
) -> Callable[[np.ndarray], np.ndarray]:
    held = held_out(x, y, season, folds_of_places(place, 10, 1), fit)
    stretch = find_stretch(held, y, fit_scale(held, y - held))
    whole = fit(x, y, season)
    return lambda at: stretch.at(whole(at))


def change(table: pd.DataFrame) -> pd.DataFrame:
    """Last two dry seasons less two before any sowing, of each site, less the plain controls'."""
    late = sorted(table["season"].unique())[-2:]
    found = {}
    for column in ("found", "true"):
        wide = table.pivot(index="site_id", columns="season", values=column)
        found[column] = wide[late].mean(axis=1) - wide[list(EARLY)].mean(axis=1)
    out = pd.DataFrame(found)
    out["kind"] = table.drop_duplicates("site_id").set_index("site_id")["kind"]
    out = out.dropna()
    out[["found", "true"]] -= out.loc[out["kind"] == "control", ["found", "true"]].mean()
    return out


def rate(samples: Samples, fit: Fit) -> float:
    """Pixels a second: the median of five."""
    used = samples.features[NAMES].notna().all(axis=1)
    x = samples.features.loc[used, NAMES].to_numpy(np.float64)
    plots = samples.plots[used]
    y = plots["woody_cover_percent"].to_numpy(np.float64)
    predict = fit(x, y, plots["season"].to_numpy(str))
    rng = np.random.default_rng(3)
    pixels = x[rng.integers(0, len(x), 100_000)] + rng.normal(0, 0.01, (100_000, x.shape[1]))
    predict(pixels[:10])
    times = []
    for _ in range(5):
        start = time.process_time()
        predict(pixels)
        times.append(time.process_time() - start)
    return len(pixels) / float(np.median(times))


def _rms(error: np.ndarray | pd.Series) -> float:
    return float(np.sqrt(np.mean(np.square(error))))


if __name__ == "__main__":
    main()
