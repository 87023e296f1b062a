"""The page as its readers open it: from the disk, offline, by keyboard, small, on paper."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from fake_output import HOSTILE_NAMES

from afterrains.delivery.page.texts import plain

pytestmark = pytest.mark.browser
OpenTab = Callable[..., Any]


def _numbers(tab: Any) -> list[str]:
    """Site numbers in the order the table shows them."""
    found: list[str] = tab.page.eval_on_selector_all(
        "#site-table tbody tr:not([hidden]) td.no", "cells => cells.map(cell => cell.textContent)"
    )
    return found


def test_opens_offline_without_a_request_or_a_complaint(page: Path, open_tab: OpenTab):
    tab = open_tab(page)
    tab.page.mouse.wheel(0, 20_000)
    tab.page.wait_for_load_state("networkidle")
    fetched = [url for url in tab.requests if not url.startswith("data:")]
    assert fetched == [page.as_uri()]
    assert tab.complaints == []


def test_hostile_names_are_seen_and_do_nothing(page: Path, open_tab: OpenTab):
    tab = open_tab(page)
    headings = " ".join(tab.page.locator(".sheet h3").all_text_contents())
    for name in HOSTILE_NAMES:
        assert " ".join(plain(name)[:50].split()) in headings
    assert tab.page.title() == "Dune Edge sowing programme: regeneration report"
    assert tab.page.locator("img").count() == 0
    assert tab.complaints == []


@pytest.mark.parametrize("width", [320, 360, 768, 1280])
def test_page_never_scrolls_sideways(page: Path, open_tab: OpenTab, width: int):
    """WCAG 2.2, 1.4.10: no scrolling in two directions from 320 CSS pixels up."""
    tab = open_tab(page, width=width)
    assert tab.page.evaluate("document.documentElement.scrollWidth") == width


@pytest.mark.parametrize("language", ["small_page", "small_french_page"])
def test_tables_of_choices_stand_whole_on_a_phone(
    language: str, open_tab: OpenTab, request: pytest.FixtureRequest
):
    """Names kept in one piece and costs in sight, with nothing to push sideways."""
    tab = open_tab(request.getfixturevalue(language), width=360)
    tables = tab.page.eval_on_selector_all(
        ".scroller:has(> .cards)",
        "all => all.filter(e => e.clientWidth).map(e => [e.scrollWidth, e.clientWidth])",
    )
    assert len(tables) >= 4 and all(whole <= seen for whole, seen in tables)
    labels = tab.page.eval_on_selector_all(
        ".cards td.money", "cells => cells.map(cell => cell.dataset.label)"
    )
    assert labels and all(labels)


@pytest.mark.parametrize("language", ["small_page", "small_french_page"])
def test_figures_behind_a_drawing_are_read_on_a_phone_without_pushing(
    language: str, open_tab: OpenTab, request: pytest.FixtureRequest
):
    """Each cell shows the head of its own column; a screen reader still hears a table."""
    tab = open_tab(request.getfixturevalue(language), width=360)
    tab.page.eval_on_selector_all(".figures", "all => all.forEach(each => { each.open = true; })")
    sizes = tab.page.eval_on_selector_all(
        ".figures .scroller", "all => all.map(e => [e.scrollWidth, e.clientWidth])"
    )
    assert len(sizes) == 6 and all(0 < seen and whole <= seen for whole, seen in sizes)
    heads, shown = tab.page.evaluate(
        """() => {
            const table = [...document.querySelectorAll('.figures table')].find(each =>
                [...each.tBodies[0].rows].some(row => row.cells[5].textContent));
            const row = [...table.tBodies[0].rows].find(each => each.cells[5].textContent);
            return [
                [...table.tHead.rows[0].cells].slice(1).map(cell => cell.textContent),
                [...row.cells].slice(1).map(cell => getComputedStyle(cell, '::before').content),
            ];
        }"""
    )
    assert len(heads) == 7
    for head, before in zip(heads, shown, strict=True):
        assert before.startswith(f'"{head}') and ":" in before, (head, before)
    assert tab.page.locator(".figures").first.get_by_role("cell").count() > 7


def test_long_and_reversed_names_keep_their_line(page: Path, open_tab: OpenTab):
    """The reversed name is fenced off: what stands after it in its row is not turned round."""
    tab = open_tab(page)
    assert tab.page.locator("#site-table tbody tr").count() == 16
    heights = tab.page.eval_on_selector_all(
        "#site-table tbody tr", "rows => rows.map(row => row.getBoundingClientRect().height)"
    )
    assert max(heights) < 80
    row = tab.page.locator("#site-table tbody tr", has_text="gnisrever")
    name, step = row.locator("bdi").bounding_box(), row.locator(".step").bounding_box()
    assert name["x"] < step["x"]


def test_table_is_sorted_by_keyboard(page: Path, open_tab: OpenTab):
    tab = open_tab(page)
    head = tab.page.locator("th[data-key=number]")
    head.locator("button").focus()
    tab.page.keyboard.press("Enter")
    assert _numbers(tab) == [str(n) for n in range(1, 17)]
    assert head.get_attribute("aria-sort") == "ascending"
    tab.page.keyboard.press("Space")
    assert _numbers(tab) == [str(n) for n in range(16, 0, -1)]
    assert head.get_attribute("aria-sort") == "descending"


def test_gain_sorts_as_numbers_with_missing_last(page: Path, open_tab: OpenTab):
    tab = open_tab(page)
    button = tab.page.locator("th[data-key=gain] button")
    for order in (-1, 1):
        button.click()
        keys = tab.page.eval_on_selector_all(
            "#site-table tbody td.gain", "cells => cells.map(cell => cell.dataset.sort)"
        )
        gains = [float(key) for key in keys if key]
        assert gains == sorted(gains, key=lambda gain: order * gain)
        assert keys[len(gains) :] == [""] * 2


def test_filter_hides_rows_and_sheets_alike(page: Path, open_tab: OpenTab):
    tab = open_tab(page)
    tab.page.select_option("#show", "loss")
    assert sorted(_numbers(tab), key=int) == ["2", "8", "14"]
    assert tab.page.locator(".sheet:visible").count() == 3
    assert tab.page.inner_text("#shown") == "3 of 16 sites shown"
    tab.page.locator("#site-table").get_by_role("link", name="Low Dune 3").click()
    tab.page.select_option("#show", "")
    tab.page.fill("#find", "salt")
    assert tab.page.locator(".sheet:visible").count() == len(_numbers(tab)) == 0
    tab.page.fill("#find", "goat track")
    assert _numbers(tab) == ["12"]
    tab.page.locator(".ledger .who a", has_text=re.compile("^13$")).click()
    assert tab.page.locator(".sheet:visible").count() == 16


def test_ledger_leads_to_the_sites_of_a_verdict(page: Path, open_tab: OpenTab):
    tab = open_tab(page)
    tab.page.locator(".ledger a", has_text="Sow again").or_(
        tab.page.locator(".ledger a", has_text="No gain")
    ).first.click()
    assert sorted(_numbers(tab), key=int) == ["3", "9", "15"]


def test_theme_can_be_turned(page: Path, open_tab: OpenTab):
    tab = open_tab(page, scheme="light")
    ground = "getComputedStyle(document.body).backgroundColor"
    before = tab.page.evaluate(ground)
    tab.page.locator("#theme").focus()
    tab.page.keyboard.press("Enter")
    assert tab.page.evaluate(ground) != before
    assert tab.page.evaluate(ground) == open_tab(page, scheme="dark").page.evaluate(ground)


def test_everything_is_there_without_scripts(page: Path, open_tab: OpenTab):
    tab = open_tab(page, scripts=False)
    assert tab.page.locator(".sheet:visible").count() == 16
    assert tab.page.locator("#site-table tbody tr:visible").count() == 16
    assert tab.page.locator(".finder:visible, .tools:visible").count() == 0
    tab.page.locator(".figures summary").first.click()
    assert tab.page.locator(".figures table").first.is_visible()


def test_every_stop_of_the_keyboard_is_seen(page: Path, open_tab: OpenTab):
    """WCAG 2.2, 2.4.7: forty stops from the top, each with an outline or a marked edge."""
    tab = open_tab(page)
    for _ in range(40):
        tab.page.keyboard.press("Tab")
        width = tab.page.evaluate(
            """() => {
                const now = document.activeElement;
                const pin = now.querySelector?.(".pin rect");
                return pin
                    ? parseFloat(getComputedStyle(pin).strokeWidth)
                    : parseFloat(getComputedStyle(now).outlineWidth);
            }"""
        )
        assert width >= 2, tab.page.evaluate("document.activeElement.outerHTML.slice(0, 120)")


@pytest.mark.parametrize(
    ("language", "width", "scheme"),
    [
        ("en", 1280, "light"),
        ("en", 1280, "dark"),
        ("en", 360, "light"),
        ("fr", 1280, "light"),
        ("fr", 360, "dark"),
    ],
)
def test_axe_finds_no_fault(
    small_page: Path,
    small_french_page: Path,
    open_tab: OpenTab,
    language: str,
    width: int,
    scheme: str,
):
    """By axe-core, the accessibility checker, as the axe-playwright-python package brings it."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    shown = {"en": small_page, "fr": small_french_page}[language]
    tab = open_tab(shown, width=width, scheme=scheme)
    assert tab.page.evaluate("document.documentElement.lang") == language
    tab.page.evaluate("document.querySelectorAll('details').forEach(part => part.open = true)")
    found = axe.Axe().run(tab.page).response["violations"]
    assert [(fault["id"], fault["impact"]) for fault in found] == []


