"""Gridded rain: one truth in NetCDF, Zarr and GeoTIFF, weighted by the ground that sites cover."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pystac
import pytest
import rasterio
import shapely
import xarray as xr
from affine import Affine
from shapely.geometry import Point, box

from afterrains.errors import InputError
from afterrains.programme import Rain, RainCatalogue
from afterrains.rain import check_rain, read_rain

# xarray's Zarr writer says so of every string attribute; of no effect on numbers.
pytestmark = pytest.mark.filterwarnings("ignore:Consolidated metadata is currently not part")

LON = np.arange(10.05, 11.0, 0.1)
LAT = np.arange(14.95, 14.0, -0.1)  # from north to south
DAYS = pd.date_range("2021-05-20", periods=400)


@pytest.fixture
def sites() -> gpd.GeoDataFrame:
    """In longitude and latitude: a square on four cells, a triangle, a small disc in one cell."""
    shapes = [
        box(10.25, 14.25, 10.375, 14.5),
        shapely.Polygon([(10.5, 14.05), (10.93, 14.1), (10.61, 14.62)]),
        Point(10.72, 14.77).buffer(0.01),
    ]
    return gpd.GeoDataFrame({"site_id": ["square", "triangle", "disc"]}, geometry=shapes, crs=4326)


@pytest.fixture
def truth(rng) -> np.ndarray:
    """Rain in mm a day (time, lat, lon) with a missing corner and one missing day."""
    wet = rng.random((len(DAYS), len(LAT), len(LON))) < 0.3
    rain = np.where(wet, rng.gamma(0.8, 12, size=wet.shape), 0.0).astype(np.float32)
    rain[7] = np.nan
    return rain


def expected(truth: np.ndarray, sites: gpd.GeoDataFrame) -> pd.DataFrame:
    """Area-weighted means by shapely's intersections, cell by cell."""
    found = {}
    for site_id, shape in zip(sites["site_id"], sites.geometry, strict=True):
        weights = np.array(
            [
                [box(x - 0.05, y - 0.05, x + 0.05, y + 0.05).intersection(shape).area for x in LON]
                for y in LAT
            ]
        )
        found[site_id] = (truth * weights).sum(axis=(1, 2)) / weights.sum()
    return pd.DataFrame(found, index=DAYS[: len(truth)])


def cube(values: np.ndarray, units: str = "mm/day", **coords) -> xr.Dataset:
    rain = xr.DataArray(
        values,
        dims=("time", "lat", "lon"),
        coords={"time": DAYS[: len(values)], "lat": LAT, "lon": LON} | coords,
        name="precip",
        attrs={"units": units},
    )
    return rain.to_dataset()


def write_bands(path: Path, values: np.ndarray, days: pd.DatetimeIndex, unit: str = "mm") -> Path:
    profile = {
        "driver": "GTiff",
        "width": len(LON),
        "height": len(LAT),
        "count": len(values),
        "dtype": "float32",
        "crs": "EPSG:4326",
        "transform": Affine(0.1, 0, 10.0, 0, -0.1, 15.0),
        "nodata": -9999.0,
    }
    with rasterio.open(path, "w", **profile) as dataset:
        dataset.write(np.where(np.isnan(values), -9999.0, values).astype(np.float32))
        for band, day in enumerate(days, start=1):
            dataset.set_band_description(band, f"{day:%Y-%m-%d}")
            dataset.set_band_unit(band, unit)
    return path


def write_folder(folder: Path, values: np.ndarray, days: pd.DatetimeIndex, unit="mm") -> Path:
    folder.mkdir()
    for layer, day in zip(values, days, strict=True):
        write_bands(
            folder / f"rain-v2.{day:%Y.%m.%d}.tif", layer[None], pd.DatetimeIndex([day]), unit
        )
    return folder


def read(path: Path, sites: gpd.GeoDataFrame) -> pd.DataFrame:
    record = read_rain(Rain(grid=path), sites)
    assert record.step == "daily"
    return record.daily


