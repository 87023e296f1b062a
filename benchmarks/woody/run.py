"""How well woody cover is told on simulated ground with known cover, and what simpler ways tell.

    python benchmarks/woody/run.py [--seeds 1 2 3 4 5 6] [--folder FOLDER] [--features …]

For each seed the sample programme is written and its dry seasons are read, and the ground is cut
into eight quarters (two grounds of four). Each quarter is predicted by a model fitted to the plots
of the other seven: no figure below comes from ground that its model has seen. A site's change is
the mean of its last two dry seasons minus the mean of the two before any sowing. What was read is
kept in the folder, so a second run takes a minute. One process, one thread.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import warnings
from collections.abc import Callable
from pathlib import Path

for _pool in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ.setdefault(_pool, "1")

import numpy as np  # noqa: E402
import pandas as pd  # noqa: E402
from choose import change  # noqa: E402
from samples import PIXEL_AREA_M2, QUARTERS, Samples, SiteSeason, samples_of  # noqa: E402
from sklearn.ensemble import RandomForestRegressor  # noqa: E402

from afterrains.woody import (  # noqa: E402
    DEFAULT_FEATURES,
    WoodyModel,
    describe,
    fit,
    predict,
    site_cover,
)
from afterrains.woody.line import fit_line  # noqa: E402

WAYS = ("ours", "plain line", "forest", "NDVI alone")


def main() -> None:
    """Run the seeds and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3, 4, 5, 6])
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--features", nargs="+", default=list(DEFAULT_FEATURES),
                        help="another set; late_ndvi first")  # fmt: skip
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = asked.folder or Path(temporary)
        sites, fresh, cards = [], [], []
        for seed in asked.seeds:
            here = samples_of(seed, folder, asked.features)
            seed_sites, seed_fresh = judge(here, asked.features)
            sites.append(seed_sites.assign(seed=seed))
            fresh.append(seed_fresh.assign(seed=seed))
            cards.append(of_card(here, asked.features))
    tell_patches(pd.concat(fresh, ignore_index=True))
    tell_sites(pd.concat(sites, ignore_index=True))
    print("\nWhat the card of a model of all plots says, places held out")
    print(pd.DataFrame(cards).to_string(index=False))


def of_card(here: Samples, names: list[str]) -> dict[str, float | int | str]:
    """Held-out errors against plots, as the card tells them."""
    model = fit(here.plots, here.features, names=names)
    errors = describe(model)
    return {
        "seed": here.seed,
        "plots": errors.places_out.n,
        "places": model.error_share.places,
        "trees": model.core.forest.root.size,
        "stretch": round(1 / model.stretch.slope, 3),
        "RMSE": round(errors.places_out.rmse, 2),
        "bias below 10 %": round(errors.low_cover.bias, 2),
        "held, pooled": round(100 * errors.coverage_pooled, 1),
        "held, by place": round(100 * errors.coverage, 1),
    } | {name: round(scores.rmse, 2) for name, scores in errors.baselines.items()}


