"""How well woody cover is told on simulated ground with known cover, and what simpler ways tell.

    python benchmarks/woody/run.py [--seeds 1 2 3] [--folder FOLDER] [--features …] [--speed]

For each seed the sample programme is written and read, and the ground is cut into eight quarters
(two grounds of four). Each quarter is predicted by a model fitted to the plots of the other seven:
no figure below comes from ground that its model has seen. A site's change is the mean of its last
two dry seasons minus the mean of the two before any sowing. Scenes and composites are kept in the
folder, so a second run takes seconds. One process, one thread.
"""

from __future__ import annotations

import argparse
import dataclasses
import os
import resource
import tempfile
import time
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

for _pool in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ.setdefault(_pool, "1")

import geopandas as gpd  # noqa: E402
import numpy as np  # noqa: E402
import pandas as pd  # noqa: E402
from sklearn.ensemble import RandomForestRegressor  # noqa: E402

from afterrains.register.plots import read_plots  # noqa: E402
from afterrains.sample import write_sample  # noqa: E402
from afterrains.sample.district import GROUNDS, SIZES  # noqa: E402
from afterrains.sample.ground import GroundModel  # noqa: E402
from afterrains.sample.weather import make_weather  # noqa: E402
from afterrains.sample.write import is_written  # noqa: E402
from afterrains.signals.coverage import Coverage, polygon_coverage  # noqa: E402
from afterrains.stages.cellwork import load_composites, perform, recorded  # noqa: E402
from afterrains.stages.ledger import Ledger  # noqa: E402
from afterrains.stages.prepare import Prepared, prepare  # noqa: E402
from afterrains.woody import (  # noqa: E402
    DEFAULT_FEATURES,
    FeatureStack,
    WoodyModel,
    bands_needed,
    fit,
    gather,
    predict,
    season_features,
    site_cover,
)
from afterrains.woody.line import fit_line  # noqa: E402
from afterrains.woody.plots import plot_means, plot_weights  # noqa: E402

NAMES = list(DEFAULT_FEATURES)
EARLY = ("2016-dry", "2017-dry")
FRESH = 400  # circles of ground per seed, the size of plots, on which pixels are checked


@dataclass
class Ground:
    """One seed: its run, its plots with features, its truth."""

    prepared: Prepared
    ledger: Ledger
    keys: dict[tuple[str, str], str]
    plots: pd.DataFrame
    features: pd.DataFrame
    fresh: pd.DataFrame
    truth: pd.DataFrame
    kinds: pd.Series
    seasons: tuple[str, ...]

    def composites(self, cell_id: str, season: str) -> dict[str, np.ndarray] | None:
        """Composites of a cell and season, None where there are none."""
        key = self.keys.get((cell_id, season))
        return None if key is None else load_composites(self.ledger, key)