def check(path: Path, sites: gpd.GeoDataFrame | None) -> list[str]:
    return [finding.code for finding in check_rain(Rain(grid=path), sites)]


def same(found: pd.DataFrame, wanted: pd.DataFrame) -> None:
    """Float32 grids and exactextract's float32 coverage leave 1e-6 of a value."""
    pd.testing.assert_frame_equal(found, wanted, rtol=2e-6, atol=1e-6, check_freq=False)


def test_three_formats_give_the_same_series(tmp_path, truth, sites):
    """Weights by shapely.intersection, which shares no code with exactextract's coverage."""
    wanted = expected(truth, sites)
    cube(truth).to_netcdf(tmp_path / "rain.nc")
    cube(truth).chunk(time=100, lat=4, lon=3).to_zarr(tmp_path / "rain.zarr")
    paths = [
        tmp_path / "rain.nc",
        tmp_path / "rain.zarr",
        write_bands(tmp_path / "rain.tif", truth, DAYS),
        write_folder(tmp_path / "days", truth, DAYS),
    ]
    read_back = [read(path, sites) for path in paths]
    for found in read_back:
        same(found, wanted)
        assert found.isna().sum().tolist() == [1, 1, 1]
        pd.testing.assert_frame_equal(found, read_back[0], rtol=1e-12)


def test_sites_may_lie_in_another_crs(tmp_path, truth, sites):
    """Straight edges bend a little between the two: a thousandth of the weights at most."""
    cube(truth).to_netcdf(tmp_path / "rain.nc")
    found = read(tmp_path / "rain.nc", sites.to_crs(32632))
    np.testing.assert_allclose(found, expected(truth, sites), rtol=5e-3, atol=1e-2)


@pytest.mark.parametrize(
    ("units", "factor"), [("kg m-2 s-1", 1 / 86_400), ("m", 1e-3), ("mm", 1), ("mm/day", 1)]
)
def test_units_are_turned_into_mm(tmp_path, truth, sites, units, factor):
    cube(truth.astype(np.float64) * factor, units).to_netcdf(tmp_path / "rain.nc")
    same(read(tmp_path / "rain.nc", sites), expected(truth, sites))


@pytest.mark.parametrize("turn", ["south up", "0 to 360", "time last", "packed", "NetCDF 3"])
def test_layouts_of_the_file_do_not_matter(tmp_path, truth, sites, turn):
    data, encoding, form = cube(truth), {}, None
    wanted = expected(truth, sites)
    if turn == "south up":
        data = data.isel(lat=slice(None, None, -1))
    elif turn == "0 to 360":
        # The same cells 20 degrees to the west, across Greenwich.
        data = data.assign_coords(lon=(LON - 10.5) % 360).sortby("lon")
        sites = sites.set_geometry(sites.translate(-10.5))
    elif turn == "time last":
        data = data.transpose("lon", "lat", "time")
    elif turn == "packed":
        encoding = {"precip": {"dtype": "int16", "scale_factor": 0.01, "_FillValue": -9999}}
        wanted = expected(np.round(truth, 2), sites)
    else:
        form = "NETCDF3_64BIT"
    engine = "scipy" if form else "h5netcdf"
    data.to_netcdf(tmp_path / "rain.nc", engine=engine, encoding=encoding, format=form)
    found = read(tmp_path / "rain.nc", sites)
    # Packed numbers are the nearest hundredth of a millimetre.
    atol = 6e-3 if turn == "packed" else 2e-6
    np.testing.assert_allclose(found, wanted, rtol=3e-6, atol=atol)


