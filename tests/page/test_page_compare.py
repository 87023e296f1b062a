"""Side by side: chosen by keyboard, on one scale, kept in the address, whole without scripts."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from fake_output import HOSTILE_NAMES

from afterrains.delivery.page.texts import plain

pytestmark = pytest.mark.browser
OpenTab = Callable[..., Any]


def _choose(tab: Any, *labels: str) -> None:
    for label in labels:
        tab.page.select_option("#compare-choice", label=label)
        tab.page.locator("#compare-add").focus()
        tab.page.keyboard.press("Enter")


def _labels(tab: Any) -> list[str]:
    found: list[str] = tab.page.locator(".member h3 bdi").all_text_contents()
    return found


def test_two_sites_and_a_group_stand_on_one_scale(page: Path, open_tab: OpenTab):
    tab = open_tab(page)
    _choose(tab, "12 Goat Track 2", "13 Tall Dune 3", "Gain")
    assert _labels(tab) == ["Goat Track 2", "Tall Dune 3", "Gain"]
    assert "3 side by side" in tab.page.inner_text("#compare-said")
    axes = tab.page.eval_on_selector_all(
        ".member .chart",
        "charts => charts.map(c => [...c.querySelectorAll('.y,.x')].map(t => "
        "`${t.textContent} ${t.getAttribute('x')} ${t.getAttribute('y')}`).join('|'))",
    )
    assert len(axes) == 3 and len(set(axes)) == 1 and axes[0].count("|") > 8
    assert tab.page.inner_text("#compare-note").startswith("Full line: sown.")
    assert "not an interval" in tab.page.inner_text("#compare-note")
    assert tab.complaints == []


def test_the_address_keeps_the_choice(page: Path, open_tab: OpenTab):
    tab = open_tab(page)
    _choose(tab, "13 Tall Dune 3", "Gain")
    address = tab.page.url
    assert "#compare=site-" in address and ",verdict-" in address
    other = open_tab(page)
    other.page.goto(address)
    other.page.reload()
    assert _labels(other) == ["Tall Dune 3", "Gain"]
    other.page.locator(".member .remove").first.click()
    assert _labels(other) == ["Gain"]
    other.page.locator("#compare-clear").click()
    assert _labels(other) == [] and other.page.url.endswith("#h-compare")


@pytest.mark.parametrize(
    "fragment",
    ["compare=", "compare=nothing", "compare=site-000000000000,__proto__", "compare=<b>,toString"],
)
def test_a_foreign_address_chooses_nothing(page: Path, open_tab: OpenTab, fragment: str):
    tab = open_tab(page)
    tab.page.goto(f"{page.as_uri()}#{fragment}")
    tab.page.reload()
    assert _labels(tab) == []
    assert tab.complaints == []


def test_no_more_than_six_are_taken_and_none_twice(page: Path, open_tab: OpenTab):
    tab = open_tab(page)
    for place in (0, 0, 1, 2, 3, 4, 5, 6):
        tab.page.select_option("#compare-choice", index=place)
        tab.page.locator("#compare-add").click()
    assert len(_labels(tab)) == 6
    assert tab.page.inner_text("#compare-said") == "No more than 6 fit side by side."


def test_hostile_names_are_text_in_the_comparison(page: Path, open_tab: OpenTab):
    tab = open_tab(page)
    for name in HOSTILE_NAMES[:6]:
        tab.page.evaluate(
            """words => {
                const choice = document.getElementById("compare-choice");
                choice.selectedIndex = [...choice.options].findIndex(o => o.text.includes(words));
                document.getElementById("compare-add").click();
            }""",
            plain(name)[1:12],
        )
    assert len(_labels(tab)) == 6
    assert tab.page.title() == "Dune Edge sowing programme: regeneration report"
    assert tab.page.locator("img, .member script, .member b").count() == 0
    assert tab.page.locator(".member h3 bdi", has_text="<script>").count() == 1
    assert tab.complaints == []


def test_a_sheet_puts_its_site_there(page: Path, open_tab: OpenTab):
    tab = open_tab(page)
    tab.page.get_by_role("button", name="Compare site 13").press("Enter")
    tab.page.get_by_role("button", name="Add to the comparison: Loss").press("Space")
    assert _labels(tab) == ["Tall Dune 3", "Loss"]


def test_groups_are_read_without_scripts(page: Path, open_tab: OpenTab):
    tab = open_tab(page, scripts=False)
    assert tab.page.locator(".groups tr[data-group]:visible").count() >= 12
    assert tab.page.locator(".chooser:visible").count() == 0
    assert "By method" in tab.page.inner_text(".groups")


@pytest.mark.parametrize(("width", "scheme"), [(1280, "dark"), (360, "light")])
def test_axe_finds_no_fault_in_a_comparison(
    small_page: Path, open_tab: OpenTab, width: int, scheme: str
):
    """By axe-core, with two sites and two groups chosen; no scrolling sideways either."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    tab = open_tab(small_page, width=width, scheme=scheme)
    for place in (0, 1, -1, -2):
        tab.page.evaluate(
            """at => {
                const choice = document.getElementById("compare-choice");
                choice.selectedIndex = (at + choice.options.length) % choice.options.length;
                document.getElementById("compare-add").click();
            }""",
            place,
        )
    assert len(_labels(tab)) == 4
    found = axe.Axe().run(tab.page, context=".compare").response["violations"]
    assert [(fault["id"], fault["impact"]) for fault in found] == []
    assert tab.page.evaluate("document.documentElement.scrollWidth") == width
