"""Drawing visits from a finished run, and every file for the field team."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
import zipfile
from datetime import datetime
from pathlib import Path
from unittest.mock import Mock

import geopandas as gpd
import numpy as np
import openpyxl
import pandas as pd
import pytest
from fake_output import HOSTILE_NAMES
from lxml import etree
from pyxform.xls2xform import convert
from typer.testing import CliRunner

from afterrains.cli import app
from afterrains.delivery.page import build
from afterrains.delivery.table_files import read_csv
from afterrains.delivery.tables import VISITS
from afterrains.delivery.tables.field import VISIT_DESIGN, VISIT_GROUND
from afterrains.errors import InputError, OutputError
from afterrains.field import read_frame, species_codes
from afterrains.field.drawing import RANDOM_WHY
from afterrains.field.form import write_form
from afterrains.jobs import visits as visitwork
from afterrains.jobs.visits import plan_visits

_GPX = "{http://www.topografix.com/GPX/1/1}"
_NOT_IN_XML_OR_ON_ONE_LINE = "\u202e\u202c\u200f\x00\x07\x1b"


def test_contract_columns():
    """Contract section 4."""
    assert VISITS.column_names == [
        "visit_id", "site_id", "lon", "lat", "why", "stratum", "inclusion_probability",
    ]  # fmt: skip


def test_inclusion_probabilities_sum_to_the_sample_size(programme, output):
    """Over all pixels of a stratum the chances sum to its visits, over all strata to the sample."""
    drawn = plan_visits(programme, points=50)
    ground = read_csv(VISIT_GROUND, output)
    design = read_csv(VISIT_DESIGN, output)
    random = design[design["part"] == "random"]
    # As written, to six decimals.
    sums = (ground["pixels"] * ground["inclusion_probability"]).groupby(ground["sampling_stratum"])
    count = random.groupby("sampling_stratum").size()
    assert sums.sum().to_dict() == pytest.approx(count.to_dict(), rel=2e-3)
    exact = drawn.ground["pixels"] * drawn.ground["inclusion_probability"]
    assert exact.sum() == pytest.approx(len(random), rel=1e-12)
    assert len(design) == 50 and design["visit_id"].is_unique


def test_every_place_lies_in_its_site_on_the_grid(programme, output):
    """Told by shapely and by the grid of the rasters, which start at a multiple of 10 m."""
    visits = plan_visits(programme, points=40).visits
    sites = gpd.read_file(output / "sites.geojson").set_index("site_id")
    points = gpd.GeoSeries.from_xy(visits["lon"], visits["lat"], crs=4326)
    assert all(
        sites.geometry[site].contains(point)
        for site, point in zip(visits["site_id"], points, strict=True)
    )
    there = points.to_crs(read_frame(output).crs)
    # Six decimals of a degree are a tenth of a metre.
    assert np.abs((there.x - 5) % 10).max() < 0.2 or np.abs((there.x % 10) - 5).max() < 0.2
    assert np.abs((there.y % 10) - 5).max() < 0.2


def test_controls_on_which_verdicts_rest_are_in_the_random_part(programme):
    random = plan_visits(programme, points=60).design.query("part == 'random'")
    assert (random["role"] == "control").sum() == round(0.25 * len(random))


def test_what_the_observers_get_tells_no_verdict(programme, output):
    """Blind: one wording for the random part; no verdict, class or reason in GPX and form."""
    drawn = plan_visits(programme, points=60)
    random = drawn.design["part"] == "random"
    assert set(drawn.visits["why"][random]) == {RANDOM_WHY}
    assert drawn.visits["inclusion_probability"].isna().equals(~random)
    assert drawn.visits["why"][~random].nunique() > 2
    book = openpyxl.load_workbook(output / "visits_form.xlsx")
    # Only what is told of the visits: the choice lists of answers hold words such as "unchanged".
    labels = [
        " ".join(str(cell) for cell in row)
        for row in book["choices"].iter_rows(values_only=True)
        if row[0] == "visit"
    ]
    # Site names left out: an invented one could hold any word.
    told = "\n".join(labels) + (output / "visits.gpx").read_text(encoding="utf-8")
    for words in ("gain", "loss", "early", "assess", "grass", "Greener", "judged", "doubt"):
        assert words not in told


def test_a_second_call_keeps_the_sample_and_again_draws_another(programme, output):
    first = plan_visits(programme, points=40, seed=3)
    text = (output / "visits.csv").read_bytes()
    second = plan_visits(programme, points=90, seed=4)
    assert second.kept and "drawn already" in second.notes[0]
    assert (output / "visits.csv").read_bytes() == text
    pd.testing.assert_frame_equal(second.design, read_csv(VISIT_DESIGN, output))
    third = plan_visits(programme, points=40, seed=3, again=True)
    assert third.draw == "2024-dry-2" and not third.kept
    assert set(read_csv(VISIT_DESIGN, output)["draw"]) == {"2024-dry-1", "2024-dry-2"}
    places = [
        set(zip(each.visits["lon"], each.visits["lat"], strict=True)) for each in (first, third)
    ]
    assert places[0] != places[1]


def test_same_seed_gives_the_same_draw(programme, output):
    """Table, GeoJSON and GPX byte for byte, after the first draw was thrown away."""
    names = ("visits.csv", "visits.geojson", "visits.gpx", "visit_design.csv", "visit_ground.csv")
    plan_visits(programme, points=40, seed=3)
    before = [(output / name).read_bytes() for name in names]
    for name in names:
        (output / name).unlink()
    plan_visits(programme, points=40, seed=3)
    assert [(output / name).read_bytes() for name in names] == before
    for name in names:
        (output / name).unlink()
    plan_visits(programme, points=40, seed=4)
    assert (output / "visits.csv").read_bytes() != before[0]


def test_budget_in_days(programme):
    """By hand: 12 places a day; both grounds are within 10 km, so there is no travel."""
    drawn = plan_visits(programme, days=2)
    assert len(drawn.visits) == 24 and drawn.days == 2
    with pytest.raises(InputError, match="leave time for 3 places"):
        text = programme.read_text("utf-8") + "visits: {points_per_day: 3}\n"
        programme.write_text(text, "utf-8")
        plan_visits(programme, days=1, again=True)


def test_gpx_is_gpx_11_and_gdal_reads_it(programme, output):
    """By an XSD set down from the format's documentation, and by GDAL's GPX driver."""
    visits = plan_visits(programme, points=40).visits
    schema = etree.XMLSchema(file=str(Path(__file__).with_name("gpx11.xsd")))
    schema.assertValid(etree.parse(output / "visits.gpx"))
    read = gpd.read_file(output / "visits.gpx", layer="waypoints")
    assert read["name"].tolist() == visits["visit_id"].tolist()
    assert read.geometry.x.to_numpy() == pytest.approx(visits["lon"].to_numpy(), abs=6e-7)
    assert read.geometry.y.to_numpy() == pytest.approx(visits["lat"].to_numpy(), abs=6e-7)


def test_geojson_is_read_by_geopandas(programme, output):
    visits = plan_visits(programme, points=40).visits
    read = gpd.read_file(output / "visits.geojson")
    assert read.crs.to_epsg() == 4326
    assert read["visit_id"].tolist() == visits["visit_id"].tolist()
    assert read["inclusion_probability"].isna().tolist() == (
        visits["inclusion_probability"].isna().tolist()
    )
    assert list(json.loads((output / "visits.geojson").read_text("utf-8"))) == ["type", "features"]


def test_pyxform_takes_the_form(programme, output):
    """No error, no warning; consent is asked first and everything else hangs on it."""
    plan_visits(programme, points=40)
    result = convert(output / "visits_form.xlsx")
    assert result.warnings == []
    root = ET.fromstring(result.xform)  # noqa: S314 - what pyxform has just made
    binds = {each.get("nodeset"): each for each in root.iter("{http://www.w3.org/2002/xforms}bind")}
    first = next(name for name in binds if name.count("/") == 2 and "meta" not in name)
    assert first.endswith("/consent")
    relevant = {name.rsplit("/", 1)[1]: each.get("relevant", "") for name, each in binds.items()}
    assert relevant["visit"].strip().endswith("/consent  = 'yes'")
    assert relevant["place"].strip().endswith("/visit/reached  = 'yes'")
    book = openpyxl.load_workbook(output / "visits_form.xlsx")
    assert book.sheetnames == ["survey", "choices", "settings"]
    header, *rows = book["survey"].iter_rows(values_only=True)
    for language in ("English (en)", "Français (fr)"):
        at = header.index(f"label::{language}")
        asked = [
            row for row in rows if row[0].split()[0] not in ("calculate", "end_group", "end_repeat")
        ]
        assert all(row[at] for row in asked)


def test_the_form_is_the_same_whenever_it_is_written(programme, tmp_path, monkeypatch):
    """Bytes of two writings, with years between them by the clocks of openpyxl and of the zip."""
    visits = plan_visits(programme, points=40).visits

    def write(name: str) -> bytes:
        told = {"title": "T", "form_id": "f", "version": "1", "plot_radius_m": 15.0}
        return write_form(visits, {}, ["A b"], **told, folder=tmp_path / name).read_bytes()

    first = write("now")
    later = datetime(2031, 5, 6, 7, 8, 9)
    monkeypatch.setattr(
        "openpyxl.writer.excel.datetime", Mock(datetime=Mock(now=lambda **_: later))
    )
    monkeypatch.setattr("time.localtime", lambda *_: later.timetuple())
    openpyxl.Workbook().save(tmp_path / "plain.xlsx")
    with zipfile.ZipFile(tmp_path / "plain.xlsx") as plain:
        assert b"2031-05-06" in plain.read("docProps/core.xml")
        assert {part.date_time[0] for part in plain.infolist()} == {2031}
    assert write("later") == first


def test_hostile_names_are_text_everywhere(programme, output):
    """Names that are markup, formulas, paths, bidirectional marks, references or very long."""
    sites = json.loads((output / "sites.geojson").read_text("utf-8"))
    hostile = [*HOSTILE_NAMES, "${reached}", "$ {x} ${consent} = 'no'", "]]>&amp;<a/>"]
    for at, feature in enumerate(sites["features"]):
        feature["properties"]["name"] = hostile[at % len(hostile)]
        feature["properties"]["stratum"] = hostile[(at + 2) % len(hostile)][:150]
    (output / "sites.geojson").write_text(json.dumps(sites), "utf-8")
    plan_visits(programme, points=60)
    # CSV: no cell that a spreadsheet would run.
    raw = pd.read_csv(output / "visits.csv", dtype=str, keep_default_na=False)
    assert not raw.map(lambda cell: cell.startswith(("=", "+", "@"))).any(axis=None)
    assert any(cell.startswith("'=HYPERLINK") for cell in raw["stratum"])
    # GPX: well-formed, one line each.
    schema = etree.XMLSchema(file=str(Path(__file__).with_name("gpx11.xsd")))
    tree = etree.parse(output / "visits.gpx")
    schema.assertValid(tree)
    told = [each.text for each in tree.iter(f"{_GPX}desc")]
    assert any("<script>" in text for text in told)
    assert not any(char in text for text in told for char in _NOT_IN_XML_OR_ON_ONE_LINE + "\n")
    assert max(map(len, told[1:])) <= 80
    # XLSX: every cell is a string, none a formula or a link.
    book = openpyxl.load_workbook(output / "visits_form.xlsx")
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row if cell.value]
    assert {cell.data_type for cell in cells} == {"s"}
    assert not any(cell.hyperlink for cell in cells)
    assert any("=HYPERLINK" in cell.value for cell in cells)
    # The form: names come out of pyxform as they went in, and no name is a reference.
    root = ET.fromstring(convert(output / "visits_form.xlsx").xform)  # noqa: S314
    values = [each.text or "" for each in root.iter("{http://www.w3.org/2002/xforms}value")]
    assert any("<script>" in text for text in values)
    assert any("$ {reached}" in text for text in values)
    labels = [text for text in values if text.startswith("2024-dry-1-")]
    assert len(labels) == 120 and max(map(len, labels)) <= 60
    outputs = [e for e in root.iter("{http://www.w3.org/2002/xforms}output")]
    assert len(outputs) == 4  # the planned place, in two languages: nobody else's references


def test_species_get_codes_of_their_own():
    """Two names with one plain form, a name without letters, the word kept for the form."""
    codes = species_codes(["A. b", "a b", "12", "Other", "", "A. b"])
    assert codes == {"species_12": "12", "a_b": "A. b", "other_2": "Other", "a_b_2": "a b"}


def test_the_package_lists_the_tables_that_exist(programme, output):
    plan_visits(programme, points=20)
    package = json.loads((output / "datapackage.json").read_text("utf-8"))
    names = {each["name"] for each in package["resources"]}
    assert {"visits", "visit_design", "visit_ground"} <= names
    assert not {"field_checks", "accuracy", "area", "survival"} & names
    files = {e["path"] for e in json.loads((output / "manifest.json").read_text("utf-8"))["files"]}
    assert {"visits.csv", "visits.gpx", "visits.geojson", "visits_form.xlsx"} <= files


def test_without_a_run_it_says_so(programme, output):
    (output / "verdicts.csv").unlink()
    with pytest.raises(OutputError, match="run the programme first"):
        plan_visits(programme)


def test_the_command_prints_and_gives_json(programme, output, monkeypatch):
    monkeypatch.setattr(visitwork, "build", build)
    run = CliRunner().invoke(app, ["visits", str(programme), "--points", "20", "--json"])
    assert run.exit_code == 0, run.output
    told = json.loads(run.output)
    assert "visits.csv" in (output / "report" / "index.html").read_text("utf-8")
    assert told["draw"] == "2024-dry-1" and len(told["visits"]) == 20 and told["seed"] == 1
    shown = CliRunner().invoke(app, ["visits", str(programme)])
    assert shown.exit_code == 0 and "drawn already" in shown.output
    both = CliRunner().invoke(app, ["visits", str(programme), "--points", "20", "--days", "2"])
    assert both.exit_code == 2


@pytest.mark.parametrize(
    ("command", "option", "given", "pointed"),
    [("visits", "--days", "1,5", "1.5"), ("outlook", "--share", "0,4", "0.4")],
)
def test_a_decimal_comma_is_told_how_to_be_written(programme, command, option, given, pointed):
    """Half the world's keyboards write 1,5."""
    told = CliRunner().invoke(app, [command, str(programme), option, given])
    assert told.exit_code == 2
    words = " ".join(told.output.replace("│", " ").split())
    assert f"write decimals with a point: {pointed}" in words
    plain = CliRunner().invoke(app, ["share", "nowhere", "copy", "--coarse-locations"])
    assert isinstance(plain.exception, OutputError)  # the default of --cell is read all the same
    few = CliRunner().invoke(app, [command, str(programme), option, "-1"])
    assert few.exit_code == 2 and "is too little" in few.output