def test_any_chunks_give_the_same_series(tmp_path, truth, sites, monkeypatch):
    """Blocks are cut by the file's chunks and by a limit; neither changes a number."""
    wanted = expected(truth, sites)
    for number, chunks in enumerate([(1, 10, 10), (400, 2, 3), (37, 7, 4)]):
        path = tmp_path / f"rain{number}.nc"
        cube(truth).to_netcdf(path, encoding={"precip": {"chunksizes": chunks}})
        for limit in (50, 5000, 10**7):
            monkeypatch.setattr("afterrains.rain.netcdf._BLOCK_VALUES", limit)
            same(read(path, sites), wanted)


def test_pentads_are_spread_and_said_to_be(tmp_path, sites):
    """By hand: 15 mm in each pentad of June 2021, 5 days each."""
    starts = pd.DatetimeIndex([f"2021-06-{day:02}" for day in (1, 6, 11, 16, 21, 26)])
    values = np.full((6, len(LAT), len(LON)), 15.0, dtype=np.float32)
    cube(values, "mm/pentad", time=starts).to_netcdf(tmp_path / "rain.nc")
    for path in (tmp_path / "rain.nc", write_folder(tmp_path / "p", values, starts)):
        record = read_rain(Rain(grid=path), sites)
        assert record.step == "pentad"
        assert record.daily.shape == (30, 3)
        np.testing.assert_allclose(record.daily, 3.0)


def test_time_bounds_name_the_day(tmp_path, truth, sites):
    """Stamps at the end of the day, as some reanalyses have them; the bounds say so."""
    data = cube(truth[:30], time=DAYS[:30] + pd.Timedelta(days=1))
    data["time"].attrs["bounds"] = "time_bnds"
    data["time"].encoding["units"] = "days since 1981-01-01"
    data["time_bnds"] = (("time", "nv"), np.stack([DAYS[:30], DAYS[:30] + pd.Timedelta(days=1)], 1))
    data.to_netcdf(tmp_path / "rain.nc")
    same(read(tmp_path / "rain.nc", sites), expected(truth, sites)[:30])


def test_missing_cells_leave_the_others_until_half_is_missing(tmp_path, truth, sites):
    """By hand: the square covers two columns 4:1, five rows alike."""
    square = sites[sites["site_id"] == "square"]
    values = truth[:3].copy()
    values[:] = 0.0
    values[:, :, 2] = 10.0  # 10.2 to 10.3: half of the cell is covered, 10.25 to 10.3
    values[:, :, 3] = 20.0  # 10.3 to 10.4: three quarters
    values[1, :, 2] = np.nan
    values[2, :, 3] = np.nan
    cube(values).to_netcdf(tmp_path / "rain.nc")
    found = read(tmp_path / "rain.nc", square)["square"].to_numpy()
    np.testing.assert_allclose(found[:2], [(0.5 * 10 + 0.75 * 20) / 1.25, 20.0], rtol=1e-6)
    assert np.isnan(found[2])  # 0.75 of 1.25 is missing: more than half


def test_negative_and_impossible_values_are_refused_with_their_day(tmp_path, truth, sites):
    values = truth.copy()
    values[12] = -9999.0  # a fill value that the file does not declare
    values[20] = 2500.0
    cube(values).to_netcdf(tmp_path / "rain.nc", encoding={"precip": {"_FillValue": None}})
    findings = check_rain(Rain(grid=tmp_path / "rain.nc"), sites)
    assert [(finding.code, finding.where) for finding in findings] == [
        ("rain-negative", "2021-06-01"),
        ("rain-impossible", "2021-06-09"),
    ]
    with pytest.raises(InputError, match="below zero at the sites, here -9999 mm"):
        read_rain(Rain(grid=tmp_path / "rain.nc"), sites)


def test_a_hair_below_zero_is_zero(tmp_path, truth, sites):
    values = np.where(truth == 0, np.float32(-1e-7), truth)
    cube(values).to_netcdf(tmp_path / "rain.nc")
    assert read(tmp_path / "rain.nc", sites).min().min() >= 0