def main() -> None:
    """Run the seeds and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3])
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--features", nargs="+", help="another set; late_ndvi first")
    parser.add_argument("--speed", action="store_true", help="speed and memory only")
    asked = parser.parse_args()
    NAMES[:] = asked.features or NAMES
    if asked.speed:
        speed()
        return
    with tempfile.TemporaryDirectory() as temporary:
        folder = asked.folder or Path(temporary)
        sites, fresh = [], []
        for seed in asked.seeds:
            here = read_ground(seed, folder / f"full{seed}")
            seed_sites, seed_fresh = judge(here)
            sites.append(seed_sites.assign(seed=seed))
            fresh.append(seed_fresh.assign(seed=seed))
    tell_patches(pd.concat(fresh, ignore_index=True))
    tell_sites(pd.concat(sites, ignore_index=True))


def read_ground(seed: int, folder: Path) -> Ground:
    """Write and read the sample of a seed, or take what an earlier run left."""
    sample = folder / "sample"
    if not is_written(sample, seed=seed, size="full"):
        write_sample(sample, seed=seed, workers=1)
    prepared, ledger = prepare(sample / "programme.yaml"), Ledger(folder / "ledger")
    keys = {}
    wanted = bands_needed(NAMES) | {"blue", "nir", "red", "green", "swir16", "swir22", "rededge1"}
    order = ("blue", "green", "red", "rededge1", "nir", "swir16", "swir22")
    for task in prepared.tasks:
        if task.kind != "none":
            task = dataclasses.replace(task, bands=tuple(b for b in order if b in wanted))
            if recorded(task, ledger) is None:
                perform(task, ledger)
            keys[task.cell.cell_id, task.season] = task.key
    calendar = prepared.calendar
    seasons = tuple(calendar.loc[(calendar["kind"] == "dry") & calendar["complete"], "season"])
    here = Ground(
        prepared, ledger, keys, pd.DataFrame(), pd.DataFrame(), fresh_circles(seed, seasons),
        pd.read_csv(sample / "truth" / "seasons.csv"),
        pd.read_csv(sample / "truth" / "sites.csv").set_index("site_id")["kind"], seasons,
    )  # fmt: skip
    boxes = {cell.cell_id: cell.geobox for cell in prepared.cells}
    plots = gather(read_plots(sample / "plots.csv"), boxes, calendar, here.composites, names=NAMES)
    here.plots, here.features = plots.plots, plots.features
    return here


def fresh_circles(seed: int, seasons: tuple[str, ...]) -> pd.DataFrame:
    """Circles of 15 m with their true cover, half anywhere and half where cover is unusual."""
    rng = np.random.default_rng([seed, 77])
    weather = make_weather(seed, SIZES["full"].last_year)
    rows = []
    for name in GROUNDS:
        ground = GroundModel(name, "full", seed, weather)
        for number in range(FRESH // 2):
            season = seasons[int(rng.integers(len(seasons)))]
            woody = ground.woody(date(int(season[:4]) + 1, 4, 1))
            ys, xs = rng.integers(8, ground.pixels - 8, (2, 60))
            wanted = float(rng.uniform(0, 0.45))
            pick = 0 if number % 2 else int(np.argmin(np.abs(woody[ys, xs] - wanted)))
            row, column = int(ys[pick]), int(xs[pick])
            x, y = ground.transform @ (column + 0.5, row + 0.5)
            inside = woody[row - 2 : row + 3, column - 2 : column + 3]
            near = np.hypot(*np.mgrid[-2:3, -2:3]) <= 1.5
            rows.append((name, x, y, season, 100 * float(inside[near].mean()), "any" if number % 2
                         else "spread"))  # fmt: skip
    table = pd.DataFrame(rows, columns=["ground", "x", "y", "season", "cover", "chosen"])
    # What a team would write down, with the errors that the sample's own plots have.
    error = rng.normal(0, 1 + 4 * table["cover"] / 100)
    return table.assign(seen=np.maximum(0, np.rint(table["cover"] + error)))


def quarter(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Number of the quarter (0-7) that a place in metres lies in."""
    east = np.asarray(x) > 500_000
    west_m = np.where(east, GROUNDS["east"].west_m, GROUNDS["west"].west_m)
    north_m = np.where(east, GROUNDS["east"].north_m, GROUNDS["west"].north_m)
    right, low = np.asarray(x) - west_m > 1280, north_m - np.asarray(y) > 1280
    return (4 * east + 2 * right + low).astype(int)


