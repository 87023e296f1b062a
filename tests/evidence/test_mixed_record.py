"""A mixed Sentinel-2 and Landsat record: what one family of sensors alone shows is no verdict."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import Point

from afterrains.programme import Evidence
from afterrains.results.panel import build_panel, judged_table
from afterrains.results.series_rows import HeldSeries
from afterrains.results.units import judge_in_units

BEFORE, AFTER, CONTROLS = 7, 6, 10
LOOKS = {"sentinel-2a": 5, "landsat-8": 3}
"""Looks of each family in a dry season's judged window."""
TRUE, FALSE = ("s0", "s1", "s2"), ("s3", "s4", "s5")


@pytest.fixture(scope="module")
def calendar():
    """Dry seasons from October to April."""
    years = range(2010, 2010 + BEFORE + AFTER)
    return pd.DataFrame(
        {
            "season": [f"{year}-dry" for year in years],
            "kind": "dry",
            "start": pd.to_datetime([f"{year}-10-15" for year in years]),
            "end": pd.to_datetime([f"{year + 1}-04-15" for year in years]),
            "observe_from": pd.to_datetime([f"{year}-12-01" for year in years]),
            "complete": True,
        }
    )


def record(calendar, artefact, rise=0.06, noise=0.008):
    """Looks of all sites: three rise in every sensor, three in the family `artefact` alone.

    The latter rise by as much in the mean of all looks. A season's noise is the ground's own and
    so common to the sensors; a look adds its own.
    """
    rng = np.random.default_rng(11)
    share = LOOKS[artefact] / sum(LOOKS.values())
    rows = []
    common = rng.normal(0, 0.02, len(calendar))
    for site in [*TRUE, *FALSE, *(f"c{n}" for n in range(CONTROLS))]:
        level = 0.2 + rng.normal(0, 0.02)
        for place, season in calendar.iterrows():
            grown = float(np.clip((place - BEFORE) / 3, 0, 1))
            ground = level + common[place] + rng.normal(0, noise)
            for sensor, looks in LOOKS.items():
                more = rise if site in TRUE else 0.0
                if site in FALSE and sensor == artefact:
                    more = rise / share
                for look in range(looks):
                    day = season["end"] - pd.Timedelta(days=5 + 9 * look + 4 * (sensor[0] == "l"))
                    value = ground + more * grown + rng.normal(0, noise / 2)
                    rows.append((site, day, sensor, 1.0, value))
    return pd.DataFrame(rows, columns=["site_id", "date", "sensor", "clear_fraction", "ndvi"])


def told(series, calendar):
    """The newest row of each sown site, by the pipeline's own way from looks to verdicts."""
    ids = sorted(series["site_id"].unique())
    sites = gpd.GeoDataFrame(
        {
            "site_id": ids,
            "role": np.where(np.char.startswith(ids, "s"), "sown", "control"),
            "stratum": "",
            "area_ha": 10.0,
        },
        geometry=[Point(1000 * n, 0) for n in range(len(ids))],
        crs="EPSG:32631",
    )
    values = judged_table(HeldSeries(series, calendar), calendar, ids, ("ndvi",))
    panel = build_panel(values, calendar, sites)
    sowing = pd.DataFrame({"site_id": [*TRUE, *FALSE], "sown_on": f"{2010 + BEFORE}-07-01"})
    evidence = Evidence.model_validate(
        {
            "judged_seasons": AFTER,
            "growth": {"starts_after_seasons": 1, "full_after_seasons": 4},
        }
    )
    history = judge_in_units(panel, values, sowing, evidence, frozenset()).history
    return history.groupby("site_id").tail(1).set_index("site_id")


def test_a_rise_that_the_family_with_most_looks_alone_shows_is_taken_back(calendar):
    """What both families show stays; told no sensors, the judge calls all six.

    One false site in five is borne out by chance: support is asked at one-sided 0.2.
    """
    series = record(calendar, "sentinel-2a")
    newest = told(series, calendar)
    assert newest.loc[list(TRUE), "verdict"].tolist() == ["gain"] * 3
    withdrawn = newest.loc[list(FALSE)]
    withdrawn = withdrawn[withdrawn["verdict"] == "too-early"]
    assert len(withdrawn) >= 2
    words = "a gain by the main value, not borne out by the other families of sensors alone"
    assert withdrawn["reason"].str.startswith(words).all()
    untold = told(series.assign(sensor="sentinel-2a"), calendar)
    assert (untold["verdict"] == "gain").all()


def test_a_rise_that_the_family_with_fewer_looks_alone_shows_is_no_gain(calendar):
    """The mean over common dates hardly follows it, and the other family has none of it."""
    newest = told(record(calendar, "landsat-8"), calendar)
    assert newest.loc[list(TRUE), "verdict"].tolist() == ["gain"] * 3
    assert not newest.loc[list(FALSE), "verdict"].isin(["gain", "grass-only"]).any()