def test_impossible_values_elsewhere_are_of_no_account(tmp_path, truth, sites):
    values = truth.copy()
    values[:, 0, 0] = -9999.0
    cube(values).to_netcdf(tmp_path / "rain.nc")
    assert check(tmp_path / "rain.nc", sites) == []


def test_sites_off_the_grid_are_named(tmp_path, truth, sites):
    far = sites.set_geometry(sites.translate(0.3, 0))
    cube(truth).to_netcdf(tmp_path / "rain.nc")
    findings = check_rain(Rain(grid=tmp_path / "rain.nc"), far)
    assert [(finding.severity, finding.code, finding.where) for finding in findings] == [
        ("warning", "rain-grid-part-of-site", "site_id 'triangle'"),
        ("error", "rain-grid-off-site", "site_id 'disc'"),
    ]
    nowhere = sites.set_geometry(sites.translate(50, 0))
    assert check(tmp_path / "rain.nc", nowhere) == ["rain-grid-off-site"] * 3


@pytest.mark.parametrize(
    ("change", "code"),
    [
        (lambda d: d.precip.attrs.update(units="K"), "rain-grid-unit"),
        (lambda d: d.precip.attrs.pop("units"), "rain-grid-unit"),
        (lambda d: d.precip.attrs.update(units="m/day"), "rain-impossible"),
    ],
)
def test_wrong_units_are_refused(tmp_path, truth, sites, change, code):
    data = cube(truth)
    change(data)
    data.to_netcdf(tmp_path / "rain.nc")
    assert check(tmp_path / "rain.nc", sites) == [code]


def test_a_year_without_a_millimetre_tells_of_a_wrong_unit(tmp_path, truth, sites):
    """Metres and kg m-2 s-1 that are declared as mm a day."""
    for number, factor in enumerate((1e-3, 1 / 86_400)):
        cube(truth * 0.5 * factor).to_netcdf(tmp_path / f"{number}.nc")
        assert check(tmp_path / f"{number}.nc", sites) == ["rain-implausible"]


def test_faults_of_the_file_are_told(tmp_path, truth, sites):
    def wrong(data: xr.Dataset, name: str) -> list[str]:
        data.to_netcdf(tmp_path / name)
        return check(tmp_path / name, sites)

    good = cube(truth)
    two = good.assign(other=good.precip.assign_attrs(units="mm"))
    assert wrong(two, "two.nc") == ["rain-grid-variables"]
    named = two.assign(precip=good.precip.assign_attrs(standard_name="precipitation_flux"))
    assert wrong(named, "named.nc") == []
    assert wrong(good.isel(lat=0), "flat.nc") == ["rain-grid-no-variable"]
    assert wrong(good.rename(lat="a", lon="b"), "axes.nc") == ["rain-grid-axes"]
    bent = good.assign_coords(lon=LON + np.linspace(0, 0.2, len(LON)) ** 2)
    assert wrong(bent, "bent.nc") == ["rain-grid-irregular"]
    metres = good.rename(lat="y", lon="x").assign_coords(x=LON * 1e4, y=LAT * 1e4)
    assert wrong(metres, "metres.nc") == ["rain-grid-crs"]
    monthly = good.isel(time=slice(0, 5)).assign_coords(
        time=pd.date_range("2021", periods=5, freq="MS")
    )
    assert wrong(monthly, "monthly.nc") == ["rain-grid-time"]
    days360 = xr.date_range("2021-01-01", periods=400, calendar="360_day", use_cftime=True)
    assert wrong(good.assign_coords(time=days360), "days360.nc") == ["rain-grid-time"]


def test_files_that_are_no_grids_are_told(tmp_path, sites):
    (tmp_path / "text.nc").write_text("not a grid")
    (tmp_path / "text.tif").write_text("not a grid")
    (tmp_path / "empty").mkdir()
    (tmp_path / "bad.zarr").mkdir()
    (tmp_path / "bad.zarr" / "zarr.json").write_text("{")
    assert check(tmp_path / "text.nc", sites) == ["rain-grid-unreadable"]
    assert check(tmp_path / "text.tif", sites) == ["rain-grid-unreadable"]
    assert check(tmp_path / "empty", sites) == ["rain-grid-empty"]
    assert check(tmp_path / "bad.zarr", sites) == ["rain-grid-unreadable"]


