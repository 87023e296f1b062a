"""The small parts: the rule, the words, the colours, the axes."""

from __future__ import annotations

import math
import re
from datetime import date
from importlib import resources

import matplotlib as mpl
import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from afterrains.delivery.page.axes import (
    Scale,
    band_path,
    coordinate,
    decimals_of,
    line_path,
    nice_ticks,
    padded,
)
from afterrains.delivery.page.first_screen import spi_class
from afterrains.delivery.page.next_step import NextStep, next_step
from afterrains.delivery.page.palette import DARK, LIGHT, ON_PICTURE, SLOPE_COLOURS
from afterrains.delivery.page.seasons import Season, SeasonNames
from afterrains.delivery.page.texts import Texts, load_texts, one_line, plain, shortened

# --- the rule -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("verdict", "reason", "answer_by", "expected"),
    [
        ("gain", "", "", NextStep("leave")),
        ("loss", "fell suddenly in 2022-dry", "", NextStep("protect")),
        ("no-gain", "", "", NextStep("sow-again")),
        ("no-gain", "the ground recovers by itself", "", NextStep("leave")),
        ("grass-only", "", "", NextStep("visit")),
        ("grass-only", "", "2027-dry", NextStep("wait", "2027-dry")),
        ("too-early", "", "2027-dry", NextStep("wait", "2027-dry")),
        ("too-early", "nor within the seasons planned", "", NextStep("visit")),
        ("not-assessable", "too small", "", NextStep("visit")),
        ("not-assessable", "no clear value", "2026-dry", NextStep("wait", "2026-dry")),
    ],
)
def test_next_step_follows_the_table_in_the_module(verdict, reason, answer_by, expected):
    """The rule as its docstring has it, line by line."""
    assert next_step(verdict, reason, answer_by) == expected


def test_ground_sown_this_year_waits_for_its_first_dry_season():
    """Nothing grows to be seen before a whole dry season has passed."""
    assert next_step("too-early", "", "", 0) == NextStep("wait")
    assert next_step("too-early", "", "2030-dry", 0) == NextStep("wait", "2030-dry")
    assert next_step("too-early", "", "", 1) == NextStep("visit")


# --- the words ------------------------------------------------------------------------------


def test_no_text_is_dead():
    """Each key, or the stem that a form, a list place or a name is put to, stands in the code."""
    delivery = resources.files("afterrains.delivery")
    page = delivery.joinpath("page")
    sources = "".join(
        file.read_text("utf-8")
        for folder in (delivery, page, page.joinpath("templates"), delivery.joinpath("outlook"))
        for file in folder.iterdir()
        if file.name.endswith((".py", ".j2")) and (folder != delivery or "outlook" in file.name)
    )
    whole = set(re.findall(r"""["']([a-z_]+(?:\.[a-z_-]+)*)["']""", sources))
    stems = set(re.findall(r"""f"([a-z_]+\.[a-z_.]*)\{""", sources))
    stems |= set(re.findall(r"""'([a-z_]+\.[a-z_.]*)' ~""", sources))
    stems |= set(re.findall(r"""["']([a-z_]+\.(?:[a-z_]+\.)*)["']""", sources))

    def asked(key: str) -> bool:
        plain_key = re.sub(r"\.(one|other|[0-9]+)$", "", key)
        return {key, plain_key} & whole != set() or any(key.startswith(stem) for stem in stems)

    assert {key for key in load_texts().keys if not asked(key)} == set()


def test_a_key_that_yaml_takes_for_true_is_refused():
    """YAML 1.1 reads a bare on, off, yes or no as true or false: a text would be lost."""
    with pytest.raises(TypeError, match=r"False under 'plates\.' is no text"):
        Texts({"writing": {"one": [1]}, "plates": {False: "…"}})


