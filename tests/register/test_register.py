"""The register as a whole: what good files give, and what sites and sowings do to each other."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import scipy.stats
from pyproj import Geod
from shapely import box

from afterrains.errors import Finding, InputError
from afterrains.programme import load_programme
from afterrains.register import Register, check, check_inputs, read_register

_TODAY = date(2026, 3, 1)
MakeSquares = Callable[..., gpd.GeoDataFrame]


def _register(folder: Path) -> Register:
    return read_register(load_programme(folder / "programme.yaml"))


def _findings(folder: Path) -> list[Finding]:
    path = folder / "programme.yaml"
    return check_inputs(load_programme(path), path, today=_TODAY)


def _codes(folder: Path) -> list[str]:
    return [finding.code for finding in _findings(folder)]


def _set(folder: Path, more: str) -> None:
    with (folder / "programme.yaml").open("a") as file:
        file.write(more)


def test_good_files_give_no_findings_and_the_promised_columns(folder: Path) -> None:
    assert _findings(folder) == []
    register = _register(folder)
    assert list(register.sites.columns) == [
        "site_id", "role", "name", "stratum", "area_ha", "core", "geometry",
    ]  # fmt: skip
    assert list(register.sowing.columns) == [
        "site_id", "sown_on", "method", "species", "seed_lot", "seed_kg_per_ha", "cost",
    ]  # fmt: skip
    assert register.crs.to_epsg() == 32630
    assert register.sites.crs == register.crs
    assert register.sites["core"].crs == register.crs
    assert register.sites.site_id.is_monotonic_increasing
    assert register.sites.name.eq("").all()
    assert register.sowing.sown_on.dtype == np.dtype("datetime64[ns]")
    assert register.sowing.cost.tolist() == [1_200_000.0] * 3


def test_area_is_geodesic_and_of_the_whole_polygon(
    folder: Path, sites_frame: gpd.GeoDataFrame
) -> None:
    """Against pyproj.Geod on the file's own coordinates, whatever the analysis CRS."""
    geod = Geod(ellps="WGS84")
    expected = [geod.geometry_area_perimeter(shape)[0] / 10_000 for shape in sites_frame.geometry]
    np.testing.assert_allclose(_register(folder).sites.area_ha, expected, rtol=1e-9)
    _set(folder, "grid: {crs: 'EPSG:32631'}\n")
    np.testing.assert_allclose(_register(folder).sites.area_ha, expected, rtol=1e-9)


def test_core_is_the_site_without_one_pixel_or_the_margin_asked_for(folder: Path) -> None:
    """By hand: a square of side a keeps (a - 2m)² of a²; these are turned by a degree or so."""
    sites = _register(folder).sites
    side = np.sqrt(sites.geometry.area)
    np.testing.assert_allclose(sites["core"].area, (side - 20) ** 2, rtol=1e-3)
    _set(folder, "grid: {inner_margin_m: 0}\n")
    sites = _register(folder).sites
    np.testing.assert_allclose(sites["core"].area, sites.geometry.area, rtol=1e-12)


def test_order_of_features_and_rows_does_not_matter(
    folder: Path, sites_frame: gpd.GeoDataFrame, rng: np.random.Generator
) -> None:
    before = _register(folder)
    shuffled = sites_frame.iloc[rng.permutation(len(sites_frame))]
    shuffled.to_file(folder / "sites.geojson")
    header, *rows = (folder / "sowing.csv").read_text().splitlines()
    (folder / "sowing.csv").write_text("\n".join([header, *rows[::-1]]))
    after = _register(folder)
    pd.testing.assert_frame_equal(
        pd.DataFrame(before.sites.drop(columns=["core", "geometry"])),
        pd.DataFrame(after.sites.drop(columns=["core", "geometry"])),
    )
    assert before.sites.geometry.geom_equals(after.sites.geometry).all()
    pd.testing.assert_frame_equal(before.sowing, after.sowing)


def test_sowings_are_sorted_and_what_is_missing_is_nan_or_empty(folder: Path) -> None:
    (folder / "sowing.csv").write_text(
        "sown_on,site_id\n2021-07-01,plot-03\n2020-07-01,plot-06\n2019-07-01,plot-03\n"
        "2020-07-01,plot-00\n"
    )
    sowing = _register(folder).sowing
    assert sowing.site_id.tolist() == ["plot-00", "plot-03", "plot-03", "plot-06"]
    assert sowing.sown_on.dt.year.tolist() == [2020, 2019, 2021, 2020]
    assert sowing[["seed_kg_per_ha", "cost"]].isna().all(axis=None)
    assert sowing[["method", "species", "seed_lot"]].eq("").all(axis=None)


def test_errors_of_both_files_are_raised_together(folder: Path) -> None:
    (folder / "sites.geojson").write_text("nothing")
    (folder / "sowing.csv").write_text("site_id,sown_on\nplot-00,yesterday\n")
    with pytest.raises(InputError) as raised:
        _register(folder)
    codes = [finding.code for finding in raised.value.findings]
    assert codes == ["sites-unreadable", "sowing-bad-date"]


def test_check_finds_no_error_where_reading_raises_none(folder: Path) -> None:
    (folder / "sowing.csv").write_text("site_id,sown_on\nplot-00,2020-06-15\n")
    assert "sowing-missing-site" in _codes(folder)
    with pytest.raises(InputError, match="'plot-03', 'plot-06'"):
        _register(folder)


