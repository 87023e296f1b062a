"""`afterrains outlook` on an invented programme: before a run, after it, and its draw by lot."""

import hashlib
import json
import re
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from afterrains.cli import app
from afterrains.delivery.atomic import write_json
from afterrains.delivery.table_files import read_csv, write_csv
from afterrains.delivery.tables import OUTLOOK, OUTLOOK_LOTS, OUTLOOK_RAIN, series_table
from afterrains.jobs.outlook import outlook_of
from afterrains.outlook import detectable_gain, draw_by_lot
from afterrains.programme import load_programme
from afterrains.rain import inspect_rain, sowing_rain
from afterrains.register import read_register
from afterrains.results import HeldSeries, build_panel, judged_table
from afterrains.stages.calendars import full_calendar, watched

YAML = """
programme: {id: lookout, name: "Lookout <b>&</b> dune"}
sites: sites.geojson
sowing: sowing.csv
rain: {table: rain.csv}
scenes: {catalogue: catalog.json, collections: [sentinel-2-l2a], start: 2014-01-01, end: 2022-12-31}
seasons: {from: calendar, rains: [{name: rains, start: 06-15, end: 10-05}]}
evidence: {judged_seasons: 8, growth: {starts_after_seasons: 1, full_after_seasons: 4}}
"""


def _square(number):
    west = 1.0 + 0.02 * number
    ring = [[west, 14], [west + 0.004, 14], [west + 0.004, 14.004], [west, 14.004], [west, 14]]
    return {"type": "Polygon", "coordinates": [ring]}


@pytest.fixture
def programme(tmp_path, rng):
    """The programme file of ten pieces of ground: six sown or to be sown, four controls."""
    names = [*(f"s{n}" for n in range(6)), *(f"c{n}" for n in range(4))]
    features = [
        {
            "type": "Feature",
            "properties": {"site_id": name, "role": "sown" if name[0] == "s" else "control"},
            "geometry": _square(number),
        }
        for number, name in enumerate(names)
    ]
    content = {"type": "FeatureCollection", "features": features}
    (tmp_path / "sites.geojson").write_text(json.dumps(content))
    days = ["2018-06-20"] * 2 + ["2023-06-20"] * 4
    rows = "".join(f"s{n},{day}\n" for n, day in enumerate(days))
    (tmp_path / "sowing.csv").write_text(f"site_id,sown_on\n{rows}")
    dates = pd.date_range("2000-01-01", "2022-12-31")
    wet = dates.month.isin([7, 8, 9]) & (rng.random(len(dates)) < 0.3)
    rain = pd.DataFrame({"date": dates, "rain_mm": np.round(wet * rng.gamma(1, 15, len(dates)), 1)})
    rain.to_csv(tmp_path / "rain.csv", index=False)
    (tmp_path / "catalog.json").write_text("{}")  # named by the file, never read
    (tmp_path / "programme.yaml").write_text(YAML)
    return tmp_path / "programme.yaml"


def _leave_a_record(path, rng):
    """What a run leaves: NDVI of every site every ten days."""
    output = load_programme(path).output_folder
    dates = pd.date_range("2014-01-05", "2022-12-20", freq="10D")
    season = pd.Series(rng.normal(0, 0.02, 12), index=range(2013, 2025))
    names = [*(f"s{n}" for n in range(6)), *(f"c{n}" for n in range(4))]
    parts = []
    for name in names:
        years = pd.Series(rng.normal(0, 0.006, 12), index=range(2013, 2025))
        year = (dates - pd.Timedelta(days=160)).year
        ndvi = 0.2 + rng.normal(0, 0.02) + season[year].to_numpy() + years[year].to_numpy()
        parts.append(pd.DataFrame({"site_id": name, "date": dates, "ndvi": ndvi}))
    table = pd.concat(parts).assign(
        sensor="sentinel-2a", scene_id="x", clear_fraction=1.0, pixels=300.0
    )
    output.mkdir(parents=True, exist_ok=True)
    write_csv(series_table(("ndvi",)), table, output)
    write_json(output / "manifest.json", {"files": []})
    return output