def test_numbers_and_days_are_written_as_the_language_writes_them():
    """By hand: narrow no-break space, true minus, no minus zero, sign where asked."""
    texts = load_texts()
    assert texts.number(12345.678, 1) == "12\u202f345.7"
    assert texts.number(-0.0004, 3) == "0.000"
    assert texts.number(-0.0704, 3, signed=True) == "\u22120.070"
    assert texts.number(0.0704, 3, signed=True) == "+0.070"
    assert texts.number(0, 2, signed=True) == "0.00"
    assert texts.date(date(2021, 5, 4)) == "4 May 2021"
    assert texts.count("head.sown", 1) == "1 sown site"
    assert texts.count("head.sown", 0) == "0 sown sites"


def test_what_html_cannot_hold_is_shown_as_the_replacement_character():
    """HTML Living Standard 13.2.3.5: control characters and noncharacters are parse errors."""
    assert plain("a\x00b\x1bc\ud800d\ufffe") == "a\ufffdb\ufffdc\ufffdd\ufffd"
    assert plain("tab\tand\nline") == "tab\tand\nline"
    assert plain("e" + "\u0301" * 50) == "e" + "\u0301" * 4
    assert shortened("  one \n two  ") == "one two"
    assert shortened("x" * 61) == "x" * 59 + "…"
    assert one_line("\u202edrow\u202c") == "drow"


def test_a_braced_name_is_no_pattern():
    """str.format never sees foreign text as its pattern."""
    text = load_texts()("head.title", programme="{0.__class__} {nothing}")
    assert text.startswith("{0.__class__} {nothing}")


def _season(name: str, kind: str, start: date, end: date) -> Season:
    return Season(name, kind, start, end)


def test_seasons_are_said_as_people_say_them():
    """By hand; a season still to come takes after its namesakes, two a year get their number."""
    calendar = {
        "2023-rains": _season("2023-rains", "rains", date(2023, 6, 1), date(2023, 9, 30)),
        "2023-dry": _season("2023-dry", "dry", date(2023, 10, 1), date(2024, 5, 31)),
        "2025-dry": _season("2025-dry", "dry", date(2025, 10, 1), date(2025, 12, 31)),
        "2024-dry-1": _season("2024-dry-1", "dry", date(2024, 1, 1), date(2024, 2, 20)),
    }
    names = SeasonNames(calendar, load_texts())
    assert names.label("2023-dry") == "2023/24 dry season"
    assert names.label("2027-dry") == "2027/28 dry season"
    assert names.label("2025-dry") == "2025/26 dry season"  # the record stops within it
    assert names.label("2023-rains") == "2023 rains"
    assert names.label("2024-dry-1") == "2024 dry season 1"
    assert names.label("2021-long-rains") == "2021 long rains"
    assert names.label("") == ""
    assert names.in_words("it could by 2027-dry") == "it could by the 2027/28 dry season"
    assert sorted(["2027-dry", "2023-dry", "2023-rains"], key=names.order) == [
        "2023-rains",
        "2023-dry",
        "2027-dry",
    ]


@pytest.mark.parametrize(
    ("spi", "expected"),
    [
        (2.0, "extremely_wet"),
        (1.99, "very_wet"),
        (1.5, "very_wet"),
        (1.49, "moderately_wet"),
        (1.0, "moderately_wet"),
        (0.99, "near_normal"),
        (-0.99, "near_normal"),
        (-1.0, "moderately_dry"),
        (-1.49, "moderately_dry"),
        (-1.5, "severely_dry"),
        (-1.99, "severely_dry"),
        (-2.0, "extremely_dry"),
    ],
)
def test_spi_classes_are_those_of_the_wmo_guide(spi, expected):
    """WMO-No. 1090 (2012), table of SPI values: every limit of every class."""
    assert spi_class(spi) == expected


def test_the_catalogue_is_plain_text():
    """No markup in the texts, so that they can be translated without touching the page."""
    file = resources.files("afterrains.delivery.page").joinpath("texts", "en.yaml")
    content = file.read_text("utf-8")
    assert yaml.safe_load(content)["writing"]["language"] == "en"
    assert not re.search(r"<[a-z/]", content.replace("<language>", ""))


# --- the colours ----------------------------------------------------------------------------


