"""What to do next, costs, ways of sowing, changes and the calendar: as their tables have them."""

from __future__ import annotations

import csv
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from fake_output import write_output

from afterrains.delivery.page import build
from afterrains.delivery.page.answers import lay_answers
from afterrains.delivery.page.folder import read_folder
from afterrains.delivery.page.seasons import SeasonNames
from afterrains.delivery.page.sites import refer_to
from afterrains.delivery.page.texts import load_texts

Parse = Callable[[Path], Any]


@pytest.fixture(scope="module")
def decided(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the tables of costs and choices."""
    return write_output(tmp_path_factory.mktemp("decided") / "out", choices=True, pictures=False)


@pytest.fixture(scope="module")
def text(decided: Path, parse: Parse) -> str:
    return " ".join("".join(parse(build(decided)).text).split())


def _table(folder: Path, name: str) -> list[dict[str, str]]:
    with (folder / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_next_steps_are_those_chosen(decided: Path):
    """Each site's step against sow_again.csv; the rule of the module speaks only without it."""
    folder = read_folder(decided)
    refs = refer_to(folder.verdicts, folder.choices)
    steps = {"stop here": "stop", "wait": "wait", "visit first": "visit", "sow again": "sow-again"}
    steps |= {"leave alone": "leave", "protect first": "protect"}
    for row in _table(decided, "sow_again.csv"):
        step = refs[row["site_id"]].step
        assert (step.kind, step.until) == (steps[row["choice"]], row["until"])
    assert {ref.step.kind for ref in refer_to(folder.verdicts).values()} == set(steps.values()) - {
        "stop"
    }


def test_sites_to_sow_again_stand_by_their_rank(decided: Path, text: str):
    ranked = [row for row in _table(decided, "sow_again.csv") if row["rank"]]
    ranked.sort(key=lambda row: int(row["rank"]))
    assert [row["site_id"] for row in ranked] == ["s015", "s009", "s003"]
    assert "Sow again 15 9 3" in text
    table = text[text.index("Cost of one more sowing") :]
    assert table.index("15 s015") < table.index("9 ") < table.index("3 =HYPERLINK")
    assert "+0.006 if the rain holds: +0.011 (+0.001 to +0.017)" in table
    assert "55 %" in table and "no forecast" in text


def test_the_reason_of_a_choice_stands_on_the_sheet_once(text: str):
    """A reason of the choice is said; where it is the verdict's own, the step is explained."""
    assert "Sow again. Rain failed after its sowing: it came and did not hold" in text
    assert "Stop here. A reason that no catalogue has <i>yet</i>." in text
    assert "Visit. Only eyes on the ground can tell." in text
    assert text.count("Wait until the 2027/28 dry season. Until then a real gain") == 2


def test_ways_stand_with_their_costs_and_the_caution(decided: Path, text: str):
    html = build(decided).read_text("utf-8")
    cells = " ".join(re.sub(r"<[^>]+>", " ", html).split())
    assert "by hand 6 3 +0.014 +0.001 to +0.027 38 % XOF 24 000 XOF 55 000 30 000 or more" in cells
    assert "it came and held then it broke off" in text
    assert "1 way of sowing that only one site had is left out" in text
    assert "were not drawn by lot" in text and "Not a price of carbon" in text


def test_what_changed_says_why(text: str):
    assert "too early became not assessable (what differs: new season, late scenes)" in text


def test_calendar_holds_every_site_once_in_its_season(decided: Path):
    """Against answer_calendar.csv, and again from the verdicts and their history."""
    folder, texts = read_folder(decided), load_texts()
    refs = refer_to(folder.verdicts)
    columns = lay_answers(folder, refs, SeasonNames(folder.calendar, texts), texts)
    assert [(c.kind, c.label, c.count) for c in columns] == [
        ("past", "2022/23", 9),
        ("coming", "2027/28", 2),
        ("open", "Cannot be said", 5),
    ]
    (decided / "answer_calendar.csv").rename(decided / "put_away")
    try:
        again = read_folder(decided)
        columns = lay_answers(again, refs, SeasonNames(again.calendar, texts), texts)
    finally:
        (decided / "put_away").rename(decided / "answer_calendar.csv")
    assert sum(column.count for column in columns) == 16
    assert columns[-1].kind == "open"
    shown = [ref.number for column in columns for ref in column.refs]
    assert sorted(shown) == list(range(1, 17))