@pytest.mark.parametrize("width", [320, 1280])
def test_hostile_names_do_nothing_on_the_french_page(
    small_french_page: Path, open_tab: OpenTab, width: int
):
    tab = open_tab(small_french_page, width=width)
    headings = " ".join(tab.page.locator(".sheet h3").all_text_contents())
    for name in HOSTILE_NAMES[:6]:
        assert " ".join(plain(name)[:50].split()) in headings
    assert tab.page.title().startswith("Dune Edge sowing programme")
    assert tab.page.locator("img").count() == 0
    assert tab.page.evaluate("document.documentElement.scrollWidth") == width
    assert tab.complaints == []


def test_print_gives_each_site_a_page_of_its_own(page: Path, open_tab: OpenTab):
    """Sixteen sheets, each lower than what A4 holds inside margins of 14 mm (269 of 297 mm)."""
    tab = open_tab(page, scheme="dark")
    pages = _pages(tab)
    assert 16 + 2 < pages < 40
    tab.page.set_viewport_size({"width": 688, "height": 1017})
    tab.page.emulate_media(media="print")
    assert (
        tab.page.locator(
            ".tools:visible, .finder:visible, .chooser:visible, .around:visible"
        ).count()
        == 0
    )
    assert tab.page.evaluate("getComputedStyle(document.body).color") == "rgb(42, 37, 31)"
    heights = tab.page.eval_on_selector_all(
        ".sheet", "sheets => sheets.map(s => s.getBoundingClientRect().height)"
    )
    assert len(heights) == 16 and max(heights) < 269 / 25.4 * 96