def _luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2, https://www.w3.org/TR/WCAG22/#dfn-relative-luminance."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio, WCAG 2.2, https://www.w3.org/TR/WCAG22/#dfn-contrast-ratio."""
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_is_worked_out_as_the_standard_does():
    """Black on white is 21 by definition; #767676 on white 4.54 (value from memory)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("theme", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("ground", ["paper", "sheet", "tint"])
def test_letters_and_marks_stand_out(theme, ground):
    """WCAG 2.2 AA: 4.5 to 1 for text (1.4.3), 3 to 1 for marks, lines and focus (1.4.11)."""
    for name in ("ink", "quiet", "link", "sown", "control"):
        assert contrast(theme[name], theme[ground]) >= 4.5, name
    for name in ("gain", "loss", "no-gain", "grass-only", "too-early", "not-assessable"):
        assert contrast(theme[name], theme[ground]) >= 3, name
    for name in ("rain", "edge", "focus"):
        assert contrast(theme[name], theme[ground]) >= 3, name


def test_diverging_colours_are_the_published_ones():
    """Against matplotlib's copies of the ColorBrewer schemes BrBG (11 classes) and Blues (9)."""

    def scheme(name: str, classes: int) -> set[str]:
        colours = mpl.colormaps[name].resampled(classes)
        return {mpl.colors.to_hex(colours(at)) for at in range(classes)}

    brbg = scheme("BrBG", 11)
    assert set(SLOPE_COLOURS) <= brbg
    for theme in (LIGHT, DARK):
        assert {theme[name] for name in ("gain", "loss", "sown", "control")} <= brbg
        assert theme["rain"] in scheme("Blues", 9)
    assert {ON_PICTURE["gain"], ON_PICTURE["loss"], ON_PICTURE["no-gain"]} <= brbg


# --- the axes -------------------------------------------------------------------------------

_numbers = st.floats(-1e6, 1e6, allow_nan=False)


@given(low=_numbers, width=st.floats(1e-6, 1e6), most=st.integers(1, 12))
def test_ticks_are_few_round_and_inside(low, width, most):
    """By definition: steps of 1, 2 or 5 times ten to n, evenly spaced, none outside."""
    high = low + width
    if not low < high:
        return
    ticks = nice_ticks(low, high, most)
    room = 1e-6 * max(abs(low), abs(high), width)
    assert len(ticks) <= most
    assert all(low - room <= tick <= high + room for tick in ticks)
    if len(ticks) > 1 and width > 1e-3 * abs(low):
        step = ticks[1] - ticks[0]
        mantissa = step / 10 ** math.floor(math.log10(step * (1 + 1e-9)))
        assert min(abs(mantissa - round_one) for round_one in (1, 2, 5, 10)) < 1e-3


def test_ticks_by_hand():
    assert nice_ticks(0.07, 0.21, 4) == [0.1, 0.15, 0.2]
    assert nice_ticks(0, 440, 3) == [0, 200, 400]
    assert nice_ticks(-0.03, 0.09, 4) == [0, 0.05]
    assert decimals_of([0.1, 0.15, 0.2]) == 2
    assert decimals_of([0, 200]) == 0
    with pytest.raises(ValueError, match="no ticks between"):
        nice_ticks(1, 1, 4)


def test_scale_is_a_straight_line():
    y = Scale(0, 10, 100, 0)
    assert (y(0), y(2.5), y(10)) == (100, 75, 0)
    assert (y(12), y.inside(12)) == (-20, 0)
    with pytest.raises(ValueError, match="low < high"):
        Scale(1, 1, 0, 1)
    assert padded([1, 3], 0.5) == (0, 4)
    assert padded([2, 2], 0, least=1) == (1.5, 2.5)


def test_gaps_lift_the_pen():
    assert coordinate(-0.04) == "0"
    assert line_path([(0, 0), (1, 2.25), None, (5, 5), None]) == "M0 0L1 2.2"
    assert band_path([(0, 0, 4), (2, 1, 3)], 1) == "M0 0L2 1L2 3L0 4Z"
    assert band_path([None, (5, 1, 3), None], 1) == "M4 1L6 1L6 3L4 3Z"
