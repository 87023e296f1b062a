"""What the woody benchmarks measure on: plots, circles and sites of the invented district.

Reading a district takes minutes, fitting takes seconds, so that what was read is kept in a folder
as small tables: features of plots, of fresh circles with known cover, and of the sites' pixels.
"""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from afterrains.register.plots import read_plots
from afterrains.sample import write_sample
from afterrains.sample.district import GROUNDS, SIZES
from afterrains.sample.ground import GroundModel
from afterrains.sample.weather import make_weather
from afterrains.sample.write import Size, is_written
from afterrains.scenes import BANDS
from afterrains.signals.coverage import Coverage, polygon_coverage
from afterrains.stages.cellwork import perform, recorded
from afterrains.stages.ledger import Ledger
from afterrains.stages.prepare import Prepared, prepare
from afterrains.stages.radarwork import perform_radar
from afterrains.stages.woodywork import load_with_radar
from afterrains.woody import FeatureStack, bands_needed, gather, season_features
from afterrains.woody.features import FEATURES, RAINS, radar_inputs
from afterrains.woody.plots import plot_means, plot_weights

FRESH = 400  # circles of ground per seed, the size of plots, on which pixels are checked
QUARTERS = 8
PIXEL_AREA_M2 = 100.0


@dataclass(frozen=True)
class SiteSeason:
    """The pixels of the sites of one cell and quarter in one dry season, as one row of pixels."""

    season: str
    quarter: int
    stack: FeatureStack
    coverage: Coverage


@dataclass(frozen=True)
class Samples:
    """One seed's plots, circles and sites; a quarter is the part of the ground held out at once."""

    seed: int
    plots: pd.DataFrame
    """As `gather` gives them, with `quarter`."""
    features: pd.DataFrame
    circles: pd.DataFrame
    """cover (true), seen (as a survey would write), chosen, quarter, and features."""
    truth: pd.DataFrame
    """site_id, season, true (cover, percent), kind."""
    sites: tuple[SiteSeason, ...]


def samples_of(seed: int, folder: Path, names: list[str], size: Size = "full") -> Samples:
    """The samples of a seed and size: what an earlier run left, else written and read."""
    place = folder / f"{size}{seed}"
    features = hashlib.sha256(" ".join(names).encode()).hexdigest()[:8]
    kept = place / f"samples-{features}"
    if not (kept / "sites.npz").is_file():
        made = _make(seed, place, names, size)
        kept.mkdir(parents=True, exist_ok=True)
        made.plots.to_parquet(kept / "plots.parquet")
        made.features.to_parquet(kept / "features.parquet")
        made.circles.to_parquet(kept / "circles.parquet")
        made.truth.to_parquet(kept / "truth.parquet")
        np.savez(kept / "part.npz", allow_pickle=False, **_packed(made.sites))
        (kept / "part.npz").replace(kept / "sites.npz")
    with np.load(kept / "sites.npz", allow_pickle=False) as stored:
        sites = tuple(_unpacked({name: stored[name] for name in stored.files}, names))
    plots, table, circles, truth = (
        pd.read_parquet(kept / f"{name}.parquet")
        for name in ("plots", "features", "circles", "truth")
    )
    return Samples(seed, plots, table, circles, truth, sites)


def read_district(
    seed: int, folder: Path, names: list[str], size: Size = "full"
) -> tuple[Prepared, Ledger, dict[tuple[str, str], str]]:
    """Write and read the sample of a seed, or take what is there; keys by cell and season.

    Radar is written and read where a feature needs it; ask for such features in a folder of their
    own.
    """
    sample, radar = folder / "sample", bool(radar_inputs(names))
    if not is_written(sample, seed=seed, size=size, radar=radar):
        write_sample(sample, seed=seed, size=size, workers=1, radar=radar)
    prepared = prepare(sample / "programme.yaml", training=radar)
    ledger = Ledger(folder / "ledger")
    for beside in prepared.radar:
        if recorded(beside, ledger) is None:
            perform_radar(beside, ledger)
    needed = bands_needed(names)
    # The rains are read only where a feature looks at them: half the work.
    rains = any(given.startswith(RAINS) for name in names for given in FEATURES[name].inputs)
    keys = {}
    for task in prepared.tasks:
        if task.kind == "dry" or (task.kind == "rains" and rains):
            bands = tuple(band for band in BANDS if band in needed | set(task.bands))
            task = dataclasses.replace(task, bands=bands)
            if recorded(task, ledger) is None:
                perform(task, ledger)
            keys[task.cell.cell_id, task.season] = task.key
    return prepared, ledger, keys


