"""The page as a file: whole, closed to the outside, the same for the same folder, true to it."""

from __future__ import annotations

import base64
import csv
import hashlib
import json
import os
import re
import shutil
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from html import escape
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fake_output import HOSTILE_NAMES, write_output

from afterrains.delivery.page import build, build_apart
from afterrains.delivery.page.folder import read_folder
from afterrains.delivery.page.group_table import GroupTable, group_unit
from afterrains.delivery.page.texts import load_texts, plain
from afterrains.delivery.page.ways import Group, find_groups
from afterrains.errors import OutputError

Parse = Callable[[Path], Any]


def _table(folder: Path, name: str) -> list[dict[str, str]]:
    with (folder / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture
def copy(output: Path, tmp_path: Path) -> Path:
    """A copy of the invented folder, to be spoilt."""
    return shutil.copytree(output, tmp_path / "out")


def test_page_stands_where_the_contract_says(output: Path, page: Path):
    assert page == output / "report" / "index.html"


def test_equal_folders_give_equal_bytes(page: Path, tmp_path: Path):
    """Two folders written apart; only the manifest's times and file list differ."""
    other = write_output(tmp_path / "elsewhere")
    manifest = json.loads((other / "manifest.json").read_text("utf-8"))
    manifest["times"] = {"finished": "1999-01-01T00:00:00+00:00"}
    manifest["files"] = []
    (other / "manifest.json").write_text(json.dumps(manifest), "utf-8")
    assert build(other).read_bytes() == page.read_bytes()


def test_nothing_in_the_page_is_fetched(page: Path, parse: Parse):
    """Every address is a place in the page, a file of the same folder, or the bytes themselves."""
    for tag, attributes in parse(page).tags:
        for name in ("src", "href", "xlink:href", "action", "srcset", "poster", "data"):
            if name in attributes:
                target = attributes[name]
                allowed = ("#", "data:") if tag in ("image", "use", "link") else ("#", "../")
                assert target.startswith(allowed), (tag, target[:80])
                assert "//" not in target or target.startswith("data:")
        assert tag not in ("iframe", "object", "embed", "img", "base", "video", "audio")


def test_policy_names_the_very_style_and_script_and_allows_no_other(page: Path, parse: Parse):
    """Content Security Policy Level 3, section 2.3.1: base64 of the SHA-256 of the content."""
    parsed = parse(page)
    (policy,) = [
        attributes["content"]
        for tag, attributes in parsed.tags
        if attributes.get("http-equiv") == "Content-Security-Policy"
    ]
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules["default-src"] == "'none'"
    assert rules["img-src"] == "data:"
    for tag in ("style", "script"):
        content = "".join(parsed.inside[tag])
        digest = base64.b64encode(hashlib.sha256(content.encode()).digest()).decode()
        assert rules[f"{tag}-src"] == f"'sha256-{digest}'"
        run = [a for name, a in parsed.tags if name == tag and a.get("type") != "application/json"]
        assert run == [{}]
    for tag, attributes in parsed.tags:
        foreign = [name for name in attributes if name == "style" or name.startswith("on")]
        assert not foreign, (tag, foreign)


def test_hostile_names_are_shown_as_text(page: Path, parse: Parse):
    """What the sites file says stands in the text as it is, but for what HTML cannot hold."""
    text = "".join(parse(page).text)
    for name in HOSTILE_NAMES:
        assert plain(name)[:50].rstrip() in text


def test_a_name_of_ten_thousand_letters_stands_whole_once_and_short_elsewhere(page: Path):
    html = page.read_text("utf-8")
    assert len(re.findall("N{10000}", html)) == 1
    runs = [len(run) for run in re.findall("N{40,}", html)]
    assert sorted(runs)[-1] == 10_000
    assert sorted(runs)[-2] < 100


def test_what_is_compared_is_what_the_tables_say(output: Path, page: Path, parse: Parse):
    """The script's data against the tables; a group's middle against numpy's median."""
    data = json.loads("".join(parse(page).inside["data"]))
    anchors = {f"s{site['n']:03d}": site for site in data["sites"].values()}
    order = sorted({(row["start"], row["season"]) for row in _table(output, "seasons.csv")})
    places = {season: at for at, (_, season) in enumerate(order)}
    assert len(data["seasons"]) == len(order)
    for row in _table(output, "verdict_history.csv"):
        site, at = anchors[row["site_id"]], places[row["as_of"]]
        for name, column in (("gain", "gain"), ("low", "gain_low"), ("high", "gain_high")):
            expected = pytest.approx(float(row[column]), abs=6e-5) if row[column] else None
            assert site[name][at] == expected
    for row in _table(output, "seasons.csv"):
        if row["role"] == "sown" and row["kind"] == "dry" and row["judged_value"]:
            shown = anchors[row["site_id"]]["sown"][places[row["season"]]]
            assert shown == pytest.approx(float(row["judged_value"]), abs=6e-5)
    newest = [row for row in _table(output, "verdicts.csv") if row["verdict"] == "gain"]
    (group,) = [g for g in data["groups"].values() if g["verdict"] == "gain"]
    middle = float(np.median([float(row["gain"]) for row in newest]))
    assert group["gain"][places["2024-dry"]] == pytest.approx(middle, abs=6e-5)


def test_groups_are_counted_as_in_the_tables(output: Path, page: Path):
    """By method, from sowing_rain.csv with the standard library alone; a foreign word is text."""
    sown = {row["site_id"]: row["method"] for row in _table(output, "sowing_rain.csv")}
    html = page.read_text("utf-8")
    for method, count in Counter(sown.values()).items():
        pattern = rf"<bdi>{re.escape(escape(method))}</bdi></th><td[^>]*>{count}</td>"
        assert re.search(pattern, html), method


def test_a_site_not_judged_yet_stands_in_the_group_it_was_sown_in(small_output: Path):
    """what_works.csv and costs.csv count it so; two counts of one group would contradict."""
    folder = read_folder(small_output)
    assert folder.sowings
    site, rows = next((site, rows) for site, rows in folder.sowings.items() if rows[0].method)
    late = tuple(replace(row, sown_on=date(2099, 6, 1)) for row in rows)
    after = replace(folder, sowings={**folder.sowings, site: late})
    sizes = [
        {g.level: len(g.sites) for g in find_groups(each) if g.factor == "method"}
        for each in (folder, after)
    ]
    assert sizes[0] and sizes[0] == sizes[1]


def test_a_site_without_a_gain_mixes_no_units(small_output: Path):
    """One unjudged site in another unit hid the gains and bars of every group it stood in."""
    folder = read_folder(small_output)
    unit = folder.verdicts[0].gain_unit
    other = "points" if unit == "ndvi" else "ndvi"
    blank = replace(folder.verdicts[1], gain=None, gain_unit=other)
    group = Group("stratum", "dune", (folder.verdicts[0], blank))
    table = GroupTable(folder, "XOF", load_texts())
    row = table.row(group, True, table.spread(group), None)
    assert group_unit(group) == unit and row.gain != load_texts()("no_value")


def test_ids_are_never_twice(page: Path, parse: Parse):
    ids = Counter(a["id"] for _, a in parse(page).tags if "id" in a)
    assert [name for name, count in ids.items() if count > 1] == []


def test_every_inner_link_has_its_place(page: Path, parse: Parse):
    tags = parse(page).tags
    ids = {attributes["id"] for _, attributes in tags if "id" in attributes}
    targets = {a["href"][1:] for _, a in tags if a.get("href", "").startswith("#")}
    assert targets - ids == set()


def test_links_to_tables_lead_to_files_that_are_there(page: Path, parse: Parse):
    links = [a["href"] for tag, a in parse(page).tags if tag == "a" and a["href"][:3] == "../"]
    assert {"../verdicts.csv", "../manifest.json", "../series.csv"} <= set(links)
    assert all((page.parent / link).is_file() for link in links)


def test_ledger_counts_and_hectares_are_those_of_the_table(output: Path, page: Path):
    """Counted again here, from verdicts.csv with the standard library alone."""
    rows = _table(output, "verdicts.csv")
    html = page.read_text("utf-8")
    for verdict, count in Counter(row["verdict"] for row in rows).items():
        area = sum(float(row["area_ha"]) for row in rows if row["verdict"] == verdict)
        line = re.search(rf'<li class="v-{verdict}">(.*?)</li>', html, re.S)
        assert line is not None
        assert f'<span class="count">{count}</span>' in line[1]
        assert f"{area:.0f} ha" in line[1]


def test_gains_shown_are_those_of_the_table(output: Path, page: Path):
    """Each row's figure is the table's gain to three decimals, with a true minus sign."""
    html = page.read_text("utf-8")
    shown = re.findall(r'data-sort="([^"]*)"><svg class="bar.*?class="figure">([^<]*)<', html)
    table = [row["gain"] for row in _table(output, "verdicts.csv") if row["gain"]]
    assert sorted(float(key) for key, _ in shown) == sorted(float(gain) for gain in table)
    for key, figure in shown:
        assert figure == f"{float(key):+.3f}".replace("-", "\u2212").replace("+0.000", "0.000")


def test_changes_are_those_between_the_two_newest_seasons(output: Path, page: Path, parse: Parse):
    """Worked out again from verdict_history.csv: site 6 and 12 alone changed their verdict."""
    rows = _table(output, "verdict_history.csv")
    then = {row["site_id"]: row["verdict"] for row in rows if row["as_of"] == "2023-dry"}
    now = {row["site_id"]: row["verdict"] for row in rows if row["as_of"] == "2024-dry"}
    changed = sorted(site for site in now if then.get(site) != now[site])
    assert changed == ["s006", "s012"]
    text = " ".join("".join(parse(page).text).split())
    assert "Since the 2023/24 dry season, 2 sites changed." in text
    assert "12 Goat Track 2 – too early became not assessable" in text
    assert "14 sites stand where they stood." in text


def test_refused_scenes_are_counted_by_reason(page: Path, parse: Parse):
    """41 and 12 by hand from the invented manifest, and two reads that failed for good."""
    text = " ".join("".join(parse(page).text).split())
    assert "640 scenes were used. 53 scenes were refused:" in text
    assert re.search(r"too much cloud over the scene\s*41", text)
    assert "2 reads failed for good" in text


def test_cautions_stand_where_figures_are_read(page: Path, parse: Parse):
    text = " ".join("".join(parse(page).text).split())
    assert text.count("Greening is not trees") >= 2 + 16  # headline, list, each site's drawing
    for words in (
        "not carbon credits",
        "may be encroaching",
        "do not count seedlings",
        "only with the consent",
        "local seed and plant-health law",
        "permits and safety practice",
        "Controls are comparable only as far as",
    ):
        assert words in text


def test_without_rain_after_sowing_the_page_says_so(copy: Path, parse: Parse):
    (copy / "sowing_rain.csv").unlink()
    text = "".join(parse(build(copy)).text)
    assert "sowing_rain.csv) is not in this folder" in text
    assert "First sown" in text


def test_without_pictures_and_controls_the_page_says_so(copy: Path, parse: Parse):
    shutil.rmtree(copy / "rasters")
    (copy / "controls.csv").unlink()
    (copy / "series.csv").unlink()
    text = "".join(parse(build(copy)).text)
    assert "There are no pictures of the ground in this folder." in text
    assert "controls.csv) is not in this folder" in text
    assert "No picture of this site." in text


@pytest.mark.parametrize(
    "name", ["verdicts.csv", "verdict_history.csv", "seasons.csv", "sites.geojson", "manifest.json"]
)
def test_a_missing_file_is_named(copy: Path, name: str):
    (copy / name).unlink()
    with pytest.raises(OutputError, match=re.escape(name)):
        build(copy)


def test_a_foreign_verdict_is_refused_with_its_row(copy: Path):
    file = copy / "verdicts.csv"
    file.write_text(file.read_text("utf-8").replace(',gain,"more', ',splendid,"more', 1), "utf-8")
    with pytest.raises(OutputError, match=r"verdicts\.csv: row 2: 'splendid' is not a verdict"):
        build(copy)


def test_a_site_without_a_polygon_is_refused_with_its_feature(copy: Path):
    file = copy / "sites.geojson"
    content = json.loads(file.read_text("utf-8"))
    content["features"][2]["geometry"] = {"type": "Polygon", "coordinates": "nowhere"}
    file.write_text(json.dumps(content), "utf-8")
    with pytest.raises(OutputError, match=r"sites\.geojson: feature 3 is not a site"):
        build(copy)
    for odd in ({"site_id": "no feature"}, {}, None):
        content["features"][2] = odd
        file.write_text(json.dumps(content), "utf-8")
        with pytest.raises(OutputError, match=r"sites\.geojson: feature 3 is not a site"):
            build(copy)


def test_a_programme_with_nothing_sown_yet_has_a_page(copy: Path, parse: Parse):
    for name in ("verdicts.csv", "verdict_history.csv", "sowing_rain.csv"):
        header = (copy / name).read_text("utf-8").splitlines(keepends=True)[0]
        (copy / name).write_text(header, "utf-8")
    text = "".join(parse(build(copy)).text)
    assert "0 sown sites" in text


def test_a_process_of_its_own_writes_the_same_page(small_output: Path, copy: Path):
    """Its faults are told as here; one that was ended from outside is told as that."""
    expected = build(small_output, "fr").read_bytes()
    assert build_apart(small_output, "fr").read_bytes() == expected
    (copy / "verdicts.csv").unlink()
    with pytest.raises(OutputError, match=r"verdicts\.csv: .*; run the programme again"):
        build_apart(copy, "en")


@pytest.mark.skipif(os.name == "nt", reason="a shell's script, and POSIX's signals")
@pytest.mark.parametrize(
    ("does", "error", "told"),
    [
        ("kill -9 $$", OutputError, "ended by signal 9, most likely for want of memory"),
        ("echo ValueError: broken >&2; exit 1", RuntimeError, "^ValueError: broken$"),
    ],
)
def test_a_page_whose_process_fails_is_told(
    small_output: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    does: str,
    error: type[Exception],
    told: str,
):
    """Killed, as the system does where memory runs out, or by a fault of ours."""
    program = tmp_path / "python"
    program.write_text(f"#!/bin/sh\n{does}\n")
    program.chmod(0o700)
    monkeypatch.setattr(sys, "executable", str(program))
    with pytest.raises(error, match=told):
        build_apart(small_output, "en")


def test_what_many_rows_share_is_held_once(output: Path):
    """The newest judgement, and each season, are one object wherever they stand."""
    folder = read_folder(output)
    for judged in folder.verdicts:
        assert folder.history[judged.site_id][-1] is judged
    rows = [row for rows in folder.seasons.values() for row in rows]
    assert len({id(row.season) for row in rows}) == len(folder.calendar) < len(rows)


def test_no_half_page_stays_when_the_build_fails(copy: Path):
    before = build(copy).read_bytes()
    (copy / "seasons.csv").write_text("nonsense\n", "utf-8")
    with pytest.raises(OutputError, match=r"seasons\.csv"):
        build(copy)
    assert (copy / "report" / "index.html").read_bytes() == before
    assert [path.name for path in (copy / "report").iterdir()] == ["index.html"]


def test_each_gain_stands_with_its_interval_and_unit(page: Path, output: Path):
    """The figures of verdicts.csv, to three decimals; the unit in the heads of the columns."""
    table = [row for row in _table(output, "verdicts.csv") if row["gain"] and row["gain_low"]]
    wanted = {
        tuple(round(float(row[name]), 3) for name in ("gain", "gain_low", "gain_high"))
        for row in table
    }
    html = page.read_text("utf-8")
    rows = html[html.index('id="site-table"') :]
    rows = rows[: rows.index("</table>")]
    shown = re.findall(r'class="figure">([^<]+)</span> <small>([^<]+) to ([^<]+)</small>', rows)
    found = {tuple(float(end.replace("\u2212", "-")) for end in row) for row in shown}
    assert len(shown) == len(table) == 14 and wanted == found
    assert "Middle gain of the sites, dry-season NDVI" in html