def test_sown_ground_over_a_control_is_an_error_beyond_one_percent(
    folder: Path, sites_frame: gpd.GeoDataFrame
) -> None:
    """By hand: of a square 0.0028° wide, 0.5 % and 2 % overlap when its neighbour starts there."""
    for share, code in ((0.005, "site-touches-control"), (0.02, "site-sown-over-control")):
        west = -2.0 + 0.0028 * (1 - share)
        sites_frame.loc[1, "geometry"] = box(west, 14.0, west + 0.0028, 14.0027)
        sites_frame.to_file(folder / "sites.geojson")
        (finding,) = _findings(folder)
        assert finding.code == code
        assert f"{share:.1%} of the smaller" in finding.what
        assert f"{9.036 * share:.2f} ha" in finding.what


def test_a_control_inside_sown_ground_is_measured_by_the_smaller(
    folder: Path, sites_frame: gpd.GeoDataFrame
) -> None:
    sites_frame.loc[1, "geometry"] = box(-1.9995, 14.0005, -1.998, 14.002)
    sites_frame.to_file(folder / "sites.geojson")
    (finding,) = _findings(folder)
    assert finding.code == "site-sown-over-control"
    assert "100.0% of the smaller" in finding.what


def test_neighbours_that_share_an_edge_do_not_overlap(
    folder: Path, sites_frame: gpd.GeoDataFrame
) -> None:
    sites_frame.loc[1, "geometry"] = box(-2.0 + 0.0028, 14.0, -2.0 + 0.0056, 14.0027)
    sites_frame.to_crs(32630).to_file(folder / "sites.gpkg")
    (folder / "programme.yaml").write_text(
        (folder / "programme.yaml").read_text().replace("sites.geojson", "sites.gpkg")
    )
    assert _codes(folder) in ([], ["site-touches-control"])  # rounding of shared corners
    assert _register(folder).sites.shape[0] == 9


@pytest.mark.parametrize("controls", [2, 3, 4])
def test_what_few_controls_can_show_is_the_power_of_the_t_test(controls: int) -> None:
    """Crawford and Howell (1998): t = (x - mean) / (s sqrt(1 + 1/J)) with J - 1 degrees of freedom.

    The smallest shift seen in 80 % of cases, two-sided at 0.05, by scipy's noncentral t. Messages
    give it to two digits.
    """
    spread, freedom = np.sqrt(1 + 1 / controls), controls - 1
    limit = scipy.stats.t.ppf(0.975, freedom)
    reach = check._REACH[controls]

    def power(shift: float) -> float:
        return float(scipy.stats.nct.sf(limit, freedom, shift / spread))

    assert power(reach * 0.98) < 0.8 < power(reach * 1.02)


def test_sampled_controls_ask_for_no_listed_ones(folder: Path, squares: MakeSquares) -> None:
    frame = squares(1)
    frame.to_file(folder / "sites.geojson")
    (folder / "sowing.csv").write_text("site_id,sown_on\nplot-00,2020-06-15\n")
    assert _codes(folder) == ["sites-no-control"]
    _set(folder, "controls: {choose: sampled}\n")
    assert _codes(folder) == []


def test_sites_on_both_sides_of_180_are_laid_out_in_one_zone(
    folder: Path, squares: MakeSquares
) -> None:
    """Zones 60 and 1 meet there; PROJ carries zone 60 across, where lengths hold to 0.2 %."""
    east, west = squares(6, west=179.9), squares(3, west=-179.99)
    west["site_id"] = ["west-0", "west-1", "west-2"]
    frame = pd.concat([east, west], ignore_index=True)
    frame.to_file(folder / "sites.geojson")
    rows = "".join(f"{name},2020-06-15\n" for name in frame.site_id[frame.role == "sown"])
    (folder / "sowing.csv").write_text("site_id,sown_on\n" + rows)
    assert _codes(folder) == ["sites-several-zones"]
    register = _register(folder)
    assert register.crs.to_epsg() == 32660
    areas = register.sites.geometry.area / 10_000
    np.testing.assert_allclose(areas, register.sites.area_ha, rtol=4e-3)


def test_sowing_after_the_scenes_is_told_and_an_impossible_one_refused(folder: Path) -> None:
    header = "site_id,sown_on\nplot-00,2020-06-15\nplot-03,2020-06-15\nplot-06,"
    for day, codes in (
        ("2025-12-31", []),
        ("2026-01-01", ["sowing-after-scenes"]),
        ("2027-03-01", ["sowing-after-scenes"]),
        ("2027-03-03", ["sowing-date-impossible"]),
        ("1972-07-22", ["sowing-date-impossible"]),
    ):
        (folder / "sowing.csv").write_text(header + day + "\n")
        assert _codes(folder) == codes, day


def test_two_years_before_sowing_are_asked_for(folder: Path) -> None:
    """Scenes start on 2017-01-01; two years of 365.25 days end on 2019-01-01 at noon."""
    for day, codes in (("2019-01-01", ["scenes-start-late"]), ("2019-01-02", [])):
        rows = "".join(f"plot-{at},{day}\n" for at in ("00", "03", "06"))
        (folder / "sowing.csv").write_text("site_id,sown_on\n" + rows)
        assert _codes(folder) == codes


def test_inputs_are_never_written(folder: Path) -> None:
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    _findings(folder)
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