class _Tags(HTMLParser):
    def __init__(self):
        super().__init__()
        self.tags = set()

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)


def test_before_a_run_only_rain_is_told(programme):
    """No record of the ground: the command says so, and the rain part stands."""
    found = outlook_of(programme)
    assert found.gains is None
    assert any("afterrains run" in note for note in found.notes)
    assert not (found.output / "outlook.csv").exists()
    page = (found.output / "outlook.html").read_text()
    assert "not there yet" in page
    assert "Greening is not trees" in page
    assert "Lookout <b>" not in page
    tags = _Tags()
    tags.feed(page)
    assert "script" not in tags.tags
    assert "svg" in tags.tags


def test_good_starts_are_those_of_real_sowings(programme):
    """Each month's count is that of `sowing_rain` asked year by year for a sowing on the 15th."""
    found = outlook_of(programme)
    told = read_csv(OUTLOOK_RAIN, found.output).query("site_id == 's0'").set_index("month")
    settings = load_programme(programme)
    rain, _ = inspect_rain(settings.rain, read_register(settings).sites)
    for month in (3, 7, 9):
        days = [pd.Timestamp(year, month, 15) for year in range(2000, 2022)]
        sowing = pd.DataFrame({"site_id": "s0", "sown_on": days})
        starts = sowing_rain(sowing, rain)
        within = starts[starts["days_waited"] <= 365]
        assert told.loc[month, "good"] >= (within["start"] == "good").sum()
        assert told.loc[month, "good"] <= (within["start"] == "good").sum() + 1  # 2022
        assert (
            told.loc[month, "good"] + told.loc[month, "broken"] + told.loc[month, "none"]
            == (told.loc[month, "years"])
        )


def test_after_a_run_sites_pools_and_plans_are_foreseen(programme, rng):
    """The tables hold what the library says of the same record; a larger pool sees no later."""
    output = _leave_a_record(programme, rng)
    found = outlook_of(programme)
    table = read_csv(OUTLOOK, output)
    assert set(table["scope"]) == {"site", "pool", "plan"}

    settings = load_programme(programme)
    register = read_register(settings)
    rain, _ = inspect_rain(settings.rain, register.sites)
    calendar = watched(full_calendar(settings, rain), settings.scenes.start, settings.scenes.end)
    series = read_csv(series_table(("ndvi",)), output / "series.csv")
    ids = list(register.sites["site_id"])
    values = judged_table(HeldSeries(series, calendar), calendar, ids, ("ndvi",))
    panel = build_panel(values, calendar, register.sites)
    expected = detectable_gain(
        panel, register.sowing, controls=[10], sites=[3], seasons_before=8, judged_seasons=8,
        growth=settings.evidence.growth,
    )  # fmt: skip
    plan = table.query("scope == 'plan' and controls == 10 and sites == 3 and seasons_before == 8")
    finite = np.isfinite(expected["detectable_gain"].to_numpy())
    np.testing.assert_allclose(
        plan["detectable_gain"].to_numpy()[finite],
        expected["detectable_gain"].to_numpy()[finite],
        atol=5e-5,
    )
    assert plan["detectable_gain"].isna().to_numpy()[~finite].all()
    # The default: 5 points of 0.004 NDVI each, full from the fourth season on.
    assert plan["meaningful_gain"].iloc[-1] == pytest.approx(0.02)
    seen = plan["detectable_gain"] <= plan["meaningful_gain"]
    assert (seen.to_numpy() == plan["seen"].to_numpy(dtype=bool)).all()

    first = found.first_seen.set_index(["scope", "site_id", "pool"])["first"]
    assert first["pool", "", "all sites"] <= first["site"].min()
    sown_2018 = table.query("scope == 'site' and site_id == 's0'")
    # The judged, last days of the dry seasons that began in 2013 to 2017 lie before June 2018.
    assert sown_2018["season"].iloc[0] == "2018-dry"
    assert (sown_2018["seasons_before"] == 5).all()
    # Nine are on record; by June 2023 that of 2022 will be the tenth.
    planned = table.query("scope == 'site' and site_id == 's5'")
    assert planned["season"].iloc[0] == "2023-dry"
    assert (planned["seasons_before"] == 10).all()


