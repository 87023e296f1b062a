"""What was looked at: looks of each season, gaps of the rain record, checks on foot."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from afterrains.delivery.columns import Column, Table
from afterrains.delivery.page import build, seen_tables
from afterrains.delivery.page.folder import read_folder
from afterrains.delivery.table_files import write_csv

_SHARES = ("clear", "leftover", "masked", "unreadable", "not_covered")
# The columns that the page reads of tables which not every version of the results has.
_TABLES = {
    "looks": Table(
        "looks",
        "Looks",
        "a site in a pass",
        (
            Column("site_id", "string", "…"),
            Column("date", "date", "…"),
            *(Column(name, "number", "…", decimals=6) for name in _SHARES),
        ),
        order=("site_id", "date"),
    ),
    "field_evidence": Table(
        "field_evidence",
        "Field",
        "a site that was visited",
        (
            Column("site_id", "string", "…"),
            *(
                Column(name, "integer", "…")
                for name in ("checks", "seen_more", "seen_unchanged", "seen_less")
            ),
            Column("last_surveyed_on", "date", "…"),
            Column("field_says", "string", "…"),
            Column("agreement", "string", "…"),
        ),
        primary_key=("site_id",),
    ),
}


@pytest.fixture
def seen(output: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The invented folder with three looks at one site and checks on two."""
    monkeypatch.setattr(seen_tables, "_definition", _TABLES.get)
    copy = shutil.copytree(output, tmp_path / "out")
    shutil.rmtree(copy / "rasters")
    looks = pd.DataFrame(
        [
            ("s001", "2020-12-01", 0.5, 0.1, 0.2, 0.1, 0.1),
            ("s001", "2021-01-01", 1.0, 0.0, 0.0, 0.0, 0.0),
            ("s001", "2021-07-01", 0.0, 0.0, 0.0, 0.0, 1.0),
            ("s001", "2001-07-01", 1.0, 0.0, 0.0, 0.0, 0.0),
        ],
        columns=["site_id", "date", *_SHARES],
    )
    looks["date"] = pd.to_datetime(looks["date"])
    write_csv(_TABLES["looks"], looks, copy)
    field = pd.DataFrame(
        {
            "site_id": ["s001", "s003"],
            "checks": [4, 1],
            "seen_more": [0, 1],
            "seen_unchanged": [3, 0],
            "seen_less": [1, 0],
            "last_surveyed_on": pd.to_datetime(["2025-02-03", "2025-02-04"]),
            "field_says": ["unchanged", "too few checks"],
            "agreement": ["disagree", "open"],
        }
    )
    write_csv(_TABLES["field_evidence"], field, copy)
    return copy


def test_looks_are_summed_up_by_season(seen: Path):
    """By hand: two looks in the dry season of 2020/21, one in the rains of 2021, one too early."""
    looks = read_folder(seen).season_looks
    assert looks is not None
    shares = [(each.season.season, each.shares) for each in looks["s001"]]
    assert shares == [
        ("2020-dry", pytest.approx((1.5, 0.3, 0.1, 0.1))),
        ("2021-rains", pytest.approx((0.0, 0.0, 0.0, 1.0))),
    ]


def test_bars_of_looks_are_as_tall_as_their_shares(seen: Path):
    """By hand: 1.5 clear looks stand on the axis, 0.3 masked ones on top, a fifth as tall."""
    html = build(seen).read_text("utf-8")
    tall = {}
    for kind in ("clear", "masked"):
        (path,) = re.findall(rf'<path class="look-{kind}" d="(M[^"]+)"', html)
        low, high = re.match(r"M[\d.]+ ([\d.]+)V([\d.]+)", path).groups()
        tall[kind] = (float(low), float(high))
    assert tall["clear"][0] == 436 and tall["masked"][0] == tall["clear"][1]
    heights = {kind: low - high for kind, (low, high) in tall.items()}
    assert heights["masked"] == pytest.approx(heights["clear"] / 5, abs=0.1)
    assert "not covered by any scene" in html


def test_field_stands_beside_the_verdict_and_leaves_it(seen: Path, parse: Callable[[Path], Any]):
    text = " ".join("".join(parse(build(seen)).text).split())
    assert "On 1 site the field disagrees with the satellite:" in text
    assert (
        "4 checks, the newest on 3 February 2025: woody plants more on 0, unchanged on 3, less on "
        "1. That disagrees with the verdict, which stands as it is; find out why." in text
    )
    assert "1 check, the newest on 4 February 2025" in text
    assert read_folder(seen).verdicts[0].verdict == "gain"


def test_rains_without_a_figure_are_marked(seen: Path):
    """Rain of one rainy season is taken out of the table: one question mark, and its key."""
    file = seen / "seasons.csv"
    lines = file.read_text("utf-8").splitlines(keepends=True)
    at = next(n for n, line in enumerate(lines) if line.startswith("s002,sown,2019-rains"))
    cells = lines[at].split(",")
    cells[6] = ""
    lines[at] = ",".join(cells)
    file.write_text("".join(lines), "utf-8")
    html = build(seen).read_text("utf-8")
    assert len(re.findall(r'<text class="x gap"', html)) == 1
    assert "is not known, or not all of it" in html


def test_without_these_tables_nothing_is_said_of_them(page: Path):
    html = page.read_text("utf-8")
    for mark in ('class="look-', 'class="field"', 'class="x gap"'):
        assert mark not in html
