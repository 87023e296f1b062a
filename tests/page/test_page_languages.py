"""The page in its languages: whole catalogues, figures as each writes them, sentences."""

from __future__ import annotations

import ast
import inspect
import re
import shutil
import string
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path
from types import ModuleType
from typing import Any

import pandas as pd
import pytest
from typer.testing import CliRunner

from afterrains.choices.changes import CAUSES
from afterrains.cli import app
from afterrains.delivery.page.build import render
from afterrains.delivery.page.folder import Folder, read_folder
from afterrains.delivery.page.next_step import slug
from afterrains.delivery.page.seasons import SeasonNames
from afterrains.delivery.page.sentences import Said, Sentences
from afterrains.delivery.page.texts import LANGUAGES, Texts, load_texts
from afterrains.drawn import NOT_VISITED
from afterrains.evidence import control_notes, reasons, refusals
from afterrains.programme.ground import Identity
from afterrains.rain import RainRecord, record
from afterrains.results import rain, told

OTHERS = [language for language in LANGUAGES if language != "en"]


def _places(pattern: str) -> list[str]:
    return sorted(name for _, name, _, _ in string.Formatter().parse(pattern) if name)


def _raw(texts: Texts) -> dict[str, str]:
    return {key: texts(key) for key in texts.keys}


@pytest.mark.parametrize("language", OTHERS)
def test_catalogues_have_the_same_keys_and_places(language: str):
    english, other = _raw(load_texts()), _raw(load_texts(language))
    assert english.keys() == other.keys()
    different = {
        key: (text, other[key])
        for key, text in english.items()
        if _places(text) != _places(other[key]) and not key.startswith("writing.")
    }
    assert different == {}


@pytest.mark.parametrize("language", OTHERS)
def test_no_text_was_left_in_english(language: str):
    """Long texts differ in every language; short ones may not (Gain, Site, Verdict)."""
    english, other = _raw(load_texts()), _raw(load_texts(language))
    words = {key: re.sub(r"\{[a-z_]+\}", "", text) for key, text in english.items()}
    same = [key for key, text in english.items() if text == other[key]]
    assert [key for key in same if len(words[key]) > 24] == []


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_cause_of_a_change_has_its_words(language: str):
    texts = load_texts(language)
    assert [cause for cause in CAUSES if f"cause.{slug(cause)}" not in texts] == []


def test_the_programme_offers_every_language_that_has_a_catalogue():
    assert Identity.model_json_schema()["properties"]["language"]["enum"] == list(LANGUAGES)
    for language in LANGUAGES:
        assert load_texts(language).language == language


def test_french_writes_numbers_days_and_plurals_as_french_does():
    """By hand, after the usual French typography: comma, 1er, zero in the singular."""
    texts = load_texts("fr")
    assert texts.number(12345.678, 1) == "12\u202f345,7"
    assert texts.number(-0.0704, 3, signed=True) == "\u22120,070"
    assert texts.date(date(2021, 8, 1)) == "1er août 2021"
    assert texts.date(date(2021, 8, 11)) == "11 août 2021"
    assert texts.count("head.sown", 0) == "0 site semé"
    assert texts.count("head.sown", 2) == "2 sites semés"
    assert "\u00a0:" in texts("head.title") and " :" not in texts("head.title")


# --- the tables' sentences -------------------------------------------------------------------


@pytest.fixture(scope="module")
def french() -> Sentences:
    texts = load_texts("fr")
    return Sentences(texts, SeasonNames({}, texts))