@pytest.mark.parametrize("language", ["en", "fr"])
def test_the_pdf_of_a_sheet_is_one_page(
    small_page: Path, small_french_page: Path, open_tab: OpenTab, language: str
):
    """All sheets alone give as many pages as there are; found by name, one site gives one."""
    tab = open_tab({"en": small_page, "fr": small_french_page}[language])
    tab.page.evaluate(
        """() => {
            document.querySelectorAll('body > *:not(main), main > *:not(.sheets), .sheets > *')
                .forEach(part => part.hidden = !part.classList.contains('sheet'));
        }"""
    )
    assert tab.page.locator(".sheet:visible").count() == 6
    assert _pages(tab) == 6
    tab.page.evaluate(
        "document.querySelectorAll('.sheet').forEach((sheet, at) => sheet.hidden = at !== 3)"
    )
    assert _pages(tab) == 1


@pytest.mark.parametrize("language", ["en", "fr"])
def test_the_first_printed_page_holds_the_first_screen(
    small_page: Path, small_french_page: Path, open_tab: OpenTab, language: str
):
    """What stands where, what changed and the last rains on one A4; tables begin after it."""
    tab = open_tab({"en": small_page, "fr": small_french_page}[language])
    tab.page.set_viewport_size({"width": 688, "height": 1017})
    tab.page.emulate_media(media="print")
    top = tab.page.locator("header.top").bounding_box()
    assert top and top["height"] < 269 / 25.4 * 96
    breaks = tab.page.eval_on_selector_all(
        ".all-sites, .choices, .sheets + section",
        "all => all.map(each => getComputedStyle(each).breakBefore)",
    )
    assert breaks == ["page"] * 3
    factor = tab.page.locator(".groups .factor").first
    assert factor.evaluate("each => getComputedStyle(each).breakAfter") == "avoid"


def _pages(tab: Any) -> int:
    """How many pages of A4 Chromium prints."""
    return len(re.findall(rb"/Type\s*/Page\b", tab.page.pdf(format="A4")))