def judge(here: Samples, names: list[str]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Every site and season, and every fresh circle, by the model that has not seen its quarter."""
    rows, circles = [], []
    for out in range(QUARTERS):
        seen = here.plots["quarter"] != out
        model, simple = fit_ways(here.plots[seen], here.features[seen], names)
        rows += [by_site(model, simple, each) for each in here.sites if each.quarter == out]
        there = here.circles[here.circles["quarter"] == out]
        if len(there):
            circles.append(by_circle(model, simple, there, names))
    table = pd.concat(rows, ignore_index=True).merge(here.truth, on=["site_id", "season"])
    return table, pd.concat(circles)


Way = Callable[[np.ndarray], np.ndarray]


def fit_ways(
    plots: pd.DataFrame, features: pd.DataFrame, names: list[str]
) -> tuple[WoodyModel, dict[str, Way]]:
    """Our model and the simpler ones, on the same plots."""
    model = fit(plots, features, names=names)
    x = model.training[names].to_numpy()
    y = model.training["cover"].to_numpy()
    line = fit_line(x, y, weighted=False).line
    ndvi = fit_line(x[:, :1], y, weighted=False).line
    forest = RandomForestRegressor(200, max_depth=16, min_samples_leaf=2, random_state=1).fit(x, y)
    return model, {
        "plain line": line.at,
        "NDVI alone": lambda at: ndvi.at(at[:, :1]),
        "forest": forest.predict,
    }


def by_site(model: WoodyModel, simple: dict[str, Way], each: SiteSeason) -> pd.DataFrame:
    """Site means by every way."""
    table = site_cover(model, each.stack, each.coverage, PIXEL_AREA_M2).assign(season=each.season)
    x = each.stack.values[:, 0].T.astype(np.float64)
    known = np.isfinite(x).all(axis=1)
    for name, way in simple.items():
        values = np.zeros(len(x))
        if known.any():
            values[known] = way(x[known])
        with np.errstate(invalid="ignore"):
            table[name] = each.coverage.sums(values) / each.coverage.sums(known)
    return table


def by_circle(
    model: WoodyModel, simple: dict[str, Way], fresh: pd.DataFrame, names: list[str]
) -> pd.DataFrame:
    """Fresh circles by every way."""
    found = predict(model, fresh[names])
    table = fresh[["cover", "seen", "anywhere"]].assign(
        ours=found.estimate, low=found.low, high=found.high, inside=found.applicability
    )
    for name, way in simple.items():
        table[name] = np.clip(way(fresh[names].to_numpy(np.float64)), 0, 100)
    return table


def tell_patches(table: pd.DataFrame) -> None:
    """Errors by cover class and coverage of intervals, for ground of a plot's size."""
    print(f"\nGround of a plot's size ({len(table)} circles), true cover; quarters held out")
    print(f"{'cover, percent':<16}{'n':>5}", *(f"{w:>20}" for w in WAYS))
    bounds = [(0, 5), (5, 10), (10, 20), (20, 40), (40, 100), (0, 10), (0, 100)]
    for low, high in bounds:
        part = table[(table["cover"] >= low) & (table["cover"] < high)]
        told = (f"{rmse(part[w] - part['cover']):8.2f} ({(part[w] - part['cover']).mean():+.2f})"
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


def tell_sites(table: pd.DataFrame) -> None:
    """Site means, their intervals, and change with what grass-only sites get."""
    table = table.rename(columns={"woody_percent": "ours"}).dropna(subset=["ours"])
    print(f"\nSite means ({len(table)} sites and seasons), quarters held out")
    for way in WAYS:
        error = table[way] - table["true"]
        low = table["true"] < 10
        print(f"{way:<12} RMSE {rmse(error):5.2f}  bias {error.mean():+.2f}  "
              f"below 10 % cover {error[low].mean():+.2f}")  # fmt: skip
    held = (table["woody_low"] <= table["true"]) & (table["true"] <= table["woody_high"])
    by_seed = ", ".join(f"{100 * part.mean():.0f}" for _, part in held.groupby(table["seed"]))
    print(f"intervals of 95 % hold {100 * held.mean():.1f} % (by seed {by_seed}); "
          f"mean width {(table['woody_high'] - table['woody_low']).mean():.1f} points")  # fmt: skip
    in_points = (table["basis"] == "woody cover").mean()
    print(f"in the domain: {100 * table['inside_share'].mean():.0f} % of pixels, "
          f"{100 * in_points:.0f} % of sites and seasons")  # fmt: skip
    changes = pd.concat(
        [
            change(part[["site_id", "season", "true", "kind"]].assign(found=part[way])).assign(
                way=way, seed=seed
            )
            for seed, part in table.groupby("seed")
            for way in WAYS
        ]
    )
    print("\nSite change since before sowing, minus that of controls; true, and error by way")
    for way, part in changes.groupby("way", sort=False):
        control = part[part["kind"] == "control"]
        gain = part[part["kind"] == "gain"]
        grass = part[part["kind"] == "grass-only"]
        slope = np.polyfit(part["true"], part["found"], 1)[0]
        print(f"{way:<12} RMSE {rmse(part['found'] - part['true']):.2f}; gain sites true "
              f"{gain['true'].mean():.1f} found {gain['found'].mean():.1f}; slope {slope:.2f}; "
              f"controls' SD {control['found'].std():.2f}; grass-only "
              f"{', '.join(f'{v:+.1f}' for v in grass['found'])} "
              f"(true {', '.join(f'{v:+.1f}' for v in grass['true'])})")  # fmt: skip


def rmse(error: pd.Series) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(np.square(error)))) if len(error) else np.nan


if __name__ == "__main__":
    warnings.simplefilter("ignore", FutureWarning)
    main()