def _make(seed: int, folder: Path, names: list[str], size: Size) -> Samples:
    prepared, ledger, keys = read_district(seed, folder, names, size)

    radar = {(task.cell.cell_id, task.season): task.key for task in prepared.radar}

    def composites_of(cell_id: str, season: str) -> Mapping[str, NDArray[Any]] | None:
        place = cell_id, season
        return load_with_radar(ledger, keys.get(place), radar.get(place))

    calendar, register = prepared.calendar, prepared.register.sites
    seasons = tuple(calendar.loc[(calendar["kind"] == "dry") & calendar["complete"], "season"])
    boxes = {cell.cell_id: cell.geobox for cell in prepared.cells}
    gathered = gather(
        read_plots(folder / "sample" / "plots.csv"), boxes, calendar, composites_of, names=names
    )
    to = prepared.register.crs
    lonlat = gpd.points_from_xy(gathered.plots["lon"], gathered.plots["lat"])
    at = gpd.GeoSeries(lonlat, crs=4326).to_crs(to)
    middle = register.geometry.centroid
    home = dict(zip(register["site_id"], _quarter(middle.x, middle.y, size), strict=True))
    fresh = _fresh_circles(seed, seasons, size)
    places = gpd.GeoSeries(gpd.points_from_xy(fresh["x"], fresh["y"]), crs=to).to_crs(4326)
    fresh = fresh.assign(lon=places.x, lat=places.y, plot_radius_m=15.0)
    sites: list[SiteSeason] = []
    means: dict[int, pd.Series] = {}
    for cell in prepared.cells:
        mine = register[register["site_id"].isin(cell.site_ids)]
        cores = gpd.GeoSeries(mine["core"], crs=mine.crs)
        coverage = polygon_coverage(cell.geobox, list(mine["site_id"]), cores)
        weights = plot_weights(fresh, cell.geobox, position_error_m=0.0)
        for season in seasons:
            stack = season_features(cell.cell_id, season, calendar, composites_of, names)
            if stack is None:
                continue
            sites += _site_seasons(season, stack, coverage, home)
            inside = {
                k: w for k, w in weights.items() if fresh.at[k, "season"] == season
                and k not in means
            }  # fmt: skip
            found = plot_means(stack, inside).dropna() if inside else pd.DataFrame()
            means |= {k: found.loc[k] for k in found.index}
    circles = fresh.loc[sorted(means)].assign(quarter=lambda t: _quarter(t["x"], t["y"], size))
    table = pd.DataFrame([means[k] for k in sorted(means)], index=circles.index, columns=names)
    truth = pd.read_csv(folder / "sample" / "truth" / "seasons.csv")
    kinds = pd.read_csv(folder / "sample" / "truth" / "sites.csv").set_index("site_id")["kind"]
    return Samples(
        seed,
        gathered.plots.assign(quarter=_quarter(at.x.to_numpy(), at.y.to_numpy(), size)),
        gathered.features,
        pd.concat([circles, table], axis=1),
        truth[["site_id", "season"]].assign(
            true=truth["woody_percent"], kind=truth["site_id"].map(kinds)
        ),
        tuple(sites),
    )


def _site_seasons(
    season: str, stack: FeatureStack, coverage: Coverage, home: Mapping[str, int]
) -> Iterator[SiteSeason]:
    """The cell's sites by quarter, with nothing but their own pixels."""
    quarters = np.array([home[site] for site in coverage.site_ids])
    for quarter in np.unique(quarters):
        chosen = np.flatnonzero(quarters == quarter)
        kept = np.isin(coverage.site, chosen)
        pixels = stack.values.reshape(len(stack.names), -1)[:, coverage.pixel[kept]]
        part = Coverage(
            tuple(coverage.site_ids[at] for at in chosen), (1, int(kept.sum())),
            np.arange(int(kept.sum())), coverage.fraction[kept],
            np.searchsorted(chosen, coverage.site[kept]), coverage.whole[chosen],
        )  # fmt: skip
        yield SiteSeason(season, int(quarter), FeatureStack(stack.names, pixels[:, None, :]), part)


def _packed(sites: tuple[SiteSeason, ...]) -> dict[str, NDArray[Any]]:
    out: dict[str, NDArray[Any]] = {}
    for number, each in enumerate(sites):
        named = {
            "label": np.array([each.season, str(each.quarter)]), "x": each.stack.values,
            "ids": np.array(each.coverage.site_ids), "fraction": each.coverage.fraction,
            "site": each.coverage.site, "whole": each.coverage.whole,
        }  # fmt: skip
        out |= {f"{number:04d}-{name}": values for name, values in named.items()}
    return out


def _unpacked(stored: dict[str, NDArray[Any]], names: list[str]) -> Iterator[SiteSeason]:
    for number in sorted({name.split("-")[0] for name in stored}):
        label, x, ids, fraction, site, whole = (
            stored[f"{number}-{name}"]
            for name in ("label", "x", "ids", "fraction", "site", "whole")
        )
        coverage = Coverage(
            tuple(str(i) for i in ids), (1, x.shape[2]), np.arange(x.shape[2]), fraction, site,
            whole,
        )  # fmt: skip
        yield SiteSeason(str(label[0]), int(label[1]), FeatureStack(tuple(names), x), coverage)


def _fresh_circles(seed: int, seasons: tuple[str, ...], size: Size) -> pd.DataFrame:
    """Circles of 15 m with their true cover, half anywhere and half where cover is unusual."""
    rng = np.random.default_rng([seed, 77])
    weather = make_weather(seed, SIZES[size].last_year)
    rows = []
    for name in GROUNDS:
        ground = GroundModel(name, size, seed, weather)
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
            rows.append((x, y, season, 100 * float(inside[near].mean()), number % 2 == 1))
    table = pd.DataFrame(rows, columns=["x", "y", "season", "cover", "anywhere"])
    # What a team would write down, with the errors that the sample's own plots have.
    error = rng.normal(0, 1 + 4 * table["cover"] / 100)
    return table.assign(seen=np.maximum(0, np.rint(table["cover"] + error)))


def _quarter(
    x: NDArray[Any] | pd.Series, y: NDArray[Any] | pd.Series, size: Size
) -> NDArray[np.int64]:
    """Number of the quarter (0-7) that a place in metres lies in."""
    east = np.asarray(x) > 500_000
    west_m = np.where(east, GROUNDS["east"].west_m, GROUNDS["west"].west_m)
    north_m = np.where(east, GROUNDS["east"].north_m, GROUNDS["west"].north_m)
    half_m = 5 * SIZES[size].pixels
    right, low = np.asarray(x) - west_m > half_m, north_m - np.asarray(y) > half_m
    return (4 * east + 2 * right + low).astype(int)
