"""The whole job on real Sentinel-2 pixels: 33 dates of 2019 over semi-arid ground.

Truth from outside: the provider's own NDVI, stored beside the scenes; exactextract called directly
on reflectance that rasterio reads; no module of ours takes part in either.
"""

from __future__ import annotations

import json
from pathlib import Path

import exactextract
import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import xarray as xr
from odc.geo.geobox import GeoBox
from rasterio.io import MemoryFile

from afterrains.jobs.run import RunSummary, run_programme
from afterrains.programme import load_programme
from afterrains.scenes import load_profiles, overpasses, read_overpass, search
from afterrains.signals.index_formulas import ndvi

_SOWN = ("P2", "P5", "P7")


@pytest.fixture(scope="module")
def programme_file(real: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A programme over the nine polygons; seasons by the calendar, for there is no rain table."""
    folder = tmp_path_factory.mktemp("semi-arid")
    ground = real / "semi-arid-2019"
    rows = "\n".join(f"{site},2019-06-01" for site in _SOWN)
    (folder / "sowing.csv").write_text(f"site_id,sown_on\n{rows}\n", encoding="utf-8")
    (folder / "programme.yaml").write_text(
        f"""
programme: {{id: semi-arid, name: Real pixels, currency: XXX}}
sites: {ground / "polygons.geojson"}
sowing: sowing.csv
scenes: {{catalogue: {ground / "catalog.json"}, start: 2019-01-01, end: 2019-12-31}}
seasons: {{from: calendar, rains: [{{name: rains, start: 03-01, end: 05-31}}]}}
""",
        encoding="utf-8",
    )
    return folder / "programme.yaml"


@pytest.fixture(scope="module")
def summary(programme_file: Path) -> RunSummary:
    """The programme, run once for all tests here."""
    return run_programme(programme_file, workers=1)


def test_the_job_runs_end_to_end(summary: RunSummary) -> None:
    """One year cannot judge a sowing of that year, and the verdicts say so."""
    assert summary.exit_status == 0
    assert sorted(summary.verdicts["site_id"]) == sorted(_SOWN)
    assert set(summary.verdicts["verdict"]) <= {"too-early", "not-assessable"}
    assert (summary.verdicts["reason"].str.len() > 0).all()
    manifest = json.loads((summary.output / "manifest.json").read_text(encoding="utf-8"))
    assert len(manifest["scenes_used"]) + len(manifest["scenes_refused"]) == 33
    assert summary.page.is_file()


def test_pixels_equal_the_providers_own_ndvi(real: Path) -> None:
    """Per pixel and date, within the rounding of the provider's float32 numbers."""
    ground = real / "semi-arid-2019"
    delivered = xr.open_dataset(ground / "ndvi_as_delivered.nc")["NDVI"]
    with rasterio.open(next(ground.glob("items/*/red.tif"))) as red:
        box = GeoBox((red.height, red.width), red.transform, str(red.crs))
    profiles = load_profiles()
    found = search(
        str(ground / "catalog.json"),
        ["sentinel-2-l2a"],
        pd.Timestamp("2019-01-01").date(),
        pd.Timestamp("2019-12-31").date(),
        (-4.9, 41.7, -4.8, 41.8),
        100.0,
        profiles,
    )
    compared = 0
    for look in overpasses(found.scenes):
        seen = read_overpass(look, box, ["red", "nir"], profiles, dilation_m=0)
        ours = ndvi(seen.reflectance["red"], seen.reflectance["nir"])
        theirs = delivered.sel(t=np.datetime64(look.date)).to_numpy()
        both = np.isfinite(ours) & np.isfinite(theirs)
        # float32 steps near 1 are 6e-8, and each side rounds a few times.
        np.testing.assert_allclose(ours[both], theirs[both], rtol=0, atol=5e-7)
        compared += int(both.sum())
    assert compared > 50_000


@pytest.mark.parametrize("column", ["ndvi", "pixels", "clear_fraction"])
def test_polygon_means_equal_an_independent_computation(
    summary: RunSummary, programme_file: Path, real: Path, column: str
) -> None:
    """Exactextract called directly on rasters that hold the same clear pixels, to 1e-6."""
    series = pd.read_parquet(summary.output / "series.parquet")
    programme = load_programme(programme_file)
    polygons = gpd.read_file(real / "semi-arid-2019" / "polygons.geojson").to_crs("EPSG:32630")
    # The rim of one pixel that the programme leaves out by default.
    polygons["geometry"] = polygons.buffer(-programme.grid.margin_m)
    assert len(series) > 200
    for day, looks in series.groupby("date"):
        expected = _directly(real, pd.Timestamp(day), polygons).set_index("site_id")
        for _, look in looks.iterrows():
            assert look[column] == pytest.approx(expected.at[look["site_id"], column], abs=1e-6)


def _directly(real: Path, day: pd.Timestamp, polygons: gpd.GeoDataFrame) -> pd.DataFrame:
    """Coverage-weighted NDVI of each polygon on a day, without a line of the pipeline."""
    folder = real / "semi-arid-2019" / "items" / f"s2-l2a-{day:%Y%m%d}"
    with (
        rasterio.open(folder / "red.tif") as red,
        rasterio.open(folder / "nir.tif") as nir,
        rasterio.open(folder / "scl.tif") as scl,
    ):
        r, n, classes = (file.read(1).astype(float) for file in (red, nir, scl))
        profile = {**red.profile, "dtype": "float64", "nodata": float("nan")}
    # These scenes hold classes 0, 4, 5 and few others; what is not clear is blank already.
    clear = np.isin(classes, [4, 5, 7]) & (r > 0) & (n > 0)
    with np.errstate(invalid="ignore", divide="ignore"):
        values = np.where(clear, (n - r) / (n + r), np.nan)
    with MemoryFile() as memory:
        with memory.open(**{**profile, "driver": "GTiff", "count": 1}) as out:
            out.write(values, 1)
        with memory.open() as raster:
            table = exactextract.exact_extract(
                raster, polygons, ["mean", "count"], include_cols=["site_id"], output="pandas"
            )
    whole = polygons.set_index("site_id").area / 100
    return table.assign(
        ndvi=table["mean"],
        pixels=table["count"],
        clear_fraction=table["count"].to_numpy() / whole.loc[table["site_id"]].to_numpy(),
    )