@pytest.mark.parametrize(
    ("sentence", "french_words"),
    [
        (
            "more than comparable unsown ground, beyond chance",
            "plus que sur un terrain comparable non semé, au-delà du hasard",
        ),
        (
            "fell suddenly in 2020-dry against its own record and control, and has not come back",
            "chute soudaine durant la saison sèche 2020 par rapport à son propre passé et aux "
            "témoins, et n’est pas revenu",
        ),
        (
            "a gain of 0.012 NDVI, as is to be expected by now, could not be seen yet; it could by "
            "2029-dry",
            "un gain de 0,012 NDVI, tel qu’on peut l’attendre à présent, n’aurait pas encore pu se "
            "voir ; il le pourrait à la saison sèche 2029",
        ),
        (
            "a gain of 5, as is to be expected by now, could not be seen yet",  # as once written
            "un gain de 5, tel qu’on peut l’attendre à présent, n’aurait pas encore pu se voir",
        ),
        (
            "neither a gain nor its absence is beyond chance yet, nor within the 12 seasons "
            "planned with these controls and this record; with data that came later: no-gain "
            "(gain -0.004)",
            "ni un gain ni son absence ne dépassent encore le hasard, ni dans les 12 saisons "
            "prévues avec ces témoins et ces données ; avec les données venues plus tard : pas "
            "de gain (gain \u22120,004)",
        ),
        (
            "more than comparable unsown ground, beyond chance; its rain differed from its "
            "controls': against theirs it got 31 mm a season more than before the sowing. That is "
            "allowed for; else the gain would read -0.012 NDVI instead of +0.034",
            "plus que sur un terrain comparable non semé, au-delà du hasard ; sa pluie s’est "
            "écartée de celle de ses témoins : par rapport à la leur, il a reçu 31 mm par saison "
            "de plus qu’avant le semis. Il en est tenu compte ; sinon le gain se lirait "
            "\u22120,012 NDVI au lieu de +0,034",
        ),
        (
            "more than comparable unsown ground, beyond chance; 8 dry seasons before sowing cannot "
            "rule out that sown ground was already gaining 0.0031 a season on its controls, which "
            "would explain it",
            "plus que sur un terrain comparable non semé, au-delà du hasard ; 8 saisons sèches "
            "avant le semis n’excluent pas que le terrain semé gagnait déjà 0,0031 par saison sur "
            "ses témoins, ce qui l’expliquerait",
        ),
        (
            "beyond chance only if sown ground was not already gaining on its controls before "
            "sowing, and all sown sites together hint that it was",
            "au-delà du hasard seulement si le terrain semé ne gagnait pas déjà sur ses témoins "
            "avant le semis, et tous les sites semés ensemble laissent penser que si",
        ),
        (
            "only eyes can tell: no clear value this season",
            "seuls des yeux sur le terrain peuvent trancher : aucune valeur claire cette saison",
        ),
        (
            "no effective rain has fallen since it was sown, so no season is counted yet",
            "aucune pluie utile n’est tombée depuis le semis, aucune saison n’est donc encore "
            "comptée",
        ),
        (
            "3% of the days are unread; they are never taken as dry, and seasons with too many of "
            "them have no total.",
            "3 % des jours sont sans relevé ; ils ne comptent jamais comme secs, et les saisons "
            "où il en manque trop n’ont pas de total",
        ),
        ("no-gain (gain 0.004)", "pas de gain (gain 0,004)"),
        (
            "not used: unlike the sown ground before sowing, dry trend -0.021 against -0.004 to "
            f"0.003; {NOT_VISITED}",
            "non utilisé : différent du terrain semé avant le semis, tendance de saison sèche "
            "\u22120,021 contre \u22120,004 à 0,003 ; tiré au sort, vu par personne : il peut "
            "avoir été semé, cultivé, clôturé ou habité",
        ),
        (
            "the difference rests on one control, Bare; it could by the well: without it nothing "
            "is beyond chance",
            "la différence repose sur un seul témoin, Bare; it could by the well : sans lui, rien "
            "ne dépasse le hasard",
        ),
    ],
)
def test_sentences_are_said_in_french(french: Sentences, sentence: str, french_words: str):
    said = french.say(sentence)
    assert (said.text.replace("\u00a0", " "), said.lang) == (french_words, "")


@pytest.mark.parametrize(
    "sentence",
    [
        "a reason that nobody thought of",
        "more than comparable unsown ground, beyond chance, on Mondays",
        "the difference rests on one control, A: without it",
        "only eyes can tell: a reason that nobody thought of",
        "<script>alert(1)</script>",
    ],
)
def test_an_unknown_sentence_stays_english_and_says_so(french: Sentences, sentence: str):
    assert french.say(sentence) == Said(sentence, "en")


def _spoken(module: ModuleType, *functions: str) -> set[str]:
    """Pieces of sentences in the source of these functions: string constants of three words."""
    tree = ast.parse(inspect.getsource(module))
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef) and node.name in functions:
            words = [
                each.value
                for statement in node.body[1:]  # the first is the docstring
                for each in ast.walk(statement)
                if isinstance(each, ast.Constant) and isinstance(each.value, str)
            ]
            found |= {word for word in words if len(word.split()) >= 3}
    return found


def test_every_sentence_of_the_tables_stands_in_the_catalogue():
    """What the evidence writes as a reason or a note, piece by piece, against the templates."""
    pieces = (
        _spoken(reasons, "reasons", "_too_early")
        | _spoken(refusals, "refusal_reasons")
        | _spoken(control_notes, "controls_table")
        | _spoken(told, "not_judged_yet")
        | _spoken(rain, "with_clock_told")
        | _spoken(record, "cautions")
    )
    assert len(pieces) > 25
    texts = load_texts()
    said = [texts(key) for key in texts.keys if key.startswith("said.")]
    templates = "\n".join(re.sub(r"\{[a-z_0-9]+\}", "\x00", text) for text in said)
    assert sorted(piece for piece in pieces if piece.strip(" :;,.()") not in templates) == []


# --- the page --------------------------------------------------------------------------------


def rendered(folder: Folder, texts: Texts) -> str:
    return "".join(render(folder, texts))