def judge(here: Ground) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Every site and season, and every fresh circle, by the model that has not seen its quarter."""
    to = here.prepared.register.crs
    at = gpd.GeoSeries(gpd.points_from_xy(here.plots["lon"], here.plots["lat"]), crs=4326).to_crs(
        to
    )
    mine = quarter(at.x.to_numpy(), at.y.to_numpy())
    register = here.prepared.register.sites
    middle = register.geometry.centroid
    home = dict(zip(register["site_id"], quarter(middle.x, middle.y), strict=True))
    ways = {}
    for out in range(8):
        seen = mine != out
        ways[out] = fit_ways(here.plots[seen], here.features[seen])
    rows, circles = [], []
    fresh_at = gpd.GeoSeries(gpd.points_from_xy(here.fresh["x"], here.fresh["y"]), crs=to)
    lonlat = fresh_at.to_crs(4326)
    fresh = here.fresh.assign(lon=lonlat.x, lat=lonlat.y, plot_radius_m=15.0)
    fresh["quarter"] = quarter(fresh["x"], fresh["y"])
    done: set[int] = set()
    for cell in here.prepared.cells:
        sites = register[register["site_id"].isin(cell.site_ids)]
        cores = gpd.GeoSeries(sites["core"], crs=sites.crs)
        coverage = polygon_coverage(cell.geobox, list(sites["site_id"]), cores)
        weights = plot_weights(fresh, cell.geobox, position_error_m=0.0)
        area_m2 = abs(cell.geobox.resolution.x) ** 2
        for season in here.seasons:
            stack = season_features(
                cell.cell_id, season, here.prepared.calendar, here.composites, NAMES
            )
            if stack is None:
                continue
            for out, (model, simple) in ways.items():
                here_sites = only(coverage, [s for s in coverage.site_ids if home[s] == out])
                if here_sites is not None:
                    rows.append(by_site(model, simple, stack, here_sites, area_m2, season))
            inside = {
                k: w for k, w in weights.items()
                if fresh.at[k, "season"] == season and k not in done
            }  # fmt: skip
            means = plot_means(stack, inside).dropna() if inside else pd.DataFrame()
            done |= set(means.index)
            for out in range(8):
                chosen = means[fresh.loc[means.index, "quarter"] == out] if len(means) else means
                if len(chosen):
                    circles.append(by_circle(ways[out], chosen, fresh.loc[chosen.index]))
    table = pd.concat(rows, ignore_index=True).merge(
        here.truth[["site_id", "season", "woody_percent", "role"]].rename(
            columns={"woody_percent": "true"}
        ),
        on=["site_id", "season"],
    )
    return table.assign(kind=table["site_id"].map(here.kinds)), pd.concat(circles)


Way = Callable[[np.ndarray], np.ndarray]


def fit_ways(plots: pd.DataFrame, features: pd.DataFrame) -> tuple[WoodyModel, dict[str, Way]]:
    """Our model and the simpler ones, on the same plots."""
    model = fit(plots, features, names=NAMES)
    x = model.training[NAMES].to_numpy()
    y = model.training["cover"].to_numpy()
    line = fit_line(x, y, weighted=False)[0]
    ndvi = fit_line(x[:, :1], y, weighted=False)[0]
    forest = RandomForestRegressor(200, max_depth=16, min_samples_leaf=2, random_state=1).fit(x, y)
    return model, {
        "plain line": line.at,
        "NDVI alone": lambda at: ndvi.at(at[:, :1]),
        "forest": forest.predict,
    }


def only(coverage: Coverage, chosen: list[str]) -> Coverage | None:
    """The coverage of some of its sites."""
    if not chosen:
        return None
    place = {coverage.site_ids.index(each): at for at, each in enumerate(chosen)}
    kept = np.isin(coverage.site, list(place))
    return Coverage(
        tuple(chosen), coverage.shape, coverage.pixel[kept], coverage.fraction[kept],
        np.array([place[int(each)] for each in coverage.site[kept]]),
        coverage.whole[list(place)],
    )  # fmt: skip


def by_site(
    model: WoodyModel,
    simple: dict[str, Way],
    stack: FeatureStack,
    coverage: Coverage,
    area_m2: float,
    season: str,
) -> pd.DataFrame:
    """Site means by every way."""
    table = site_cover(model, stack, coverage, area_m2).assign(season=season)
    x = stack.values.reshape(len(stack.names), -1)[:, coverage.pixel].T.astype(np.float64)
    known = np.isfinite(x).all(axis=1)
    for name, way in simple.items():
        values = np.zeros(len(x))
        if known.any():
            values[known] = way(x[known])
        with np.errstate(invalid="ignore"):
            table[name] = coverage.sums(values) / coverage.sums(known)
    return table


def by_circle(
    ways: tuple[WoodyModel, dict[str, Way]], means: pd.DataFrame, fresh: pd.DataFrame
) -> pd.DataFrame:
    """Fresh circles by every way."""
    model, simple = ways
    found = predict(model, means)
    table = fresh[["cover", "seen", "chosen"]].assign(
        ours=found.estimate, low=found.low, high=found.high, inside=found.applicability
    )
    for name, way in simple.items():
        table[name] = np.clip(way(means[NAMES].to_numpy()), 0, 100)
    return table


def tell_patches(table: pd.DataFrame) -> None:
    """Errors by cover class and coverage of intervals, for ground of a plot's size."""
    print(f"\nGround of a plot's size ({len(table)} circles), true cover; quarters held out")
    print(f"{'cover, percent':<16}{'n':>5}", *(f"{w:>20}" for w in WAYS))
    bounds = [(0, 5), (5, 10), (10, 20), (20, 40), (40, 100), (0, 10), (0, 100)]
    for low, high in bounds:
        part = table[(table["cover"] >= low) & (table["cover"] < high)]
        told = (f"{_rmse(part[w] - part['cover']):8.2f} ({(part[w] - part['cover']).mean():+.2f})"
                for w in WAYS)  # fmt: skip
        print(f"{low:>3} to {high:<9}{len(part):>5}", *(f"{each:>20}" for each in told))
    print("RMSE (bias), percentage points")
    for seed, part in (*table.groupby("seed"), ("all", table)):
        true, seen = (part[column].between(part["low"], part["high"]) for column in
                      ("cover", "seen"))  # fmt: skip
        known = part["inside"] == 1
        print(f"seed {seed}: intervals of 90 % hold {100 * seen.mean():.1f} % of what a survey "
              f"would see, {100 * true.mean():.1f} % of true cover; in the domain "
              f"({100 * known.mean():.0f} %) {100 * seen[known].mean():.1f} %")  # fmt: skip


