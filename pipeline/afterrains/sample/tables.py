r"""The sample's small files: what a programme would bring, and the truth kept apart.

Text files with "\n" line ends, rounded figures and no clock in them: at one seed they are the same
byte for byte. Rain has gaps, as gauges do.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pyproj import Transformer
from shapely.geometry import mapping

from afterrains.sample.chance import chance
from afterrains.sample.district import EPSG, GROUNDS, SIZES, Site
from afterrains.sample.ground import GroundModel
from afterrains.sample.plan import Kind
from afterrains.sample.weather import Weather

__all__ = [
    "truth_seasons",
    "write_plots",
    "write_programme",
    "write_rain",
    "write_sites",
    "write_sowing",
    "write_truth",
]

# Stretches of days without a record: (first day, days).
_RAIN_GAPS = (
    ("1996-11-03", 19),
    ("2001-08-14", 3),
    ("2005-02-20", 9),
    ("2009-07-30", 2),
    ("2012-12-24", 10),
    ("2017-09-05", 2),
    ("2020-01-11", 6),
)
_RAIN_EMPTY = ("1999-06-30", "2016-04-02")  # a row, but no figure in it
_PLOT_RADIUS_M = 15.0

_PROGRAMME = """\
# The invented sample programme. Nothing here is a real place, programme or measurement.
programme:
  id: dune-edge
  name: Dune Edge sowing programme
  currency: XOF
sites: sites.geojson
sowing: sowing.csv
rain:
  table: rain.csv
scenes:
  catalogue: scenes/catalog.json
  collections: [{collections}]
  start: {first_year}-01-01
  end: {last_year}-12-31
  max_cloud_percent: 80
grid: {{resolution_m: 10, crs: auto}}
seasons: {{from: rain}}
controls: {{choose: listed}}
{woody}evidence:
  error_rate: 0.05
  meaningful_gain_points: 5
  judged_seasons: 12
  growth: {{starts_after_seasons: 1, full_after_seasons: 6}}
