"""Field checks back: the worked examples end to end, and all that can be wrong with a row."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from frictionless import Package
from typer.testing import CliRunner

from afterrains.cli import app
from afterrains.delivery.table_files import read_csv, write_csv
from afterrains.delivery.tables.field import (
    ACCURACY,
    AREA,
    FIELD_CHECKS,
    FIELD_EVIDENCE,
    SURVIVAL,
    TRAINING_PLOTS,
    VISIT_DESIGN,
    VISIT_GROUND,
)
from afterrains.errors import InputError, OutputError
from afterrains.jobs import visits as visitwork
from afterrains.jobs.returns import take_returns
from afterrains.programme import load_programme
from afterrains.register.plots import read_plots

_DRAW = "2024-dry-1"
_COLUMNS = [
    "visit_id", "consent", "surveyed_on", "visit-reached", "visit-not_reached_why",
    "visit-place-gps-Latitude", "visit-place-gps-Longitude", "visit-place-gps-Accuracy",
    "visit-place-plot_radius_m", "visit-place-woody_cover_percent", "visit-place-seen",
    "visit-place-signs", "visit-place-observer", "visit-place-remark", "KEY",
]  # fmt: skip


def _write(path: Path, rows: list[dict[str, object]]) -> Path:
    """A file of checks as a form app exports it."""
    with path.open("w", encoding="utf-8", newline="") as opened:
        writer = csv.DictWriter(opened, ["SubmissionDate", *_COLUMNS], restval="")
        writer.writeheader()
        writer.writerows(rows)
    return path


def _row(visit: dict[str, object], **changes: object) -> dict[str, object]:
    """A good check of a visit."""
    row = {
        "visit_id": visit["visit_id"], "consent": "yes", "surveyed_on": "2026-03-02",
        "visit-reached": "yes", "visit-place-gps-Latitude": visit["lat"],
        "visit-place-gps-Longitude": visit["lon"], "visit-place-gps-Accuracy": 4.8,
        "visit-place-plot_radius_m": 15, "visit-place-woody_cover_percent": 12.5,
        "visit-place-seen": "unchanged", "visit-place-signs": "grazing fire",
        "visit-place-observer": "T1", "KEY": f"uuid:{visit['visit_id']}",
    }  # fmt: skip
    return row | changes


def _example(
    output: Path, strata: list[tuple[str, str, float]], counts: list[list[int]], seen: list[str]
) -> list[dict[str, object]]:
    """A draw whose strata, areas and checks are a printed error matrix; rows as exported."""
    pd.DataFrame(
        [
            {
                "draw": _DRAW, "sampling_stratum": name, "role": "sown", "stratum": "",
                "verdict": name, "map_class": map_class, "map_from": "woody_change",
                "pixels": 1000, "area_ha": area, "visits": sum(row),
                "inclusion_probability": sum(row) / 1000, "seed": 1,
            }
            for (name, map_class, area), row in zip(strata, counts, strict=True)
        ]
    ).pipe(lambda frame: write_csv(VISIT_GROUND, frame, output))  # fmt: skip
    visits, rows = [], []
    for (name, map_class, _), row in zip(strata, counts, strict=True):
        for there, count in zip(seen, row, strict=True):
            for _ in range(count):
                visit = {
                    "visit_id": f"{_DRAW}-{len(visits):04d}", "draw": _DRAW, "part": "random",
                    "site_id": "s001", "role": "sown", "stratum": "",
                    "lon": 2.0 + 1e-4 * len(visits), "lat": 14.0, "sampling_stratum": name,
                    "verdict": name, "map_class": map_class, "inclusion_probability": 0.1,
                    "rank": np.nan,
                }  # fmt: skip
                visits.append(visit)
                rows.append(_row(visit, **{"visit-place-seen": there}))
    write_csv(VISIT_DESIGN, pd.DataFrame(visits), output)
    return rows


@pytest.fixture
def drawn(programme) -> list[dict[str, object]]:
    """Visits that were sent out, as plain rows."""
    return visitwork.plan_visits(programme, points=40).design.to_dict("records")


def test_first_example_of_olofsson_2013_through_returns(programme, output, tmp_path):
    """doi:10.1016/j.rse.2012.10.031, example 1, printed areas (pixels), half widths, accuracies."""
    strata = [("a", "less", 22_353.0), ("b", "unchanged", 1_122_543.0), ("c", "more", 610_228.0)]
    counts = [[97, 0, 3], [3, 279, 18], [2, 1, 97]]
    rows = _example(output, strata, counts, ["less", "unchanged", "more"])
    take_returns(_write(tmp_path / "checks.csv", rows), programme)
    area = read_csv(AREA, output).set_index("class").loc[["less", "unchanged", "more"]]
    assert area["area_ha"].to_numpy() == pytest.approx([45_112, 1_050_067, 659_944], abs=0.51)
    half = (area["area_high"] - area["area_low"]) / 2
    assert half.to_numpy() == pytest.approx([21_072, 34_597, 36_526], abs=0.51)
    assert area["map_area_ha"].tolist() == [each for *_, each in strata]
    found = read_csv(ACCURACY, output).set_index("class")
    order = ["less", "unchanged", "more"]
    assert found.loc[order, "users_accuracy"].to_numpy() == pytest.approx([0.97, 0.93, 0.97])
    producers = found.loc[order, "producers_accuracy"].to_numpy()
    assert producers == pytest.approx([0.481, 0.994, 0.897], abs=5.1e-4)
    assert found.loc["all", "users_accuracy"] == pytest.approx(0.944, abs=5.1e-4)
    matrix = found.loc[order, ["seen_less", "seen_unchanged", "seen_more"]]
    assert matrix.to_numpy().tolist() == counts


def test_change_classes_of_olofsson_2014_through_returns(programme, output, tmp_path):
    """doi:10.1016/j.rse.2014.02.015, table 8: four strata, two of them stable.

    What the paper prints for its two classes of change does not depend on how stable ground is
    divided; stable ground and overall accuracy do, so only the areas of change and their accuracies
    are compared. Intervals are cut at nothing here.
    """
    strata = [
        ("deforestation", "less", 18_000.0), ("gain", "more", 13_500.0),
        ("stable forest", "unchanged", 288_000.0), ("stable other", "unchanged", 580_500.0),
    ]  # fmt: skip
    counts = [[66, 0, 5, 4], [0, 55, 8, 12], [1, 0, 153, 11], [2, 1, 9, 313]]
    seen = ["less", "more", "unchanged", "unchanged"]
    rows = _example(output, strata, counts, seen)
    take_returns(_write(tmp_path / "checks.csv", rows), programme)
    area = read_csv(AREA, output).set_index("class").loc[["less", "more"]]
    assert area["area_ha"].to_numpy() == pytest.approx([21_158, 11_686], abs=0.51)
    half = (area["area_high"] - area["area_low"]) / 2
    assert half.to_numpy() == pytest.approx([6158, 3756], abs=0.51)
    found = read_csv(ACCURACY, output).set_index("class").loc[["less", "more"]]
    assert found["users_accuracy"].to_numpy() == pytest.approx([0.880, 0.733], abs=5.1e-4)
    half = (found["users_high"] - found["users_low"]) / 2
    assert half.to_numpy() == pytest.approx([0.074, 0.101], abs=5.1e-4)
    # The paper's producer's accuracies were rounded on the way; .749 and .847 are printed.
    assert found["producers_accuracy"].to_numpy() == pytest.approx([0.749, 0.847], abs=8e-4)


def test_good_rows_become_every_table(programme, output, tmp_path, drawn):
    """By hand: two refusals or misses; seedlings in a second file; plots the trainer reads."""
    rows = [_row(visit) for visit in drawn]
    rows[0] = {"visit_id": drawn[0]["visit_id"], "consent": "no"}
    rows[1] = _row(drawn[1], **{"visit-reached": "no", "visit-not_reached_why": "unsafe"})
    rows[2]["visit-place-remark"] = '=HYPERLINK("http://example.invalid")'
    path = _write(tmp_path / "checks.csv", rows)
    key = rows[3]["KEY"]
    (tmp_path / "checks-seedlings.csv").write_text(
        "visit-place-seedlings-species,visit-place-seedlings-species_other,"
        "visit-place-seedlings-live,visit-place-seedlings-dead,PARENT_KEY,KEY\n"
        f"vachellia_tortilis,,6,2,{key},{key}/1\nvachellia_tortilis,,1,0,{key},{key}/2\n"
        f"other,Wild plum,3,0,{key},{key}/3\n",
        encoding="utf-8",
    )
    summary = take_returns(path, programme)
    checks = read_csv(FIELD_CHECKS, output)
    assert checks["outcome"].value_counts().to_dict() == {
        "checked": 38, "not-reached": 1, "no-consent": 1,
    }  # fmt: skip
    refused = checks[checks["outcome"] == "no-consent"].iloc[0]
    assert refused[["lon", "woody_cover_percent", "surveyed_on"]].isna().all()
    assert "'=HYPERLINK" in (output / FIELD_CHECKS.file).read_text("utf-8")
    counted = read_csv(SURVIVAL, output).set_index("species")
    assert counted.loc["Vachellia tortilis", ["live", "dead"]].tolist() == [7, 2]
    assert counted.loc["Vachellia tortilis", "live_percent"] == pytest.approx(77.78)
    assert counted.loc["Wild plum", "live"] == 3
    plots = read_plots(output / TRAINING_PLOTS.file)
    assert len(plots) == 38 and set(plots["source"]) == {"field"}
    assert summary.planned == 40 and summary.replaced == 0
    # The same file again changes nothing.
    before = (output / FIELD_CHECKS.file).read_bytes()
    assert take_returns(path, programme).replaced == 40
    assert (output / FIELD_CHECKS.file).read_bytes() == before
    package = Package(output / "datapackage.json")
    ours = ("visit_design", "visit_ground", "field_checks", "area", "accuracy", "field_evidence")
    for name in ours:
        report = package.get_resource(name).validate()
        assert report.valid, report.flatten(["type", "note"])


def test_the_verdict_stays_and_the_field_stands_beside_it(programme, output, tmp_path, drawn):
    before = (output / "verdicts.csv").read_bytes()
    seen = {"gain": "unchanged", "loss": "less"}
    rows = [
        _row(visit, **{"visit-place-seen": seen.get(str(visit["verdict"]), "more")})
        for visit in drawn
    ]
    take_returns(_write(tmp_path / "checks.csv", rows), programme)
    assert (output / "verdicts.csv").read_bytes() == before
    evidence = read_csv(FIELD_EVIDENCE, output)
    enough = evidence[evidence["checks"] >= 3]
    told = dict(zip(enough["verdict"], enough["agreement"], strict=True))
    assert told.get("gain") == "disagree" and told.get("loss", "agree") == "agree"
    assert set(evidence.loc[evidence["checks"] < 3, "agreement"]) <= {"open"}
    assert set(evidence.loc[evidence["verdict"] == "too-early", "agreement"]) <= {"open"}


def test_geojson_is_taken_too(programme, output, tmp_path, drawn):
    features = [
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [visit["lon"], visit["lat"]]},
            "properties": {
                "visit_id": visit["visit_id"], "consent": True, "surveyed_on": "2026-03-02",
                "reached": True, "woody_cover_percent": 3, "seen": "more",
                "seedlings": [{"species": "balanites_aegyptiaca", "live": 2, "dead": 1}],
            },
        }
        for visit in drawn[:6]
    ]  # fmt: skip
    path = tmp_path / "checks.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}), "utf-8")
    take_returns(path, programme)
    assert read_csv(FIELD_CHECKS, output)["at_place"].all()
    assert read_csv(SURVIVAL, output)["live"].sum() == 12
    path.write_text("[1", "utf-8")
    with pytest.raises(InputError, match="cannot be read as GeoJSON"):
        take_returns(path, programme)
    for feature in features:
        feature["properties"]["noticed"] = feature["properties"].pop("seen")
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}), "utf-8")
    with pytest.raises(InputError) as told:
        take_returns(path, programme)
    assert "check-no-property" in {finding.code for finding in told.value.findings}


_WRONG = [
    ({"visit_id": "2024-dry-1-999"}, "check-unknown-visit"),
    ({"consent": ""}, "check-no-consent-told"),
    ({"consent": "maybe"}, "check-yes-no"),
    ({"surveyed_on": "2099-01-01"}, "check-date"),
    ({"surveyed_on": "02/03/2026"}, "check-date"),
    ({"visit-place-woody_cover_percent": "101"}, "check-percent"),
    ({"visit-place-woody_cover_percent": "-1"}, "check-percent"),
    ({"visit-place-woody_cover_percent": "12,5"}, "check-percent"),
    ({"visit-place-seen": "lots"}, "check-seen"),
    ({"visit-place-gps-Latitude": "91"}, "check-position"),
    ({"visit-place-gps-Latitude": "2", "visit-place-gps-Longitude": "14"}, "check-wrong-place"),
    ({"visit-place-observer": "Someone Somewhere"}, "check-observer"),
    ({"visit-place-woody_cover_percent": "", "visit-place-seen": ""}, "check-nothing-seen"),
    ({"visit-place-plot_radius_m": "0"}, "check-radius"),
]


def test_every_wrong_row_is_told_at_once(programme, output, tmp_path, drawn):
    """Fourteen rows with one fault each and one visit twice; nothing is written."""
    rows = [_row(visit, **wrong) for visit, (wrong, _) in zip(drawn, _WRONG, strict=False)]
    rows += [_row(drawn[20]), _row(drawn[20])]
    with pytest.raises(InputError) as told:
        take_returns(_write(tmp_path / "checks.csv", rows), programme)
    for number, (_, code) in enumerate(_WRONG, start=2):
        codes = {f.code for f in told.value.findings if f.where == f"row {number}"}
        assert code in codes, (number, code, codes)
    last = {f.code for f in told.value.findings if f.where == f"row {len(rows) + 1}"}
    assert last == {"check-twice"}
    assert not (output / FIELD_CHECKS.file).exists()


def test_a_fault_of_the_header_hides_no_fault_of_a_row(programme, output, tmp_path, drawn):
    """By hand: no consent column, `seen` twice, three wrong cells, a short row; both files told."""
    rows = [_row(visit) for visit in drawn[:6]]
    rows[0]["visit-place-woody_cover_percent"] = "101"
    rows[1] |= {"visit_id": "2024-dry-1-999", "surveyed_on": "2099-01-01"}
    path = _write(tmp_path / "checks.csv", rows)
    text = path.read_text("utf-8").replace(",consent,", ",agreed,", 1)
    text = text.replace("visit-place-remark", "seen", 1) + "short,row\n"
    path.write_text(text, "utf-8")
    (tmp_path / "checks-seedlings.csv").write_text(
        f"kind,live,dead,visit_id\nacacia,x,0,{drawn[2]['visit_id']}\nacacia,1,0,nowhere\n",
        encoding="utf-8",
    )
    with pytest.raises(InputError) as told:
        take_returns(path, programme)
    assert {(f.file, f.where, f.code) for f in told.value.findings} == {
        ("checks.csv", "row 1 (header)", "table-missing-column"),
        ("checks.csv", "row 1 (header)", "table-duplicate-column"),
        ("checks.csv", "row 2", "check-percent"),
        ("checks.csv", "row 3", "check-unknown-visit"),
        ("checks.csv", "row 3", "check-date"),
        ("checks.csv", "row 8", "table-ragged-row"),
        ("checks-seedlings.csv", "row 1 (header)", "table-missing-column"),
        ("checks-seedlings.csv", "row 2", "seedlings-count"),
        ("checks-seedlings.csv", "row 3", "seedlings-no-visit"),
    }
    assert all(f.mend for f in told.value.findings)
    assert not (output / FIELD_CHECKS.file).exists()


@pytest.mark.parametrize("column", ["seen", "surveyed_on"])
def test_a_renamed_column_is_named_and_loses_no_answer(programme, output, tmp_path, drawn, column):
    """A file whose `seen` goes by another name was taken, and told nothing of any visit."""
    rows = [_row(visit) for visit in drawn[:2]]
    path = _write(tmp_path / "checks.csv", rows)
    header, rest = path.read_text("utf-8").split("\n", 1)
    names = [f"{n}_2" if n.rpartition("-")[2] == column else n for n in header.split(",")]
    path.write_text(",".join(names) + "\n" + rest, "utf-8")
    with pytest.raises(InputError) as told:
        take_returns(path, programme)
    (finding,) = told.value.findings
    assert finding.where == "row 1 (header)" and repr(column) in finding.what
    assert not (output / FIELD_CHECKS.file).exists()


def test_a_file_that_cannot_be_read_hides_nothing_of_the_other(programme, tmp_path, drawn):
    """A table parted by semicolons beside seedlings of nobody; then seedlings that are no table."""
    path = tmp_path / "checks.csv"
    path.write_text("visit_id;consent\na;yes\n", "utf-8")
    seedlings = tmp_path / "checks-seedlings.csv"
    seedlings.write_text("species,live\nacacia,1\n", "utf-8")
    with pytest.raises(InputError) as told:
        take_returns(path, programme)
    assert [f.code for f in told.value.findings] == ["table-delimiter", "seedlings-no-visit"]
    _write(path, [_row(drawn[0], consent="maybe")])
    seedlings.write_text("species;live;visit_id\nacacia;1;a\n", "utf-8")
    with pytest.raises(InputError) as told:
        take_returns(path, programme)
    codes = [f.code for f in told.value.findings]
    assert codes == ["table-delimiter", "check-yes-no"]


def test_a_plot_elsewhere_trains_but_is_no_check(programme, output, tmp_path, drawn):
    """By hand: 0.002 degrees of latitude are some 220 m."""
    rows = [_row(visit) for visit in drawn]
    rows[4]["visit-place-gps-Latitude"] = float(drawn[4]["lat"]) + 0.002
    rows[5]["visit-place-gps-Latitude"] = rows[5]["visit-place-gps-Longitude"] = ""
    summary = take_returns(_write(tmp_path / "checks.csv", rows), programme)
    assert sorted(f.code for f in summary.warnings) == ["check-far", "check-no-position"]
    checks = read_csv(FIELD_CHECKS, output).set_index("visit_id")
    far = checks.loc[str(drawn[4]["visit_id"])]
    assert far["distance_m"] == pytest.approx(221, abs=2) and not far["at_place"]
    assert len(read_plots(output / TRAINING_PLOTS.file)) == 39


def test_without_visits_or_file_it_says_so(programme, tmp_path):
    with pytest.raises(OutputError, match="no visits were drawn"):
        take_returns(tmp_path / "checks.csv", programme)


def test_the_command(programme, tmp_path, drawn):
    """Text and JSON; exit status 2 with a finding for a file that is not there."""
    path = _write(tmp_path / "checks.csv", [_row(visit) for visit in drawn])
    shown = CliRunner().invoke(app, ["returns", str(path), str(programme)])
    assert shown.exit_code == 0, shown.output
    assert "40 visits taken" in shown.output and "95 % interval" in shown.output
    assert "unchanged" in shown.output and "…" not in shown.output
    told = CliRunner().invoke(app, ["returns", str(path), str(programme), "--json"])
    assert json.loads(told.output)["outcomes"] == {"checked": 40}
    missing = CliRunner().invoke(app, ["returns", str(tmp_path / "no.csv"), str(programme)])
    assert isinstance(missing.exception, InputError)


def test_one_check_is_told_as_one(programme, tmp_path, drawn):
    """A single check settles nothing of a site, and is not "1 checks"."""
    take_returns(_write(tmp_path / "checks.csv", [_row(drawn[0])]), programme)
    evidence = read_csv(FIELD_EVIDENCE, load_programme(programme).output_folder)
    notes = evidence.set_index("site_id")["note"]
    assert notes[str(drawn[0]["site_id"])] == "one check does not settle it"