WAYS = ("ours", "plain line", "forest", "NDVI alone")


def tell_sites(table: pd.DataFrame) -> None:
    """Site means, their intervals, and change with what grass-only sites get."""
    table = table.rename(columns={"woody_percent": "ours"}).dropna(subset=["ours"])
    print(f"\nSite means ({len(table)} sites and seasons), quarters held out")
    for way in WAYS:
        error = table[way] - table["true"]
        low = table["true"] < 10
        print(f"{way:<12} RMSE {_rmse(error):5.2f}  bias {error.mean():+.2f}  "
              f"below 10 % cover {error[low].mean():+.2f}")  # fmt: skip
    held = (table["woody_low"] <= table["true"]) & (table["true"] <= table["woody_high"])
    by_seed = ", ".join(f"{100 * part.mean():.0f}" for _, part in held.groupby(table["seed"]))
    print(f"intervals of 95 % hold {100 * held.mean():.1f} % (by seed {by_seed}); "
          f"mean width {(table['woody_high'] - table['woody_low']).mean():.1f} points")  # fmt: skip
    in_points = (table["basis"] == "woody cover").mean()
    print(f"in the domain: {100 * table['inside_share'].mean():.0f} % of pixels, "
          f"{100 * in_points:.0f} % of sites and seasons")  # fmt: skip
    changes = pd.concat([change(part, way).assign(way=way, seed=seed)
                         for seed, part in table.groupby("seed") for way in WAYS])  # fmt: skip
    print("\nSite change since before sowing, minus that of controls; true, and error by way")
    for way, part in changes.groupby("way", sort=False):
        control = part[part["kind"] == "control"]
        gain = part[part["kind"] == "gain"]
        grass = part[part["kind"] == "grass-only"]
        slope = np.polyfit(part["true"], part["found"], 1)[0]
        print(f"{way:<12} RMSE {_rmse(part['found'] - part['true']):.2f}; gain sites true "
              f"{gain['true'].mean():.1f} found {gain['found'].mean():.1f}; slope {slope:.2f}; "
              f"controls' SD {control['found'].std():.2f}; grass-only "
              f"{', '.join(f'{v:+.1f}' for v in grass['found'])} "
              f"(true {', '.join(f'{v:+.1f}' for v in grass['true'])})")  # fmt: skip