@pytest.fixture(scope="module")
def french_page(output: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("french") / "index.html"
    file.write_text(rendered(read_folder(output), load_texts("fr")), "utf-8")
    return file


def test_french_page_is_french(french_page: Path, parse: Callable[[Path], Any]):
    """No English sentence of the catalogue is left, but for the invented site names."""
    parsed = parse(french_page)
    (html,) = [attributes for tag, attributes in parsed.tags if tag == "html"]
    assert html["lang"] == "fr"
    text = " ".join("".join(parsed.text).split())
    english = [text_ for text_ in _raw(load_texts()).values() if len(text_) > 24]
    assert [each for each in english if "{" not in each and each in text] == []
    assert "saison sèche 2024/25" in text
    assert "chute soudaine durant la saison sèche 2022/23" in text


def test_late_data_and_failed_reads_are_told(output: Path):
    """On the sheet of the one site that they concern, and nowhere else."""
    folder = read_folder(output)
    first, *rest = folder.verdicts
    changed = replace(first, late="no-gain (gain 0.004)", provisional=True)
    html = rendered(replace(folder, verdicts=(changed, *rest)), load_texts("fr"))
    assert html.count("on lirait\u00a0: pas de gain (gain 0,004). Ce qui a été dit reste.") == 1
    assert html.count("il est provisoire") == 1


def test_french_page_writes_figures_with_a_comma(french_page: Path, output: Path):
    html = french_page.read_text("utf-8")
    shown = re.findall(r'data-sort="([^"]+)"><svg class="bar.*?class="figure">([^<]*)<', html)
    assert len(shown) == 14
    for key, figure in shown:
        expected = f"{float(key):+.3f}".replace("-", "\u2212").replace(".", ",")
        assert figure == expected.replace("+0,000", "0,000")
    assert "," in (output / "verdicts.csv").read_text("utf-8").splitlines()[1]


def test_report_takes_a_language_and_else_the_programmes(output: Path, tmp_path: Path):
    copy = shutil.copytree(output, tmp_path / "out")
    page = copy / "report" / "index.html"
    before = {path.name: path.read_bytes() for path in copy.glob("*.csv")}
    assert CliRunner().invoke(app, ["report", str(copy), "--language", "fr"]).exit_code == 0
    assert '<html lang="fr"' in page.read_text("utf-8")
    assert CliRunner().invoke(app, ["report", str(copy)]).exit_code == 0
    assert '<html lang="en"' in page.read_text("utf-8")
    manifest = copy / "manifest.json"
    manifest.write_text(manifest.read_text("utf-8").replace('"language": "en"', '"language": "fr"'))
    assert CliRunner().invoke(app, ["report", str(copy)]).exit_code == 0
    assert '<html lang="fr"' in page.read_text("utf-8")
    assert {path.name: path.read_bytes() for path in copy.glob("*.csv")} == before


@pytest.mark.parametrize("language", LANGUAGES)
def test_what_the_rain_record_is_not_good_for_is_told(output: Path, language: str):
    """The cautions of a record of eleven five-day years, and one that no catalogue has."""
    days = pd.date_range("2010-01-01", "2020-12-31", name="date")
    short = RainRecord(pd.DataFrame({"": 1.0}, index=days), "made", "pentad")
    odd = "Gauge <b>moved</b> in 2015."
    folder = read_folder(output)
    told = {**folder.manifest, "seasons": {"rain": {"cautions": [*short.cautions, odd]}}}
    html = rendered(replace(folder, manifest=told), load_texts(language)).replace("\u00a0", " ")
    first, blurred, heading = {
        "en": ("holds 11 years; for", "five-day totals spread evenly", "The rain record</h3>"),
        "fr": ("couvre 11 ans ; pour", "totaux de cinq jours", "Le relevé de pluie</h3>"),
    }[language]
    assert [html.count(words) for words in (first, blurred, heading)] == [1, 1, 1]
    foreign = "" if language == "en" else ' lang="en"'
    assert f"<li{foreign}>Gauge &lt;b&gt;moved&lt;/b&gt; in 2015.</li>" in html


@pytest.mark.parametrize("odd", [None, [], {"rain": None}, {"rain": {"cautions": "x"}}])
def test_a_manifest_without_rain_has_no_such_list(output: Path, odd: object):
    folder = read_folder(output)
    html = rendered(replace(folder, manifest={**folder.manifest, "seasons": odd}), load_texts())
    assert "The rain record</h3>" not in html


def test_a_clock_that_runs_from_the_day_of_sowing_says_so(output: Path):
    """On the sheet of the one site whose rain after sowing is not known."""
    folder = read_folder(output)
    first, second, *rest = folder.verdicts
    changed = replace(first, clock_by="sowing"), replace(second, clock_by="rain")
    html = rendered(replace(folder, verdicts=(*changed, *rest)), load_texts())
    assert html.count("counted from the day of sowing, as the rain record cannot say") == 1
