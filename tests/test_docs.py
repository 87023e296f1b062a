"""The guides against the tool itself: commands, options, settings, links, and examples that run.

The truth is what a reader would meet: the command line's own options, the settings' own models,
the files that are there, and the examples run as they are printed.
"""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
import typer.main
import yaml

from afterrains.cli import app
from afterrains.programme import Programme
from afterrains.scenes.profiles import Profile
from page.fake_output import write_output

_ROOT = Path(__file__).parent.parent
_PAGES = [
    _ROOT / "README.md",
    _ROOT / "sample_scenes" / "README.md",
    *sorted((_ROOT / "docs").rglob("*.md")),
]
_BLOCK = re.compile(r"(<!-- (\w+) -->\n)?^```(\w*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
_SPAN = re.compile(r"(?<!`)`([^`\n]+)`(?!`)")
_LINK = re.compile(r"\]\(([^)\s]+)\)")
_SETTING = re.compile(
    r"(programme|rain|scenes|grid|seasons|controls|woody|evidence|visits|costs)(\.[a-z_]+)+"
)
_FILE_ENDINGS = (".csv", ".nc", ".yaml", ".geojson", ".parquet", ".gpx")
_COMMANDS: dict[str, Any] = typer.main.get_command(app).commands  # type: ignore[attr-defined]
_HELP = {"--help", "-h"}


def _name(page: Path) -> str:
    return str(page.relative_to(_ROOT))


def _blocks(text: str, language: str, mark: str | None = None) -> list[str]:
    """Fenced blocks of a language; with `mark`, those below that comment alone."""
    return [
        match[4]
        for match in _BLOCK.finditer(text)
        if match[3] == language and (mark is None or match[2] == mark)
    ]


def _spans(text: str) -> list[str]:
    return [span.replace(r"\|", "|") for span in _SPAN.findall(_BLOCK.sub("", text))]


def _lines(text: str) -> Iterator[str]:
    """Everything that a reader might type: lines of fenced blocks, and what stands in backticks."""
    for match in _BLOCK.finditer(text):
        if match[3] in ("", "sh"):
            yield from match[4].replace("\\\n", " ").splitlines()
    yield from _spans(text)


def _faults(line: str) -> list[str]:
    """What the command line would refuse in a line that calls it."""
    try:
        words = shlex.split(line, comments=True)
    except ValueError:
        words = line.split()
    if words[:1] and words[0].startswith("--"):
        known = {o for command in _COMMANDS.values() for p in command.params for o in p.opts}
        option = words[0].partition("=")[0]
        return [] if option in known | _HELP else [f"no command takes {option}"]
    places = [at for at, word in enumerate(words) if Path(word).name == "afterrains"]
    if not places or places[0] + 1 == len(words):
        return []
    # A command's name, as against the package's name within a sentence or an import.
    if places[0] > 0 and words[places[0] - 1] in ("from", "import", "install"):
        return []
    return _call_faults(words[places[0] + 1 :])


def _call_faults(words: Sequence[str]) -> list[str]:
    name, *rest = words
    if name in _HELP:
        return []
    if name not in _COMMANDS:
        return [f"there is no command {name}"]
    options = {text: p for p in _COMMANDS[name].params for text in p.opts if text[:1] == "-"}
    arguments = [p for p in _COMMANDS[name].params if p.param_type_name == "argument"]
    found, given = [], 0
    coming = iter(rest)
    for word in coming:
        if word in ("|", ">", "&&", ";"):
            break
        option = word.partition("=")[0]
        if not option.startswith("-"):
            given += 1
        elif option in _HELP:
            continue
        elif option not in options:
            found.append(f"{name} takes no {option}")
        elif not options[option].is_flag and "=" not in word:
            next(coming, None)
    if given > len(arguments):
        found.append(f"{name} takes {len(arguments)} arguments and {given} are given")
    return found


@pytest.mark.parametrize("page", _PAGES, ids=_name)
def test_every_command_and_option_that_a_page_names_exists(page: Path) -> None:
    faults = [
        f"{line.strip()}: {fault}"
        for line in _lines(page.read_text(encoding="utf-8"))
        for fault in _faults(line)
    ]
    assert not faults


@pytest.mark.parametrize(
    ("line", "fault"),
    [
        ("afterrains forecast programme.yaml", "there is no command forecast"),
        (".venv/bin/afterrains run programme.yaml --fast", "run takes no --fast"),
        ("afterrains check a.yaml b.yaml", "check takes 1 arguments and 2 are given"),
        ("--no-such-option", "no command takes --no-such-option"),
    ],
)
def test_a_command_or_option_that_does_not_exist_is_found(line: str, fault: str) -> None:
    """By hand; without this the test above could not fail."""
    assert _faults(line) == [fault]
    assert not _faults("afterrains run programme.yaml --workers 2 --json  # --fast in a comment")


def test_the_first_page_names_every_command() -> None:
    text = (_ROOT / "README.md").read_text(encoding="utf-8")
    assert [name for name in _COMMANDS if f"`afterrains {name}" not in text] == []


def _under(table: Any, keys: Sequence[str]) -> bool:
    """Whether the schema has such a setting, in any of a table's forms."""
    defs = Programme.model_json_schema(by_alias=True)["$defs"]

    def forms(node: dict[str, Any]) -> Iterator[dict[str, Any]]:
        if "$ref" in node:
            yield from forms(defs[node["$ref"].rpartition("/")[2]])
        for key in ("anyOf", "oneOf", "allOf"):
            for other in node.get(key, ()):
                if "required" not in other:
                    yield from forms(other)
        if "properties" in node:
            yield node

    if not keys:
        return True
    return any(
        keys[0] in form["properties"] and _under(form["properties"][keys[0]], keys[1:])
        for form in forms(table)
    )


@pytest.mark.parametrize("page", _PAGES, ids=_name)
def test_every_setting_that_a_page_names_exists(page: Path) -> None:
    """Names such as `scenes.store_gb`, and whole pieces of a programme file."""
    schema = Programme.model_json_schema(by_alias=True)
    text = page.read_text(encoding="utf-8")
    named = [s for s in _spans(text) if _SETTING.fullmatch(s) and not s.endswith(_FILE_ENDINGS)]
    assert [s for s in named if not _under(schema, s.split("."))] == []
    whole = yaml.safe_load((_ROOT / "configs" / "programme.yaml").read_text(encoding="utf-8"))
    for piece in _blocks(text, "yaml"):
        settings = yaml.safe_load(piece)
        if "signing" in settings or "bands" in settings:
            shipped = _ROOT / "configs" / "catalogues" / "sentinel-2-l2a.yaml"
            Profile.model_validate(yaml.safe_load(shipped.read_text(encoding="utf-8")) | settings)
        else:
            merged = dict(whole)
            for key, value in settings.items():
                # A piece shows what it adds to a table; a table of another kind replaces it.
                adds = isinstance(value, dict) and key in ("scenes", "evidence", "visits")
                merged[key] = merged[key] | value if adds and key in merged else value
            Programme.model_validate(merged)


def test_a_setting_that_does_not_exist_is_found() -> None:
    schema = Programme.model_json_schema(by_alias=True)
    assert _under(schema, ["seasons", "rains"]) and _under(schema, ["rain", "effective", "mm"])
    assert not _under(schema, ["scenes", "store_mb"])


@pytest.mark.parametrize("page", _PAGES, ids=_name)
def test_every_link_inside_the_project_leads_somewhere(page: Path) -> None:
    links = [link.partition("#")[0] for link in _LINK.findall(page.read_text(encoding="utf-8"))]
    inside = [link for link in links if link and "://" not in link]
    assert [link for link in inside if not (page.parent / link).exists()] == []


def test_the_guides_are_built_without_a_warning(tmp_path: Path) -> None:
    """Every page is in the contents, and every link and anchor is found, by Sphinx's own word."""
    words = ["-m", "sphinx", "-q", "-n", "-W", "--keep-going", "-b", "dummy", "-c", "docs"]
    told = subprocess.run(
        [sys.executable, *words, "-d", str(tmp_path / "trees"), ".", str(tmp_path / "pages")],
        cwd=_ROOT,
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert told.returncode == 0, told.stderr
    every = set(_PAGES) | {_ROOT / "DEVELOPERS.md"}
    read = {
        path.relative_to(tmp_path / "trees") for path in (tmp_path / "trees").rglob("*.doctree")
    }
    assert {page.relative_to(_ROOT).with_suffix(".doctree") for page in every} <= read


def _one_scene() -> dict[str, Any]:
    """A catalogue that a check is content with: one scene of the district, its files not there."""
    west, south, east, north = 2.5, 13.5, 3.5, 14.5
    ring = [[west, south], [east, south], [east, north], [west, north], [west, south]]
    bands = ("blue", "green", "red", "rededge1", "nir", "swir16", "swir22", "scl")
    item = {
        "type": "Feature",
        "stac_version": "1.0.0",
        "id": "S2A_31PDR_20200104_0_L2A",
        "collection": "sentinel-2-l2a",
        "geometry": {"type": "Polygon", "coordinates": [ring]},
        "bbox": [west, south, east, north],
        "properties": {
            "datetime": "2020-01-04T10:20:31Z",
            "platform": "sentinel-2a",
            "eo:cloud_cover": 1.0,
            "proj:epsg": 32631,
            "s2:processing_baseline": "02.04",
        },
        "links": [],
        "assets": {band: {"href": f"./{band}.tif"} for band in bands},
    }
    return {"type": "FeatureCollection", "features": [item]}


@pytest.fixture(scope="module")
def checkout(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder as a reader has it after `make demo`; the results in it are invented ones."""
    folder = tmp_path_factory.mktemp("checkout")
    sample = folder / "sample_scenes"
    sample.mkdir()
    for file in (_ROOT / "sample_scenes").glob("*.*"):
        shutil.copy(file, sample)
    (sample / "scenes").mkdir()
    (sample / "scenes" / "catalog.json").write_text(json.dumps(_one_scene()), encoding="utf-8")
    write_output(sample / "out" / "dune-edge", choices=True, hostile=False)
    script = folder / ".venv" / "bin" / "afterrains"
    script.parent.mkdir(parents=True)
    script.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m afterrains.cli "$@"\n')
    script.chmod(0o755)
    return folder


_EXAMPLES = [
    pytest.param(language, code, id=f"{_name(page)}-{language}-{number}")
    for page in _PAGES
    for language in ("sh", "python")
    for number, code in enumerate(_blocks(page.read_text(encoding="utf-8"), language, "runs"), 1)
]


@pytest.mark.parametrize(("language", "code"), _EXAMPLES)
def test_the_examples_run_as_they_are_printed(language: str, code: str, checkout: Path) -> None:
    """Those below a comment `runs`; a command that exits above 0, or an exception, fails."""
    run = ["sh", "-e", "-c", code] if language == "sh" else [sys.executable, "-c", code]
    source = str(_ROOT / "pipeline")
    told = subprocess.run(
        run,
        cwd=checkout,
        env=os.environ | {"PYTHONPATH": source},
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert told.returncode == 0, told.stdout + told.stderr


def test_there_are_examples() -> None:
    assert {example.values[0] for example in _EXAMPLES} == {"sh", "python"}
