"""outlook.html as its readers open it: in both languages, offline, by keyboard, small, on paper."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from fake_output import HOSTILE_NAMES

from afterrains.delivery.outlook_page import OutlookPage, write_outlook_page
from afterrains.delivery.page.seasons import Season
from afterrains.delivery.page.texts import load_texts, plain

OpenTab = Callable[..., Any]


def _gains() -> pd.DataFrame:
    """Four seasons of three sites, all of them together and one plan."""
    rows = []
    for scope, site, pool, sites in (
        *(("site", name, "", 1) for name in ("s1", HOSTILE_NAMES[0], HOSTILE_NAMES[6])),
        ("pool", "", "all sites", 3),
        ("plan", "", "", 3),
    ):
        for since in range(1, 5):
            reach = 0.0634 / since / sites**0.5
            rows.append(
                {
                    "scope": scope,
                    "site_id": site,
                    "pool": pool,
                    "sites": sites,
                    "controls": 10,
                    "seasons_before": 4,
                    "seasons_since_sowing": since,
                    "season": f"{2020 + since}-dry",
                    "expected_share": since / 4,
                    "detectable_gain": reach,
                    "meaningful_gain": 0.02,
                    "seen": reach <= 0.02,
                    "gain_unit": "ndvi",
                }
            )
    return pd.DataFrame(rows)


def _starts() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "site_id": name, "month": month, "years": 30, "good": 20 - month, "broken": 10,
            "none": month, "share_good": (20 - month) / 30, "median_days_waited": 40.0,
        }
        for name in ("s1", HOSTILE_NAMES[1])
        for month in range(1, 13)
    )  # fmt: skip


def _lots() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "site_id": list(HOSTILE_NAMES[:6]), "stratum": HOSTILE_NAMES[2],
            "lot": range(1, 7), "sow_first": [True, False] * 3,
        }
    )  # fmt: skip


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The page in each language."""
    content = OutlookPage(
        name=HOSTILE_NAMES[0],
        gains=_gains(),
        starts=_starts(),
        lots=_lots(),
        rain_years=(1994, 2023),
        seed=7,
        notes=("Without a rain record nothing can be said of good starts.", "Odd <b>words</b>."),
        seasons=(Season("2020-dry", "dry", date(2020, 10, 1), date(2021, 6, 1)),),
    )
    return {
        language: write_outlook_page(
            tmp_path_factory.mktemp(language), replace(content, language=language)
        )
        for language in ("en", "fr")
    }


def test_every_word_is_in_the_language_of_the_programme(pages: dict[str, Path]):
    """No English text of the outlook is left on the French page; figures by hand: 0.0634/4."""
    html = pages["fr"].read_text("utf-8")
    english = load_texts()
    left = [
        key
        for key in english.keys
        if key.startswith("outlook.") and "{" not in english(key) and english(key) in html
        if len(english(key)) > 12
    ]
    assert left == []
    assert '<html lang="fr"' in html and "<td>0,016</td>" in html and "juil</text>" in html
    assert "Sans relevé de pluie, on ne peut rien dire des bons départs." in html
    assert '<li lang="en">Odd &lt;b&gt;words&lt;/b&gt;.</li>' in html
    assert "<td>0.016</td>" in pages["en"].read_text("utf-8")
    assert "<td>2024/25</td>" in html  # first seen after four seasons: 0.0159 is under 0.02


def test_a_long_wait_is_not_drawn_as_a_month_to_sow_in(tmp_path: Path):
    """One rainy season, by hand: 250 days of waiting from November, 40 from May, 20 of 30 good.

    November's good starts are those of the next rains: they are drawn apart and said to be, and
    May alone is named as the month with most good starts.
    """
    starts = _starts().query("site_id == 's1'").assign(good=5, broken=25, none=0, share_good=5 / 30)
    best = starts["month"].isin([5, 11])
    starts.loc[best, ["good", "broken", "share_good"]] = [20, 10, 20 / 30]
    starts.loc[starts["month"] >= 10, "median_days_waited"] = 250.0
    content = OutlookPage(
        name="x", gains=None, starts=starts, lots=None, rain_years=(1994, 2023), seed=7, notes=()
    )
    html = write_outlook_page(tmp_path, content).read_text("utf-8")
    assert len(re.findall('<rect class="bar late" [^>]*width="36"', html)) == 3
    assert len(re.findall('<rect class="bar good" [^>]*width="36"', html)) == 9
    assert re.search("most good starts fell to May [(]67\\s% of past years[)]", html)
    assert "Sown in October, November, December, it usually lies longer" in html
    soon = write_outlook_page(tmp_path, replace(content, starts=_starts())).read_text("utf-8")
    assert "bar late" not in soon.split("</style>")[1] and "lies longer" not in soon
    barren = replace(content, starts=starts.assign(good=0, broken=30, share_good=0.0))
    html = write_outlook_page(tmp_path, barren).read_text("utf-8")
    assert "usually waits no more than 90 days" in html and "most good starts" not in html


@pytest.mark.browser
@pytest.mark.parametrize(
    ("language", "width", "scheme"),
    [("en", 1280, "light"), ("en", 360, "dark"), ("fr", 360, "light"), ("fr", 1280, "dark")],
)
def test_outlook_has_no_fault_of_access(
    pages: dict[str, Path], open_tab: OpenTab, language: str, width: int, scheme: str
):
    """By axe-core; nothing is fetched, nothing scrolls sideways, hostile names are text."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    tab = open_tab(pages[language], width=width, scheme=scheme)
    found = axe.Axe().run(tab.page).response["violations"]
    assert [(fault["id"], fault["impact"]) for fault in found] == []
    assert [url for url in tab.requests if not url.startswith("data:")] == [
        pages[language].as_uri()
    ]
    assert tab.complaints == []
    assert tab.page.evaluate("document.documentElement.scrollWidth") == width
    shown = " ".join(tab.page.locator("bdi").all_text_contents())
    for name in HOSTILE_NAMES[:7]:
        assert plain(name)[:50] in shown
    assert tab.page.locator("img, script").count() == 0


@pytest.mark.browser
def test_outlook_by_keyboard_and_on_paper(pages: dict[str, Path], open_tab: OpenTab):
    """Every part that scrolls can be reached and is seen to be; A4 holds it in a few pages."""
    tab = open_tab(pages["fr"], width=360, scheme="dark")
    for _ in range(tab.page.locator(".scroll").count()):
        tab.page.keyboard.press("Tab")
        assert tab.page.evaluate("document.activeElement.className").startswith("scroll")
        outline = "parseFloat(getComputedStyle(document.activeElement).outlineWidth)"
        assert tab.page.evaluate(outline) >= 2
    sheet = tab.page.pdf(format="A4")
    assert 1 < len(re.findall(rb"/Type\s*/Page\b", sheet)) < 8
    tab.page.emulate_media(media="print")
    assert tab.page.evaluate("getComputedStyle(document.body).color") == "rgb(42, 37, 31)"
