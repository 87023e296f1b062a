"""What each site and its controls looked like before sowing, as its sheet shows it."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from fake_output import write_output

from afterrains.delivery.page import build
from afterrains.delivery.page.balance_panel import BalancePanel, lay_balance
from afterrains.delivery.page.folder import read_folder
from afterrains.delivery.page.rows import Matched
from afterrains.delivery.page.seasons import SeasonNames
from afterrains.delivery.page.texts import load_texts


@pytest.fixture(scope="module")
def matched(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_output(
        tmp_path_factory.mktemp("matched") / "out", sown=4, controls=4, choices=True, pictures=False
    )


def _panel(folder: Path, site: str = "s001") -> BalancePanel:
    read, texts = read_folder(folder), load_texts()
    panel = lay_balance(read.balance[site], "ndvi", SeasonNames(read.calendar, texts), texts)
    assert panel is not None
    return panel


def test_rows_say_plainly_what_was_compared(matched: Path):
    """Vegetation first, then rain, then the ground; figures as in the table."""
    panel = _panel(matched)
    assert [(row.what, row.site, row.controls) for row in panel.rows] == [
        ("Dry-season NDVI", "0.121", "0.137"),
        ("Trend, a season", "+0.0004", "−0.0002"),
        ("Rain of the rains, mm", "281", "279"),
        ("Area, ha", "14.0", "10.0"),
        ("Distance to controls, km", "–", "13.3"),
    ]
    assert panel.caption.startswith("Over the seasons up to the 2016/17 dry season")


def test_more_than_a_quarter_is_marked(matched: Path):
    """Stuart (2010, doi 10.1214/09-STS313): .25 SD; variance ratios within .5 and 2."""
    panel = _panel(matched)
    assert [row.marked for row in panel.rows] == [True, False, True, False, False]
    assert [row.noise for row in panel.rows] == ["varied less", "", "varied more", "", ""]
    assert panel.said == "2 of 4 more than 0.25 apart: Dry-season NDVI; Rain of the rains, mm."


def test_dots_stand_in_proportion_and_an_arrow_tells_what_lies_beyond(matched: Path):
    rows = _panel(matched).rows
    x = [row.x for row in rows]
    assert x[-1] is None
    assert (x[0] - 50) / (x[1] - 50) == pytest.approx(-0.84 / 0.25, abs=0.01)
    assert [row.beyond for row in rows] == [0, 0, 1, 0, 0]
    start, width = _panel(matched).band
    assert x[1] == pytest.approx(start + width, abs=0.05)


def test_the_sheet_shows_it_and_one_without_says_nothing(
    matched: Path, parse: Callable[[Path], Any]
):
    page = build(matched)
    html = page.read_text("utf-8")
    assert html.count('<table class="balance">') == 3
    text = " ".join("".join(parse(page).text).split())
    assert text.count("Site and controls before sowing.") == 3
    assert "doi 10.1214/09-STS313" in text
    cells = " ".join(re.sub(r"<[^>]+>", " ", html).split())
    assert "Dry-season NDVI varied less 0.121 0.137 −0.84" in cells


def test_a_quantity_without_a_name_is_shown_as_the_table_has_it(matched: Path):
    read, texts = read_folder(matched), load_texts()
    row = Matched("s001", "2016-dry", "<b>slope</b>", 1.0, 2.0, None, None)
    panel = lay_balance([row], "points", SeasonNames(read.calendar, texts), texts)
    assert panel is not None
    assert panel.rows[0].what == "<b>slope</b>"
    assert panel.said == "No difference could be worked out."
