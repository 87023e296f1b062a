"""An invented output folder, so that the page can be built without a run.

It follows the tables, columns, units and file names of the output contract; its numbers are drawn,
not measured, and mean nothing. Names are as hostile as a sites file can make them.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pyproj
import rasterio
from rasterio.transform import from_origin

from afterrains.delivery.columns import Table
from afterrains.delivery.manifest import scenes_told, write_manifest
from afterrains.delivery.table_files import write_csv
from afterrains.delivery.tables import (
    ANSWER_CALENDAR,
    BALANCE,
    BREAK_EVEN,
    CHANGES,
    CONTROLS,
    COSTS,
    SOW_AGAIN,
    SOWING_RAIN,
    VERDICT_HISTORY,
    WHAT_WORKS,
    seasons_table,
    series_table,
)
from afterrains.delivery.tables import VERDICTS as VERDICTS_TABLE

VERDICTS = ("gain", "loss", "no-gain", "grass-only", "too-early", "not-assessable")
INDICES = ("ndvi", "evi2", "msavi2", "ndmi", "nbr", "kndvi")
HOSTILE_NAMES = (
    "<script>document.title='taken'</script>",
    '"><img src=x onerror=alert(1)>',
    '=HYPERLINK("http://example.invalid","x")',
    "../../etc/passwd",
    "\u202egnisrever si siht\u202c and more",
    "شجرة العودة \u200f(2021)",
    "N" * 10_000,
    "{{ 7 * 7 }} {% raw %}",
    "a\u0000b\u0007c\u001b[31m",
    "Z" + "\u0301" * 60 + "algo",
    "]]></style></script><!-- &amp;",
)
FIRST_YEAR, LAST_YEAR = 2015, 2024
_CRS = "EPSG:32631"
_PIXEL_M = 10.0
_SIDE = 300


@dataclass(frozen=True)
class _Site:
    site_id: str
    role: str
    name: str
    stratum: str
    block: str
    east: float
    north: float
    radius_m: float
    verdict: str
    sown: int | None
    """Year of the first sowing."""

    @property
    def area_ha(self) -> float:
        return round(float(np.pi * self.radius_m**2 / 1e4), 2)


def write_output(
    folder: Path,
    *,
    sown: int = 16,
    controls: int = 18,
    blocks: int = 2,
    hostile: bool = True,
    sowing_rain: bool = True,
    choices: bool = False,
    pictures: bool = True,
    seed: int = 5,
) -> Path:
    """Write a whole invented output folder and return it."""
    rng = np.random.default_rng(seed)
    folder.mkdir(parents=True, exist_ok=True)
    origins = {f"e{12 + 3 * i:03d}n{34 + i % 5:03d}": i for i in range(blocks)}
    corners = {
        block: (400_000 + 9_000.0 * (i % 12), 1_600_000 + 7_000.0 * (i // 12) + 2_500.0 * (i % 3))
        for block, i in origins.items()
    }
    sites = _sites(rng, sown, controls, corners, hostile)
    calendar = _calendar()
    _write_geojson(folder, sites)
    seasons = _seasons(rng, sites, calendar)
    _csv(folder, seasons_table(INDICES), seasons)
    history = _history(rng, sites, calendar, seasons)
    _csv(folder, VERDICT_HISTORY, history)
    _csv(folder, VERDICTS_TABLE, history.groupby("site_id").tail(1))
    _csv(folder, CONTROLS, _controls(rng, sites))
    _csv(folder, series_table(INDICES), _series(rng, sites))
    if sowing_rain:
        _csv(folder, SOWING_RAIN, _sowing_rain(rng, sites))
    if choices:
        verdicts = history.groupby("site_id").tail(1)
        _csv(folder, BALANCE, _balance(verdicts))
        _csv(folder, WHAT_WORKS, _ways())
        _csv(folder, COSTS, _costs())
        _csv(folder, BREAK_EVEN, _break_even())
        _csv(folder, SOW_AGAIN, _sow_again(verdicts))
        _csv(folder, CHANGES, _changes(history))
        _csv(folder, ANSWER_CALENDAR, _answers(verdicts))
    if pictures:
        relief = _smooth(rng, _SIDE, 60) * 14 + _smooth(rng, _SIDE, 15) * 9
        for at, (block, (west, south)) in enumerate(corners.items()):
            ground = np.roll(relief, (37 * at, 53 * at), (0, 1))
            here = [site for site in sites if site.block == block]
            _rasters(rng, folder / "rasters" / block, west, south + _SIDE * _PIXEL_M, ground, here)
    _write_manifest(folder)
    return folder


def _sites(
    rng: np.random.Generator,
    sown: int,
    controls: int,
    corners: dict[str, tuple[float, float]],
    hostile: bool,
) -> list[_Site]:
    out = []
    strata = ("sandy plain", "clay basin", "stony slope")
    plain = ("Tall Dune", "Low Dune", "Gully Head", "Old Well", "Salt Lick", "Goat Track")
    places = {
        block: iter(rng.permutation([(x, y) for x in range(5) for y in range(5)]).tolist())
        for block in corners
    }
    names = list(corners)
    for number in range(sown + controls):
        is_sown = number < sown
        block = names[number % len(names)]
        spot = next(places[block], (number % 5, number % 4))
        west, south = corners[block]
        index = number if is_sown else number - sown
        name = f"{plain[index % 6]} {index // 6 + 1}" if is_sown else f"Bare {index + 1}"
        if hostile and index < len(HOSTILE_NAMES):
            name = HOSTILE_NAMES[index]
        if index == 14 and is_sown:
            name = ""
        verdict = VERDICTS[index % 6] if is_sown else ""
        sown_in = {"too-early": 2022, "not-assessable": 2020}.get(verdict, 2017 + index % 2)
        out.append(
            _Site(
                site_id=f"{'s' if is_sown else 'c'}{index + 1:03d}",
                role="sown" if is_sown else "control",
                name=name,
                stratum=strata[index % 3],
                block=block,
                east=west + 350 + 560 * spot[0] + float(rng.uniform(-40, 40)),
                north=south + 350 + 560 * spot[1] + float(rng.uniform(-40, 40)),
                radius_m=float(rng.uniform(110, 200)),
                verdict=verdict,
                sown=sown_in if is_sown else None,
            )
        )
    return out


def _calendar() -> pd.DataFrame:
    rows: list[dict[str, Any]] = []
    for year in range(FIRST_YEAR, LAST_YEAR + 1):
        rains = (pd.Timestamp(year, 6, 20), pd.Timestamp(year, 9, 28))
        dry = (pd.Timestamp(year, 9, 29), pd.Timestamp(year + 1, 6, 19))
        rows.append(
            {"season": f"{year}-rains", "kind": "rains", "start": rains[0], "end": rains[1]}
        )
        rows.append({"season": f"{year}-dry", "kind": "dry", "start": dry[0], "end": dry[1]})
    table = pd.DataFrame(rows)
    table["rain_mm"] = [
        {0: 310, 1: 260, 2: 190, 3: 355, 4: 280, 5: 420, 6: 240, 7: 205, 8: 330, 9: 298}[i // 2]
        if i % 2 == 0
        else 6.0
        for i in range(len(table))
    ]
    return table


def _effect(site: _Site, year: int) -> float:
    if site.sown is None or year < site.sown:
        return 0.0
    after = max(0, year - site.sown - 1)
    return {"gain": 0.013, "loss": -0.012}.get(site.verdict, 0.0) * min(after, 6)


def _seasons(rng: np.random.Generator, sites: list[_Site], calendar: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for site in sites:
        level = rng.uniform(-0.02, 0.02)
        for at, season in enumerate(calendar.itertuples()):
            year = season.start.year
            rain = calendar["rain_mm"][at - at % 2] * rng.uniform(0.9, 1.1)
            dry = season.kind == "dry"
            control = 0.17 + 0.0001 * (rain - 280) + (0.0 if dry else 0.16)
            value = control + level + _effect(site, year) + rng.normal(0, 0.005)
            if site.verdict == "not-assessable" and year in (2019, 2020, 2021):
                value = np.nan
            row: dict[str, Any] = {
                "site_id": site.site_id,
                "role": site.role,
                "season": season.season,
                "kind": season.kind,
                "start": season.start,
                "end": season.end,
                "rain_mm": round(rain, 1) if not dry else round(float(rng.uniform(0, 12)), 1),
                "spi": round((rain - 280) / 70, 2) if not dry else np.nan,
                "clear_dates": 0 if np.isnan(value) else int(rng.integers(9, 30)),
                "clear_fraction": 0.93,
            }
            for at_index, index in enumerate(INDICES):
                shift = value * (1 - 0.1 * at_index)
                row[f"{index}_median"] = shift
                row[f"{index}_low"] = shift - rng.uniform(0.008, 0.02)
                row[f"{index}_high"] = shift + rng.uniform(0.008, 0.02)
            row |= {"woody_percent": np.nan, "woody_low": np.nan, "woody_high": np.nan}
            for at_index, index in enumerate(INDICES):
                base = control * (1 - 0.1 * at_index) if site.role == "sown" else np.nan
                row[f"control_{index}_median"] = base
            row["control_woody_percent"] = np.nan
            row["judged_value"] = value
            row["control_judged_value"] = row["control_ndvi_median"]
            row["difference"] = value - row["control_ndvi_median"]
            row |= {"complete": True, "enough_dates": not np.isnan(value)}
            rows.append(row)
    return pd.DataFrame(rows)


_REASONS = {
    "gain": "more than comparable unsown ground, beyond chance",
    "loss": "fell suddenly in 2022-dry against its own record and control",
    "no-gain": "",
    "grass-only": "the rains flush rose against control, the dry season did not",
    "too-early": "a gain of 0.012 NDVI, as is to be expected by now, could not be seen yet; it "
    "could by 2027-dry",
    "not-assessable": "no clear value this season",
}


def _history(
    rng: np.random.Generator, sites: list[_Site], calendar: pd.DataFrame, seasons: pd.DataFrame
) -> pd.DataFrame:
    clear = seasons.set_index(["site_id", "season"])["clear_dates"].to_dict()
    spi = seasons.set_index(["site_id", "season"])["spi"].to_dict()
    rows = []
    dry_years = [year for year in range(FIRST_YEAR, LAST_YEAR + 1)]
    for site in (site for site in sites if site.sown is not None):
        assert site.sown is not None
        sown_on = pd.Timestamp(site.sown, 5, 4)
        drift = rng.normal(0, 0.004)
        for year in (year for year in dry_years if year >= site.sown):
            after = year - site.sown + 1
            width = 0.055 / np.sqrt(after) + 0.006
            gain = _effect(site, year) + drift + rng.normal(0, 0.003)
            final = year == LAST_YEAR
            verdict = site.verdict if final or after >= 6 else "too-early"
            assessable = verdict != "not-assessable"
            early = verdict == "too-early"
            cost = round(site.area_ha * 21_500)
            rows.append(
                {
                    "site_id": site.site_id,
                    "name": site.name,
                    "stratum": site.stratum,
                    "as_of": f"{year}-dry",
                    "first_sown_on": sown_on,
                    "seasons_since_sowing": after,
                    "area_ha": site.area_ha,
                    "verdict": verdict,
                    "reason": _REASONS[verdict],
                    "outcome": "dry-season greenness",
                    "gain": gain if assessable else np.nan,
                    "gain_low": gain - width if assessable else np.nan,
                    "gain_high": gain + width if assessable else np.nan,
                    "gain_unit": "ndvi",
                    "p_value": float(rng.uniform(0, 0.2)) if assessable else np.nan,
                    "q_value": float(rng.uniform(0, 0.3)) if assessable else np.nan,
                    "detectable_gain": width * 1.35 if assessable else np.nan,
                    "answer_by": "2027-dry" if early else "",
                    "grass_gain": 0.05 if verdict == "grass-only" else float(rng.normal(0, 0.01)),
                    "grass_gain_low": 0.02 if verdict == "grass-only" else -0.03,
                    "grass_gain_high": 0.08 if verdict == "grass-only" else 0.03,
                    "controls": int(rng.integers(5, 12)),
                    "match_balance": round(float(rng.uniform(0.04, 0.34)), 2),
                    "before_trend_p": round(float(rng.uniform(0.02, 0.95)), 3),
                    "clear_dates": clear.get((site.site_id, f"{year}-dry"), 0),
                    "rains_anomaly": spi.get((site.site_id, f"{year}-rains"), np.nan),
                    "cost": cost,
                    "cost_per_gained_ha": cost / site.area_ha if verdict == "gain" else np.nan,
                    "provisional": False,
                    "rule": "ab12ab12",
                }
            )
    return pd.DataFrame(rows)


def _controls(rng: np.random.Generator, sites: list[_Site]) -> pd.DataFrame:
    notes = ("", "", "", "recovering by itself", "", "possibly sown or disturbed")
    rows = []
    for at, site in enumerate(site for site in sites if site.role == "control"):
        gain = float(rng.normal(0, 0.006)) + (0.03 if notes[at % 6].startswith("rec") else 0)
        rows.append(
            {
                "site_id": site.site_id,
                "name": site.name,
                "stratum": site.stratum,
                "weight_total": round(float(rng.uniform(0.2, 1.6)), 2),
                "used_by": int(rng.integers(2, 9)),
                "balance": round(float(rng.uniform(0.02, 0.4)), 2),
                "before_trend_p": round(float(rng.uniform(0, 1)), 3),
                "woody_percent": np.nan,
                "own_gain": gain,
                "own_gain_low": gain - 0.018,
                "own_gain_high": gain + 0.018,
                "note": notes[at % 6],
            }
        )
    return pd.DataFrame(rows)


def _series(rng: np.random.Generator, sites: list[_Site]) -> pd.DataFrame:
    dates = pd.date_range(f"{FIRST_YEAR}-01-05", f"{LAST_YEAR + 1}-06-12", freq="18D")
    rows = []
    for site in sites:
        for at, date in enumerate(dates):
            sensor = f"sentinel-2{'ab'[at % 2]}"
            row: dict[str, Any] = {
                "site_id": site.site_id,
                "date": date,
                "sensor": sensor,
                "scene_id": f"scene-{date:%Y%m%d}",
                "clear_fraction": 0.97,
                "pixels": site.area_ha * 100,
            }
            row |= {index: round(float(rng.uniform(0.1, 0.4)), 4) for index in INDICES}
            rows.append(row)
    return pd.DataFrame(rows)


def _sowing_rain(rng: np.random.Generator, sites: list[_Site]) -> pd.DataFrame:
    rows = []
    for at, site in enumerate(site for site in sites if site.sown is not None):
        assert site.sown is not None
        years = [site.sown, site.sown + 3] if at % 5 == 1 else [site.sown]
        for year in years:
            start = ("good", "good", "broken", "none yet")[(at + year) % 4]
            waited = int(rng.integers(30, 75))
            sown_on = pd.Timestamp(year, 5, 4)
            none = start == "none yet"
            rows.append(
                {
                    "site_id": site.site_id,
                    "sown_on": sown_on,
                    "first_effective_rain_on": pd.NaT
                    if none
                    else sown_on + pd.Timedelta(days=waited),
                    "days_waited": np.nan if none else waited,
                    "rain_30d_mm": np.nan if none else round(float(rng.uniform(30, 140)), 1),
                    "longest_dry_spell_30d": np.nan if none else int(rng.integers(3, 19)),
                    "rains_spi": round(float(rng.normal(0, 1)), 2),
                    "start": start,
                    "missing_days": 3 if at == 2 else 0,
                    "method": ("by hand", "by air", "<b>by</b> vehicle")[at % 3],
                    "species": "acacia, grass mix",
                    "seed_lot": "",
                }
            )
    return pd.DataFrame(rows)


def _ways() -> pd.DataFrame:
    rows = [
        ("all", "all", 12, 0.011, 0.002, 0.020, 41),
        ("method", "by hand", 6, 0.014, 0.001, 0.027, 38),
        ("method", "by air", 5, 0.006, -0.009, 0.021, 52),
        ("method", "<b>by</b> vehicle", 1, 0.02, -0.02, 0.06, 0),
        ("start", "good then broken", 4, 0.008, -0.004, 0.02, 12),
    ]
    names = ["factor", "level", "sites", "pooled_gain", "low", "high", "heterogeneity_percent"]
    return pd.DataFrame(rows, columns=names).assign(gain_unit="ndvi", gained=3, grass_only=1)


def _costs() -> pd.DataFrame:
    rows = [
        ("all", "all", 16, 21_500.0, 64_250.0, 40_100.0, 121_700.0),
        ("method", "by hand", 6, 24_000.0, 55_000.0, 30_000.0, np.nan),
        ("method", "by air", 5, 17_250.0, np.nan, np.nan, np.nan),
    ]
    names = ["factor", "level", "sites", "cost_per_sown_ha", "cost_per_gained_ha"]
    names += ["cost_per_gained_ha_low", "cost_per_gained_ha_high"]
    counts = {"sowings": 18, "sowings_without_cost": 0, "gained_sites": 3, "counted_sites": 12}
    table = pd.DataFrame(rows, columns=names).assign(currency="XOF", sites_in_points=0, **counts)
    points = {"": 9_700.0, "_low": 6_100.0, "_high": np.nan}
    for end, value in points.items():
        table[f"cost_per_point_ha{end}"] = [value, np.nan, np.nan]
    return table


def _balance(verdicts: pd.DataFrame) -> pd.DataFrame:
    rows = [
        ("area", 14.0, 10.0, 0.2, np.nan),
        ("dry level", 0.1213, 0.1372, -0.84, 0.327),
        ("dry trend", 0.0004, -0.0002, 0.25, 1.1),
        ("rain", 281.0, 279.0, 1.31, 2.4),
        ("distance", np.nan, 13_300.0, np.nan, np.nan),
    ]
    names = ["quantity", "site", "controls", "standardised_difference", "variance_ratio"]
    quantities = pd.DataFrame(rows, columns=names).assign(as_of="2016-dry")
    # The second site has none: sown before the record began.
    return verdicts[["site_id"]].drop(verdicts.index[1]).merge(quantities, how="cross")


def _break_even() -> pd.DataFrame:
    """At a seedling of 900, 60 % of them alive, and a seed of 12: worked out by hand."""
    rows = [("all", "all", 21_500.0, 14.33), ("method", "<b>by</b> hand", 24_000.0, 16.0)]
    names = ["factor", "level", "cost_per_sown_ha", "break_even_trees_per_ha"]
    return pd.DataFrame(rows, columns=names).assign(
        currency="XOF",
        years=10.0,
        seedling_cost=900.0,
        seedling_survival_percent=60.0,
        cost_per_planted_tree=1500.0,
        seed_cost=12.0,
        break_even_share_percent=1.3333,
        break_even_survival_percent=0.8,
    )


def _sow_again(verdicts: pd.DataFrame) -> pd.DataFrame:
    choices = {
        "gain": ("leave alone", "it gains beyond comparable unsown ground: let it grow"),
        "loss": ("protect first", "lost cover; what took the plants takes new seed too"),
        "no-gain": (
            "sow again",
            "rain failed after its sowing: it came and did not hold, so the seed was not tested",
        ),
        "grass-only": ("stop here", "a reason that no catalogue has <i>yet</i>"),
        "too-early": ("wait", _REASONS["too-early"]),
        "not-assessable": ("visit first", "only eyes can tell: no clear value this season"),
    }
    told = pd.DataFrame([choices[verdict] for verdict in verdicts["verdict"]])
    table = verdicts.reset_index(drop=True).assign(choice=told[0], reason=told[1], sowings=1)
    again = table["choice"] == "sow again"
    # The later sites first, so that the order of ranks is not that of the numbers.
    table["rank"] = (again[::-1].cumsum()[::-1]).where(again)
    table["until"] = table["answer_by"].where(table["choice"] == "wait", "")
    table = table.assign(
        expected_gain=0.006,
        expected_gain_if_good=0.011,
        expected_gain_low=0.001,
        expected_gain_high=0.017,
    )
    return table.assign(chance_good_start_percent=55.0, expected_cost=210_000.0)


def _changes(history: pd.DataFrame) -> pd.DataFrame:
    newest = history.groupby("site_id").tail(1).set_index("site_id")
    before = history.groupby("site_id").nth(-2).set_index("site_id").reindex(newest.index)
    changed = newest["verdict"] != before["verdict"]
    return pd.DataFrame(
        {
            "site_id": newest.index,
            "name": newest["name"],
            "verdict_before": before["verdict"],
            "verdict_now": newest["verdict"],
            "verdict_changed": changed,
            "causes": ["new season; late scenes" if c else "new season" for c in changed],
            "explanation": "invented",
        }
    )


def _answers(verdicts: pd.DataFrame) -> pd.DataFrame:
    states = {"too-early": "waiting", "grass-only": "open", "not-assessable": "open"}
    state = verdicts["verdict"].map(lambda verdict: states.get(verdict, "answered"))
    since = state.map({"answered": "2022-dry"}).fillna("")
    return verdicts.assign(state=state, answered_since=since)


def _csv(folder: Path, table: Table, rows: pd.DataFrame) -> None:
    # Columns after the contract's are empty here.
    write_csv(table, rows.reindex(columns=table.column_names), folder)


def _outline(site: _Site) -> list[tuple[float, float]]:
    angles = np.linspace(0, 2 * np.pi, 19)
    wobble = 1 + 0.18 * np.sin(3 * angles + site.radius_m)
    return [
        (site.east + site.radius_m * w * np.cos(a), site.north + site.radius_m * w * np.sin(a))
        for a, w in zip(angles, wobble, strict=True)
    ]


def _write_geojson(folder: Path, sites: list[_Site]) -> None:
    to_lonlat = pyproj.Transformer.from_crs(_CRS, "EPSG:4326", always_xy=True)
    features = []
    for site in sites:
        ring = [list(map(float, to_lonlat.transform(x, y))) for x, y in _outline(site)]
        ring[-1] = ring[0]
        features.append(
            {
                "type": "Feature",
                "geometry": {"type": "Polygon", "coordinates": [ring]},
                "properties": {
                    "site_id": site.site_id,
                    "role": site.role,
                    "name": site.name,
                    "stratum": site.stratum,
                    "area_ha": site.area_ha,
                    "verdict": site.verdict or None,
                },
            }
        )
    content = {"type": "FeatureCollection", "features": features}
    (folder / "sites.geojson").write_text(json.dumps(content, ensure_ascii=False), "utf-8")


def _smooth(rng: np.random.Generator, size: int, step: int) -> np.ndarray:
    coarse = rng.normal(0, 1, (size // step + 2, size // step + 2))
    fine = np.kron(coarse, np.ones((step, step)))[:size, :size]
    kernel = np.ones(step) / step
    for axis in (0, 1):
        fine = np.apply_along_axis(lambda row: np.convolve(row, kernel, "same"), axis, fine)
    return np.asarray(fine)


def _rasters(
    rng: np.random.Generator,
    folder: Path,
    west: float,
    north: float,
    relief: np.ndarray,
    sites: list[_Site],
) -> None:
    """Pictures of two dry seasons and the newest trend for one block of ground."""
    folder.mkdir(parents=True)
    transform = from_origin(west, north, _PIXEL_M, _PIXEL_M)
    profile: dict[str, Any] = {
        "driver": "GTiff",
        "width": _SIDE,
        "height": _SIDE,
        "crs": _CRS,
        "transform": transform,
        "compress": "deflate",
        "tiled": True,
        "blockxsize": 256,
        "blockysize": 256,
    }
    xs = west + (np.arange(_SIDE) + 0.5) * _PIXEL_M
    ys = north - (np.arange(_SIDE) + 0.5) * _PIXEL_M
    slope = np.roll(relief, 90, axis=0) * 0.0002
    crowns = np.zeros((_SIDE, _SIDE), dtype=bool)
    for site in sites:
        near = (xs[None] - site.east) ** 2 + (ys[:, None] - site.north) ** 2 < site.radius_m**2
        slope[near] += {"gain": 0.013, "loss": -0.012}.get(site.verdict, 0.0)
        if site.verdict == "gain":
            crowns |= near & (rng.random((_SIDE, _SIDE)) < 0.35)
    speckle = rng.normal(0, 6, (_SIDE, _SIDE)) - 45 * (rng.random((_SIDE, _SIDE)) < 0.03)
    for season, shown in ((f"{FIRST_YEAR}-dry", False), (f"{LAST_YEAR}-dry", True)):
        picture = np.stack(
            [base + relief + speckle - (30 * crowns if shown else 0) for base in (176, 145, 108)]
        )
        picture = picture.clip(1, 255).astype("uint8")
        picture[:, -6:, :9] = 0
        with rasterio.open(
            folder / f"picture_{season}.tif", "w", count=3, dtype="uint8", nodata=0, **profile
        ) as file:
            file.write(picture)
    bands = np.stack(
        [slope, np.full_like(slope, 0.04), np.full_like(slope, 10), np.full_like(slope, np.nan)]
    ).astype("float32")
    with rasterio.open(
        folder / f"greenness_trend_{LAST_YEAR}-dry.tif",
        "w",
        count=4,
        dtype="float32",
        nodata=float("nan"),
        **profile,
    ) as file:
        file.write(bands)


def _write_manifest(folder: Path) -> None:
    acquired = datetime(2024, 1, 5, 10, 40, tzinfo=UTC)
    used = [
        SimpleNamespace(
            scene_id=f"scene-{at:04d}",
            collection="sentinel-2-l2a",
            sensor="sentinel-2a",
            acquired=acquired,
            tile="31PDS",
            processed=None,
            baseline="05.10",
            cloud_percent=3.0,
            bands={},
        )
        for at in range(640)
    ]
    refused = [
        SimpleNamespace(
            scene_id=f"{reason}-{at}",
            collection="sentinel-2-l2a",
            acquired=acquired,
            reason=reason,
            detail=detail,
        )
        for reason, detail, count in (
            ("cloudy", "cloud 93 % of the scene, over 80 %", 41),
            ("same-overpass", "a newer processing was taken", 12),
        )
        for at in range(count)
    ]
    write_manifest(
        folder,
        programme=SimpleNamespace(
            programme=SimpleNamespace(
                id="dune-edge", name="Dune Edge sowing programme", currency="XOF"
            ),
            digest="9f2c" * 16,
        ),
        scenes_used=scenes_told(used),
        refused=refused,
        unreadable=[("scene-0004", "red", "connection reset"), ("scene-0009", "nir", "timed out")],
        specification={
            "outcome": "dry-season greenness",
            "error_rate": 0.05,
            "meaningful_gain": 0.02,
            "judged_seasons": 12,
            "growth": {"starts_after_seasons": 1.0, "full_after_seasons": 8.0},
            "spending": "O'Brien-Fleming",
            "digest": "ab12" * 16,
        },
        times={"finished": datetime(2025, 6, 20, 8, 31, tzinfo=UTC)},
        seeds={"visits": 7},
        leave_out=["report"],
    )
    manifest = json.loads((folder / "manifest.json").read_text("utf-8"))
    manifest["programme"]["currency"] = "XOF"
    (folder / "manifest.json").write_text(json.dumps(manifest), "utf-8")