def test_names_stand_in_the_order_of_their_lines(programme, rng):
    """Beside the drawing's right edge, a higher line has the higher name."""
    _leave_a_record(programme, rng)
    page = (outlook_of(programme).output / "outlook.html").read_text()
    found = re.findall(r'<path class="line \w+" d="([^"]+)"/><text x="[^"]+" y="([^"]+)">', page)
    assert len(found) == 3
    ends = [float(re.findall(r"[\d.]+", path)[-1]) for path, _ in found]
    places = [float(place) for _, place in found]
    assert np.argsort(ends).tolist() == np.argsort(places).tolist()


def test_a_noisier_site_needs_a_larger_gain(programme, rng):
    """One site's record is made three times as noisy: its own row says so, the others' hardly."""
    output = _leave_a_record(programme, rng)
    before = outlook_of(programme).gains.query("scope == 'site'")
    series = read_csv(series_table(("ndvi",)), output / "series.csv")
    year = (series["date"] - pd.Timedelta(days=160)).dt.year
    noise = pd.Series(rng.normal(0, 0.03, 12), index=range(2013, 2025))
    loud = series["site_id"] == "s5"
    series.loc[loud, "ndvi"] += year[loud].map(noise)
    write_csv(series_table(("ndvi",)), series, output)
    after = outlook_of(programme).gains.query("scope == 'site'")

    def last(table, site_id):
        return table.loc[table["site_id"] == site_id, "detectable_gain"].iloc[-1]

    assert last(after, "s5") > 1.3 * last(after, "s4")
    assert last(before, "s5") < 1.3 * last(before, "s4")


def test_lots_fall_on_planned_ground_alone_and_can_be_drawn_again(programme):
    """Four sites are to be sown after the scenes end; half are drawn, with the seed told."""
    found = outlook_of(programme, share=0.5, seed=7)
    lots = read_csv(OUTLOOK_LOTS, found.output)
    assert lots["site_id"].tolist() == ["s2", "s3", "s4", "s5"]
    assert lots["sow_first"].sum() == 2
    assert set(lots["seed"]) == {7}
    again = draw_by_lot(lots[["site_id"]], 0.5, 7)
    assert again["sow_first"].tolist() == lots["sow_first"].tolist()
    assert "seed 7" in (found.output / "outlook.html").read_text()


def test_command_twice_gives_the_same_bytes_and_keeps_the_manifest_true(programme, rng):
    """A later run finds every file as its manifest says, and the outlook's among them."""
    output = _leave_a_record(programme, rng)
    files = ["outlook.csv", "outlook_rain.csv", "outlook_lots.csv", "outlook.html"]
    runner = CliRunner()
    first = runner.invoke(app, ["outlook", str(programme)])
    assert first.exit_code == 0
    assert "Results" in first.stdout
    # Rain falls from July to September: what is sown in November lies until the next.
    months = {line.split()[0]: line for line in first.stdout.splitlines() if line.split()}
    assert "the next rains' start" in months["November"]
    assert "the next rains' start" not in months["June"]
    digests = [hashlib.sha256((output / file).read_bytes()).hexdigest() for file in files]
    second = runner.invoke(app, ["outlook", str(programme), "--json"])
    told = json.loads(second.stdout)
    assert told["page"].endswith("outlook.html")
    assert told["seed"] == 1
    assert len(told["starts"]) == 120
    assert [hashlib.sha256((output / file).read_bytes()).hexdigest() for file in files] == digests
    named = {
        entry["path"]: entry["sha256"]
        for entry in json.loads((output / "manifest.json").read_text())["files"]
    }
    assert [named[file] for file in files] == digests
    package = json.loads((output / "datapackage.json").read_text())
    assert {"outlook", "outlook-rain", "outlook_rain"} & {r["name"] for r in package["resources"]}