def test_a_file_cut_short_is_told(tmp_path, truth, sites):
    cube(truth).to_netcdf(tmp_path / "rain.nc", encoding={"precip": {"chunksizes": (50, 10, 10)}})
    whole = (tmp_path / "rain.nc").read_bytes()
    (tmp_path / "rain.nc").write_bytes(whole[: len(whole) // 2])
    assert check(tmp_path / "rain.nc", sites) == ["rain-grid-unreadable"]


def test_without_sites_only_the_face_is_checked(tmp_path, truth, sites):
    cube(truth, "K").to_netcdf(tmp_path / "bad.nc")
    cube(truth).to_netcdf(tmp_path / "good.nc")
    assert check(tmp_path / "bad.nc", None) == ["rain-grid-unit"]
    assert check(tmp_path / "good.nc", None) == []
    with pytest.raises(ValueError, match="read at sites"):
        read_rain(Rain(grid=tmp_path / "good.nc"))


def test_rasters_without_a_unit_warn(tmp_path, truth, sites):
    path = write_bands(tmp_path / "rain.tif", truth, DAYS, unit="")
    assert check(path, sites) == ["rain-grid-no-unit"]
    same(read(path, sites), expected(truth, sites))


def test_rasters_without_days_or_on_mixed_grids_are_told(tmp_path, truth, sites):
    folder = write_folder(tmp_path / "days", truth[:5], DAYS[:5])
    (folder / "notes.txt").write_text("of no account")
    with rasterio.open(folder / f"rain-v2.{DAYS[3]:%Y.%m.%d}.tif", "r+") as dataset:
        dataset.transform = Affine(0.1, 0, 10.05, 0, -0.1, 15.0)
    with rasterio.open(folder / f"rain-v2.{DAYS[4]:%Y.%m.%d}.tif", "r+") as dataset:
        dataset.set_band_unit(1, "m")
    assert check(folder, sites) == ["rain-grid-mixed", "rain-grid-mixed"]
    (folder / "average.tif").write_bytes(b"")
    assert check(folder, sites) == ["rain-grid-no-date"]
    path = write_bands(tmp_path / "rain.tif", truth[:3], DAYS[:3])
    with rasterio.open(path, "r+") as dataset:
        dataset.set_band_description(2, "mean of 1981")
    assert check(path, sites) == ["rain-grid-no-date"]


def test_a_day_given_twice_is_told(tmp_path, truth, sites):
    twice = pd.DatetimeIndex([DAYS[0], DAYS[1], DAYS[1]])
    path = write_bands(tmp_path / "rain.tif", truth[:3], twice)
    findings = check_rain(Rain(grid=path), sites)
    assert [finding.code for finding in findings] == ["rain-grid-time"]
    assert "two time steps on 2021-05-21" in findings[0].what


def test_scaled_rasters(tmp_path, truth, sites):
    """Stored tenths of a millimetre, as the file's own scale says."""
    path = write_bands(tmp_path / "rain.tif", truth * 10, DAYS)
    with rasterio.open(path, "r+") as dataset:
        dataset.scales = [0.1] * dataset.count
    same(read(path, sites), expected(truth, sites))


def make_catalogue(
    folder: Path, truth: np.ndarray, days: pd.DatetimeIndex, **band
) -> RainCatalogue:
    """A static catalogue by pystac, one item and one raster a day."""
    rasters = write_folder(folder / "rasters", truth, days, unit="")
    root = pystac.Catalog("root", "rain")
    everywhere = pystac.Extent(
        pystac.SpatialExtent([[10, 14, 11, 15]]),
        pystac.TemporalExtent([[datetime(2021, 1, 1, tzinfo=UTC), None]]),
    )
    for name in ("daily-rain", "other"):
        collection = pystac.Collection(name, name, extent=everywhere)
        for day in days:
            item = pystac.Item(
                f"{name}-{day:%Y%m%d}",
                shapely.geometry.mapping(box(10, 14, 11, 15)),
                [10, 14, 11, 15],
                datetime(day.year, day.month, day.day, tzinfo=UTC),
                {},
            )
            href = str(rasters / f"rain-v2.{day:%Y.%m.%d}.tif")
            extra = {"raster:bands": [{"unit": "mm/day"} | band]}
            item.add_asset("rain", pystac.Asset(href, extra_fields=extra))
            collection.add_item(item)
        root.add_child(collection)
    root.normalize_hrefs(str(folder / "stac"))
    root.make_all_asset_hrefs_relative()
    root.save(pystac.CatalogType.SELF_CONTAINED)
    return RainCatalogue(
        url=str(folder / "stac" / "catalog.json"), collection="daily-rain", asset="rain"
    )


def test_a_catalogue_gives_the_same_series(tmp_path, truth, sites):
    catalogue = make_catalogue(tmp_path, truth[:40], DAYS[:40])
    record = read_rain(Rain(catalogue=catalogue), sites)
    same(record.daily, expected(truth, sites)[:40])
    assert "collection daily-rain, asset rain" in record.source


def test_a_catalogue_may_state_scale_offset_and_nodata(tmp_path, truth, sites):
    """By hand: stored (mm - 1) x 10, and -9999 where missing."""
    stored = (truth[:40] - 1) * 10
    stored[9] = -5555.0
    catalogue = make_catalogue(tmp_path, stored, DAYS[:40], scale=0.1, offset=1.0, nodata=-5555.0)
    wanted = truth[:40].copy()
    wanted[9] = np.nan
    record = read_rain(Rain(catalogue=catalogue), sites)
    # (x - 1) * 10 was rounded to float32 on the way: 1e-5 of a millimetre.
    np.testing.assert_allclose(record.daily, expected(wanted, sites)[:40], atol=2e-5)


def test_faults_of_a_catalogue_are_told(tmp_path, truth, sites):
    catalogue = make_catalogue(tmp_path, truth[:4], DAYS[:4])

    def codes(**change) -> list[str]:
        changed = catalogue.model_copy(update=change)
        return [finding.code for finding in check_rain(Rain(catalogue=changed), sites)]

    assert codes() == []
    assert codes(collection="none") == ["rain-catalogue-empty"]
    assert codes(asset="none") == ["rain-catalogue-asset"] * 4
    assert codes(url=str(tmp_path / "none.json")) == ["rain-catalogue-unreadable"]
    far = sites.set_geometry(sites.translate(50, 0))
    assert [f.code for f in check_rain(Rain(catalogue=catalogue), far)] == ["rain-catalogue-empty"]

    item = next((tmp_path / "stac" / "daily-rain").glob("*/*.json"))
    document = json.loads(item.read_text())
    document["assets"]["rain"]["href"] = "/vsicurl/http://example.org/rain.tif"
    item.write_text(json.dumps(document))
    assert codes() == ["rain-catalogue-item"]
    document["assets"] = "nothing"
    item.write_text(json.dumps(document))
    assert codes() == ["rain-catalogue-item"]


def test_a_raster_that_is_missing_is_told_not_taken_as_dry(tmp_path, truth, sites):
    catalogue = make_catalogue(tmp_path, truth[:4], DAYS[:4])
    (tmp_path / "rasters" / f"rain-v2.{DAYS[2]:%Y.%m.%d}.tif").unlink()
    findings = check_rain(Rain(catalogue=catalogue), sites)
    assert [(f.code, f.file) for f in findings] == [
        ("rain-grid-unreadable", f"daily-rain-{DAYS[2]:%Y%m%d}")
    ]
