"""Controls beside sown ground: distances by hand, and none of them in a comparison."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd
import pytest
from shapely import box
from test_results import ground_of

from afterrains.results import build_tables
from afterrains.results.spill_over import beside_sown_ground, with_those_beside

# A sown square of 100 m; controls 10 m and 60 m beside it, one 80 m off in both directions
# (113.1 m, by Pythagoras), one that touches another sown square.
SITES = gpd.GeoDataFrame(
    {
        "site_id": ["s1", "s2", "near", "far", "corner", "touching"],
        "role": ["sown", "sown", "control", "control", "control", "control"],
    },
    geometry=[
        box(0, 0, 100, 100),
        box(5000, 0, 5100, 100),
        box(110, 0, 210, 100),
        box(-160, 0, -60, 100),
        box(180, 180, 280, 280),
        box(5100, 0, 5200, 100),
    ],
    crs="EPSG:32631",
)


@pytest.mark.parametrize(
    ("least_m", "told"),
    [
        (0, {}),
        (50, {"near": 10, "touching": 0}),
        (60, {"near": 10, "touching": 0}),
        (61, {"near": 10, "touching": 0, "far": 60}),
        (114, {"near": 10, "touching": 0, "far": 60, "corner": 80 * 2**0.5}),
    ],
)
def test_distances_between_outlines(least_m: float, told: dict[str, float]) -> None:
    found = beside_sown_ground(SITES, least_m)
    assert found.to_dict() == pytest.approx(told)


def test_those_left_out_are_told_in_the_table_of_controls() -> None:
    used = pd.DataFrame({"site_id": ["far"], "weight_total": [1.5], "used_by": [2], "note": [""]})
    table = with_those_beside(used, beside_sown_ground(SITES, 50)).set_index("site_id")
    assert table.loc["near", "note"] == "not used: 10 m from sown ground"
    assert table.loc["touching", "used_by"] == 0
    assert table.loc["far", "used_by"] == 2
    assert list(with_those_beside(used, beside_sown_ground(SITES, 0))["site_id"]) == ["far"]


def test_a_control_beside_sown_ground_moves_no_verdict() -> None:
    """The control c1, 800 m from b, may do what it likes; with all left out nothing is said."""
    calm = ground_of(range(2010, 2019))
    wild = ground_of(range(2010, 2019))
    values = wild["values"]
    later = (values["site_id"] == "c1") & (values["season"] > "2015")
    values.loc[later, "judged_value"] -= 0.5
    without = build_tables(**calm, spill_over_m=900)
    same = build_tables(**wild, spill_over_m=900)
    columns = ["site_id", "verdict", "gain", "gain_low", "gain_high", "controls"]
    pd.testing.assert_frame_equal(without.verdicts[columns], same.verdicts[columns])
    assert set(without.verdicts["controls"]) == {3}
    notes = same.controls.set_index("site_id")["note"]
    assert notes["c1"] == "not used: 800 m from sown ground"
    nobody = build_tables(**calm, spill_over_m=10_000)
    assert set(nobody.verdicts["verdict"]) == {"not-assessable"}