def change(table: pd.DataFrame, way: str) -> pd.DataFrame:
    """Late minus early seasons of each site, less the mean of the plain controls'."""
    late = sorted(table["season"].unique())[-2:]

    def late_minus_early(column: str) -> pd.Series:
        wide = table.pivot(index="site_id", columns="season", values=column)
        return wide[late].mean(axis=1) - wide[list(EARLY)].mean(axis=1)

    found = pd.DataFrame({"found": late_minus_early(way), "true": late_minus_early("true")})
    found["kind"] = table.drop_duplicates("site_id").set_index("site_id")["kind"]
    found = found.dropna()
    plain = found[found["kind"] == "control"][["found", "true"]].mean()
    found[["found", "true"]] -= plain
    return found


def speed() -> None:
    """Pixels a second beside a large forest, and memory on blocks, on invented features."""
    rng = np.random.default_rng(3)
    share = np.clip(rng.gamma(1.5, 0.09, 180), 0, 0.8)
    x = np.column_stack(
        [share * w + rng.normal(0, 0.02, 180) for w in rng.normal(size=len(DEFAULT_FEATURES))]
    )
    features = pd.DataFrame(x, columns=list(DEFAULT_FEATURES))
    plots = pd.DataFrame({"woody_cover_percent": 100 * share, "plot_id": range(180)})
    model = fit(plots, features, places=np.arange(180) // 4)
    forest = RandomForestRegressor(200, max_depth=16, random_state=1, n_jobs=1)
    forest.fit(x.astype(np.float32), 100 * share)
    side = 400
    picked = x[rng.integers(0, 180, side * side)] + rng.normal(0, 0.02, (side * side, x.shape[1]))
    pixels = picked.astype(np.float32)
    stack = FeatureStack(DEFAULT_FEATURES, np.ascontiguousarray(pixels.T).reshape(-1, side, side))
    predict(model, stack)
    cover, whole, big = median_times(
        lambda: model.core.at(pixels), lambda: predict(model, stack), lambda: forest.predict(pixels)
    )
    n = side * side
    print(f"cover alone {n / cover:,.0f} pixels/s; with interval and domain {n / whole:,.0f}; "
          f"forest of 200 trees of depth 16 {n / big:,.0f} (cover alone): "
          f"{big / cover:.1f} x and {big / whole:.1f} x")  # fmt: skip
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    for values in blocks(rng, x, 2, 1000):
        predict(model, FeatureStack(DEFAULT_FEATURES, values))
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"blocks of 1,000 by 1,000 pixels: peak {after:.0f} MB ({before:.0f} before them); "
        f"a map of 10,000 by 10,000 is 100 such blocks: {1e8 * whole / n / 3600:.1f} hours"
    )


def blocks(rng: np.random.Generator, x: np.ndarray, count: int, side: int) -> Iterator[np.ndarray]:
    """Feature blocks drawn from the plots."""
    for _ in range(count):
        yield x[rng.integers(0, len(x), side * side)].astype(np.float32).T.reshape(-1, side, side)


def median_times(*works: Callable[[], object]) -> list[float]:
    """Seconds of each, the median of seven; in turns, so that a busy machine slows all alike."""
    times: list[list[float]] = [[] for _ in works]
    for _ in range(7):
        for work, taken in zip(works, times, strict=True):
            start = time.process_time()
            work()
            taken.append(time.process_time() - start)
    return [float(np.median(taken)) for taken in times]


def _rmse(error: pd.Series) -> float:
    return float(np.sqrt(np.mean(np.square(error)))) if len(error) else np.nan


if __name__ == "__main__":
    warnings.simplefilter("ignore", FutureWarning)
    main()