costs: {{nursery_seedling: 900, nursery_survival_percent: 60, sown_seed: 12, years: 10}}
output: out
"""
_WOODY = """\
# Fits a model to the field plots within the run, so that gains are in points of woody cover. Take
# this line away to judge dry-season greenness alone, as a programme without plots is judged.
woody: {train: plots.csv}
"""


def write_programme(path: Path, size: str, collections: Sequence[str]) -> None:
    """Write the programme file; one that somebody changed stays beside it under another name."""
    extent = SIZES[size]
    text = _PROGRAMME.format(
        collections=", ".join(collections),
        first_year=extent.first_year,
        last_year=extent.last_year,
        # The small one is judged on greenness: a minute less, and its tests can add a model.
        woody=_WOODY if size == "full" else "",
    )
    if path.exists() and path.read_text(encoding="utf-8", errors="replace") != text:
        path.replace(path.with_name("programme.earlier.yaml"))
    path.write_text(text, encoding="utf-8", newline="\n")


def write_sites(path: Path, sites: Iterable[Site]) -> None:
    """Write the outlines as GeoJSON (WGS 84), one site a line."""
    features = [
        json.dumps(
            {
                "type": "Feature",
                "properties": {
                    "site_id": site.site_id,
                    "role": site.role,
                    "name": site.name or None,
                    "stratum": site.stratum,
                },
                "geometry": mapping(site.lonlat),
            }
        )
        for site in sites
    ]
    text = '{"type": "FeatureCollection", "features": [\n' + ",\n".join(features) + "\n]}\n"
    path.write_text(text, encoding="utf-8", newline="\n")


def write_sowing(path: Path, sites: Iterable[Site]) -> None:
    """Write every sowing, in order of site and date."""
    rows = [
        (
            site.site_id,
            row.sown_on.isoformat(),
            row.method,
            ";".join(row.species),
            row.seed_kg_per_ha,
            row.seed_lot,
            round(row.cost_per_ha * site.geometry.area / 10_000 / 1000) * 1000,
        )
        for site in sites
        for row in site.sowing
    ]
    columns = ("site_id", "sown_on", "method", "species", "seed_kg_per_ha", "seed_lot", "cost")
    _write_csv(path, columns, rows)


def write_rain(path: Path, weather: Weather) -> None:
    """Write the programme-wide daily rain, with its gaps."""
    missing: set[np.datetime64] = set()
    for first, length in _RAIN_GAPS:
        missing |= set(np.datetime64(first) + np.arange(length))
    empty = {np.datetime64(day) for day in _RAIN_EMPTY}
    rows = [
        (str(day), "" if day in empty else f"{rain:.1f}")
        for day, rain in zip(weather.days, weather.programme_mm, strict=True)
        if day not in missing
    ]
    _write_csv(path, ("date", "rain_mm"), rows)


def write_plots(path: Path, grounds: dict[str, GroundModel], size: str, seed: int) -> None:
    """Write field plots of woody cover: some in every site, the rest wherever cover differs."""
    extent = SIZES[size]
    rng = chance(seed, "plots", size)
    to_lonlat = Transformer.from_crs(EPSG, "EPSG:4326", always_xy=True)
    rows = []
    places = [*_places_in_sites(grounds, rng), *_places_between(grounds, extent.plots, rng)]
    for number, (ground, site_id, x, y) in enumerate(places[: extent.plots], start=1):
        year = int(rng.integers(2018, extent.last_year + 1))
        surveyed_on = date(year, int(rng.integers(1, 5)), int(rng.integers(1, 28)))
        true = _plot_cover(grounds[ground], x, y, surveyed_on)
        # Eyes and line transects err by a point or two, more where there is more to see.
        seen = max(0, round(100 * true + float(rng.normal(0, 1.0 + 4.0 * true))))
        lon, lat = to_lonlat.transform(x + rng.normal(0, 2.0), y + rng.normal(0, 2.0))
        rows.append(
            (
                f"p{number:03d}",
                f"{lon:.6f}",
                f"{lat:.6f}",
                surveyed_on.isoformat(),
                seen,
                "field",
                int(_PLOT_RADIUS_M),
                site_id,
                f"team {int(rng.integers(1, 4))}",
            )
        )
    columns = ("plot_id", "lon", "lat", "surveyed_on", "woody_cover_percent", "source")
    _write_csv(path, (*columns, "plot_radius_m", "site_id", "observer"), rows)


def truth_seasons(size: str) -> list[tuple[str, date]]:
    """Every dry season of the record and the day on which its truth is taken.

    1 April, when only woody plants are green; the last day of the record for the running one.
    """
    extent = SIZES[size]
    seasons = [
        (f"{year}-dry", date(year + 1, 4, 1))
        for year in range(extent.first_year - 1, extent.last_year)
    ]
    return [*seasons, (f"{extent.last_year}-dry", date(extent.last_year, 12, 31))]


def write_truth(
    folder: Path, sites: Sequence[Site], grounds: dict[str, GroundModel], size: str
) -> None:
    """Write what truly happened: one row a site, and one row a site and dry season."""
    rows, last_gain = [], {}
    for season, day in truth_seasons(size):
        fields = {
            name: (ground.woody(day), ground.woody(day, with_sowing=False))
            for name, ground in grounds.items()
        }
        for site in sites:
            inside = grounds[site.ground].inside(site.site_id)
            with_it, without = (100 * float(each[inside].mean()) for each in fields[site.ground])
            gain = round(round(with_it, 3) - round(without, 3), 3)
            last_gain[site.site_id] = gain
            covers = (f"{with_it:.3f}", f"{without:.3f}", f"{gain:.3f}")
            rows.append((site.site_id, site.role, season, day.isoformat(), *covers))
    figures = ("woody_percent", "woody_percent_without", "gain_points")
    columns = ("site_id", "role", "season", "on", *figures)
    _write_csv(folder / "seasons.csv", columns, sorted(rows))
    kinds = [
        (
            site.site_id,
            site.role,
            site.ground,
            site.stratum,
            str(site.kind),
            site.sowing[0].sown_on.isoformat() if site.sowing else "",
            site.event_on.isoformat() if site.event_on else "",
            f"{last_gain[site.site_id]:.3f}",
            f"{site.geometry.area / 10_000:.3f}",
        )
        for site in sites
    ]
    what = ("kind", "first_sown_on", "event_on", "last_gain_points", "area_ha")
    _write_csv(folder / "sites.csv", ("site_id", "role", "ground", "stratum", *what), kinds)


def _places_in_sites(
    grounds: dict[str, GroundModel], rng: np.random.Generator
) -> list[tuple[str, str, float, float]]:
    """Two plots in every site, four where grass is rested: pixel centres of the site."""
    places = []
    for name, ground in grounds.items():
        for site in ground.sites:
            ys, xs = np.nonzero(ground.inside(site.site_id))
            count = 4 if site.kind is Kind.GRASS_ONLY else 2
            for pick in rng.choice(xs.size, count, replace=False):
                places.append((name, site.site_id, *_centre(ground, xs[pick], ys[pick])))
    return places


def _places_between(
    grounds: dict[str, GroundModel], count: int, rng: np.random.Generator
) -> list[tuple[str, str, float, float]]:
    """Places spread over the range of cover, away from the tile's rim and outside the sites."""
    places = []
    for step in range(count):
        name = tuple(GROUNDS)[step % 2]
        ground = grounds[name]
        woody = ground.woody(date(2020, 1, 1))
        free = np.zeros_like(woody, dtype=bool)
        free[5:-5, 5:-5] = True
        for site in ground.sites:
            free &= ~ground.inside(site.site_id)
        ys, xs = np.nonzero(free)
        wanted = float(rng.uniform(0.0, 0.45))
        among = rng.choice(xs.size, 60, replace=False)
        pick = among[np.argmin(np.abs(woody[ys[among], xs[among]] - wanted))]
        places.append((name, "", *_centre(ground, xs[pick], ys[pick])))
    return places


def _plot_cover(ground: GroundModel, x: float, y: float, day: date) -> float:
    """Mean woody cover of the pixels whose centre lies in the plot."""
    woody = ground.woody(day)
    rows, columns = np.mgrid[0 : ground.pixels, 0 : ground.pixels]
    xs, ys = _centre(ground, columns, rows)
    near: NDArray[np.bool_] = np.hypot(xs - x, ys - y) <= _PLOT_RADIUS_M
    return float(woody[near].mean())


def _centre(ground: GroundModel, column: Any, row: Any) -> tuple[Any, Any]:
    """Easting and northing of pixel centres, numbers or arrays."""
    at = ground.transform
    return at.c + at.a * (column + 0.5), at.f + at.e * (row + 0.5)


def _write_csv(path: Path, columns: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        writer.writerows(rows)
