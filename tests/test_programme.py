"""The programme file: settings, their published schema, and that every fault is told."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from datetime import date
from pathlib import Path
from typing import Any

import jsonschema
import pydantic
import pytest
import yaml
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from afterrains.errors import InputError
from afterrains.programme import (
    CalendarSeasons,
    Programme,
    RainSeasons,
    load_programme,
    programme_schema,
)

_PROJECT = Path(__file__).resolve().parent.parent
_IN_ONE_FOLDER = settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
_SMALLEST = """\
programme: {id: dune-edge, name: Dune Edge}
sites: sites.geojson
sowing: sowing.csv
rain: {table: rain.csv}
scenes: {catalogue: catalog.json, start: 2017-01-01, end: 2025-12-31}
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with a smallest programme file and empty files of the names in it."""
    for name in ("sites.geojson", "sowing.csv", "rain.csv", "catalog.json", "plots.csv"):
        (tmp_path / name).touch()
    (tmp_path / "programme.yaml").write_text(_SMALLEST)
    return tmp_path


def _load(folder: Path, more: str = "", *, text: str = _SMALLEST) -> Programme:
    (folder / "programme.yaml").write_text(text + more)
    return load_programme(folder / "programme.yaml")


def _faults(folder: Path, text: str) -> list[str]:
    with pytest.raises(InputError) as raised:
        _load(folder, text=text)
    return [str(finding) for finding in raised.value.findings]


def test_everything_but_four_parts_has_a_default(folder: Path) -> None:
    """The defaults of the contract."""
    programme = _load(folder)
    assert programme.grid.resolution_m == 10
    assert programme.grid.crs == "auto"
    assert programme.grid.margin_m == 10
    assert programme.scenes.max_cloud_percent == 80
    assert programme.scenes.collections == ("sentinel-2-l2a",)
    assert programme.seasons == RainSeasons()
    assert programme.controls.choose == "listed"
    assert programme.woody is None
    assert programme.evidence.error_rate == 0.05
    assert programme.evidence.meaningful_gain_points == 5
    assert programme.evidence.judged_seasons == 12
    assert programme.evidence.growth.starts_after_seasons == 1
    assert programme.evidence.growth.full_after_seasons == 8
    assert programme.programme.currency == "XXX"  # ISO 4217: no currency


def test_days_are_days_and_paths_are_absolute(folder: Path) -> None:
    programme = _load(folder, "woody: {train: plots.csv}\noutput: results/here\n")
    assert programme.scenes.start == date(2017, 1, 1)
    assert programme.rain is not None
    assert programme.woody is not None
    assert programme.sites == folder / "sites.geojson"
    assert programme.sowing == folder / "sowing.csv"
    assert programme.rain.table == folder / "rain.csv"
    assert programme.woody.train == folder / "plots.csv"
    assert programme.scenes.catalogue == str(folder / "catalog.json")
    assert programme.output_folder == folder / "results" / "here" / "dune-edge"


def test_addresses_stay_as_they_are(folder: Path) -> None:
    text = _SMALLEST.replace("catalog.json", "'https://example.org/stac?v=1'")
    assert _load(folder, text=text).scenes.catalogue == "https://example.org/stac?v=1"


def test_settings_cannot_be_changed(folder: Path) -> None:
    with pytest.raises(pydantic.ValidationError, match="frozen"):
        _load(folder).evidence.error_rate = 0.5  # type: ignore[misc]


def test_digest_follows_the_settings_and_not_their_place(folder: Path, tmp_path: Path) -> None:
    first = _load(folder)
    moved = tmp_path / "moved"
    moved.mkdir()
    for path in list(folder.iterdir()):
        if path.is_file():
            (moved / path.name).write_bytes(path.read_bytes())
    assert re.fullmatch("[0-9a-f]{64}", first.digest)
    assert load_programme(moved / "programme.yaml").digest == first.digest
    assert _load(folder, "# a remark\n").digest == first.digest
    assert _load(folder, "evidence: {error_rate: 0.05}\n").digest == first.digest
    assert _load(folder, "evidence: {error_rate: 0.04}\n").digest != first.digest


def test_a_byte_order_mark_is_no_fault(folder: Path) -> None:
    (folder / "programme.yaml").write_bytes(b"\xef\xbb\xbf" + _SMALLEST.encode())
    assert load_programme(folder / "programme.yaml").programme.id == "dune-edge"


def test_example_of_the_contract_loads(folder: Path) -> None:
    """Seasons by calendar and every table of the contract's example, in its own notation."""
    (folder / "model").mkdir()
    programme = _load(
        folder,
        """\
grid: {resolution_m: 10, crs: auto}
seasons:
  from: calendar
  rains: [{name: long-rains, start: 03-01, end: 05-31}, {name: short-rains, start: 10-15, end: 01-10}]
controls: {choose: sampled}
woody: {model: model}
evidence: {error_rate: 0.05, meaningful_gain_points: 5, judged_seasons: 12, growth: {starts_after_seasons: 1, full_after_seasons: 8}}
output: out
""",  # noqa: E501
    )
    assert isinstance(programme.seasons, CalendarSeasons)
    assert [rains.start for rains in programme.seasons.rains] == ["03-01", "10-15"]


def test_rain_may_be_missing_where_the_calendar_gives_the_seasons(folder: Path) -> None:
    text = _SMALLEST.replace("rain: {table: rain.csv}\n", "")
    calendar = "seasons: {from: calendar, rains: [{name: rains, start: 06-01, end: 09-30}]}\n"
    assert _load(folder, calendar, text=text).rain is None
    assert "seasons are to be found from rain" in _faults(folder, text)[0]


@pytest.mark.parametrize(
    "rains",
    [
        [("a", "11-01", "02-28"), ("b", "02-01", "03-01")],  # across New Year and after it
        [("a", "12-01", "01-31"), ("b", "11-01", "12-01")],
        [("a", "01-01", "12-31")],
        [("a", "06-01", "09-30"), ("b", "10-01", "05-31")],
        [("a", "06-01", "09-30"), ("a", "10-01", "10-31")],
        [("a", "02-29", "09-30")],
        [("dry-1", "06-01", "09-30")],
    ],
)
def test_calendars_that_cannot_be_are_refused(rains: list[tuple[str, str, str]]) -> None:
    with pytest.raises(pydantic.ValidationError):
        CalendarSeasons.model_validate(
            {
                "from": "calendar",
                "rains": [{"name": name, "start": start, "end": end} for name, start, end in rains],
            }
        )


def test_faults_and_absent_files_are_told_together(folder: Path) -> None:
    told = _faults(
        folder,
        _SMALLEST.replace("sites.geojson", "absent.geojson").replace("start:", "begin:")
        + "evidence: {error_rate: two percent}\n",
    )
    assert len(told) == 4
    assert told[0].startswith("programme.yaml: scenes.start (in line 5): is missing")
    assert told[1].startswith("programme.yaml: scenes.begin (line 5): is not a setting")
    assert told[2] == (
        "programme.yaml: evidence.error_rate (line 6): must be a number (found 'two percent'); "
        "write it with a decimal point, without quotation marks"
    )
    assert "sites (line 2): there is no file" in told[3]


def test_faults_name_their_line_in_a_long_file(folder: Path) -> None:
    text = (_PROJECT / "configs" / "programme.yaml").read_text()
    line = 1 + text.split("judged_seasons")[0].count("\n")
    told = _faults(folder, text.replace("judged_seasons: 12", "judged_seasons: twelve"))
    assert f"evidence.judged_seasons (line {line})" in told[0]


# What pydantic would say to a programmer and a user must never read.
_JARGON = re.compile(
    r"input should|instance of|extra inputs|value error|type=|valid (string|dict)|python|pydantic",
    re.IGNORECASE,
)


def test_no_fault_is_told_in_the_words_of_the_library(folder: Path) -> None:
    """Every setting in turn gets every wrong kind of value."""
    template = yaml.safe_load((_PROJECT / "configs" / "programme.yaml").read_text())
    wrong = [
        None,
        "",
        "x" * 2000,
        -1,
        1e9,
        1.5,
        True,
        [],
        [1],
        {},
        {"a": 1},
        date(2020, 1, 1),
        "a\nb",
    ]
    count = 0
    for keys in _paths(template):
        for value in wrong:
            (folder / "programme.yaml").write_text(yaml.safe_dump(_with(template, keys, value)))
            try:
                load_programme(folder / "programme.yaml")
            except InputError as error:
                count += len(error.findings)
                for finding in error.findings:
                    assert finding.mend
                    assert not _JARGON.search(str(finding)), str(finding)
    assert count > 300


def _paths(value: Any, above: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    if not isinstance(value, dict):
        return []
    return [path for key in value for path in [(*above, key), *_paths(value[key], (*above, key))]]


def _with(tree: Any, keys: tuple[Any, ...], value: Any) -> Any:
    if not keys:
        return value
    return {**tree, keys[0]: _with(tree[keys[0]], keys[1:], value)}


# --- whatever the file holds --------------------------------------------------------------------

_SCALARS = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=20), st.dates(),
    st.sampled_from(["auto", "rain", "calendar", "sites.geojson", "~", "~x/y", "a://b", "\0", "/"]),
)  # fmt: skip
_VALUES = st.recursive(
    _SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=8), inner, max_size=3)
    ),
    max_leaves=8,
)
_KEYS = sorted(
    {
        str(key)
        for key in re.findall(
            r"^\s*#?\s*(\w+):", (_PROJECT / "configs" / "programme.yaml").read_text(), re.MULTILINE
        )
    }
)


def _loads_or_tells(folder: Path, content: bytes) -> None:
    path = folder / "any.yaml"
    path.write_bytes(content)
    try:
        programme = load_programme(path)
    except InputError as error:
        assert error.findings
        assert all(finding.severity == "error" for finding in error.findings)
        assert str(error)
    else:
        assert programme.sites.is_absolute()


@_IN_ONE_FOLDER
@given(content=st.binary(max_size=300))
@example(b"\xff\xfe")
@example(b"a: !!binary x")
@example(b"a: !!timestamp x")
@example(b"a: !!int x")
@example(b"? {a: b}\n: c")
@example(b"a: 0b_")
@example(b"a: ._")
@example(b"<<: 3")
@example(b"a: 2020-99-99 99:99:99")
@example(b"--- a\n--- b")
@example(b"a: " + b"9" * 5000)
def test_no_bytes_raise_anything_but_input_error(folder: Path, content: bytes) -> None:
    _loads_or_tells(folder, content)


@_IN_ONE_FOLDER
@given(text=st.text(st.sampled_from("ab:- \n\t[]{},?*&!|>'\"%@#<=~0123456789.eE_"), max_size=80))
def test_no_yaml_raises_anything_but_input_error(folder: Path, text: str) -> None:
    _loads_or_tells(folder, text.encode())


@_IN_ONE_FOLDER
@given(tree=st.dictionaries(st.sampled_from(_KEYS), _VALUES, max_size=6))
def test_no_mapping_raises_anything_but_input_error(folder: Path, tree: dict[str, Any]) -> None:
    _loads_or_tells(folder, yaml.safe_dump(tree, allow_unicode=True).encode("utf-8", "replace"))


@_IN_ONE_FOLDER
@given(data=st.data())
def test_no_change_to_a_good_file_raises_anything_but_input_error(
    folder: Path, data: st.DataObject
) -> None:
    template = yaml.safe_load((_PROJECT / "configs" / "programme.yaml").read_text())
    keys = data.draw(st.sampled_from(_paths(template)))
    tree = _with(template, keys, data.draw(_VALUES))
    _loads_or_tells(folder, yaml.safe_dump(tree, allow_unicode=True).encode("utf-8", "replace"))


# --- the published schema and the template ------------------------------------------------------


def test_published_schema_is_the_one_the_models_give() -> None:
    """`make schema` writes it; run the command itself."""
    printed = subprocess.run(
        [sys.executable, "-m", "afterrains.programme"], capture_output=True, check=True
    ).stdout
    assert (_PROJECT / "configs" / "programme.schema.json").read_bytes() == printed


def test_schema_is_valid_draft_2020_12() -> None:
    jsonschema.Draft202012Validator.check_schema(programme_schema())


def test_every_setting_is_described_in_the_schema() -> None:
    schema = programme_schema()
    tables = [schema, *schema["$defs"].values()]
    for table in tables:
        for name, setting in table["properties"].items():
            target = setting.get("$ref", "").rpartition("/")[2]
            described = setting.get("description") or schema["$defs"].get(target, {}).get(
                "description"
            )
            assert described or "anyOf" in setting or "oneOf" in setting, (table["title"], name)


def _as_json(text: str) -> Any:
    """The YAML as an editor's schema check sees it: days are text."""
    return json.loads(json.dumps(yaml.safe_load(text), default=str))


@pytest.mark.parametrize(
    ("more", "right"),
    [
        ("", True),
        ("grid: {resolution_m: 20, inner_margin_m: 0}\n", True),
        ("seasons: {from: calendar, rains: [{name: a, start: 03-01, end: 05-31}]}\n", True),
        ("seasons: {from: rain, rainy_seasons: 2}\n", True),
        ("woody: {train: plots.csv}\n", True),
        ("grid: {resolution: 20}\n", False),
        ("grid: {resolution_m: 1}\n", False),
        ("grid: {resolution_m: '10'}\n", False),
        ("seasons: {from: calendar}\n", False),
        ("seasons: {from: calendar, rains: [{name: a, start: 3-1, end: 05-31}]}\n", False),
        ("seasons: {from: rain, rainy_seasons: 3}\n", False),
        ("woody: {}\n", False),
        ("woody: {train: plots.csv, model: plots.csv}\n", False),
        ("evidence: {error_rate: 0.6}\n", False),
        ("evidence: {judged_seasons: 1.5}\n", False),
        ("controls: {choose: all}\n", False),
        ("colour: green\n", False),
    ],
)
def test_schema_and_models_agree(folder: Path, more: str, right: bool) -> None:
    """The jsonschema library on the published schema, against loading the file."""
    validator = jsonschema.Draft202012Validator(programme_schema())
    assert validator.is_valid(_as_json(_SMALLEST + more)) == right
    if right:
        _load(folder, more)
    else:
        assert _faults(folder, _SMALLEST + more)


def test_template_is_right_and_shows_the_defaults(folder: Path) -> None:
    (folder / "scenes").mkdir()
    (folder / "scenes" / "catalog.json").touch()
    text = (_PROJECT / "configs" / "programme.yaml").read_text()
    jsonschema.Draft202012Validator(programme_schema()).validate(_as_json(text))
    shown = _load(folder, text=text)
    defaults = _load(folder)
    for part in ("grid", "seasons", "controls", "woody", "evidence", "output"):
        assert getattr(shown, part) == getattr(defaults, part), part
    assert shown.scenes.collections == defaults.scenes.collections
    assert shown.scenes.max_cloud_percent == defaults.scenes.max_cloud_percent
    assert shown.scenes.mask_dilation_m == defaults.scenes.mask_dilation_m


def test_what_the_template_leaves_out_is_named_in_its_comments() -> None:
    text = (_PROJECT / "configs" / "programme.yaml").read_text()
    schema = programme_schema()
    for table in (schema, *schema["$defs"].values()):
        for name in table["properties"]:
            assert re.search(rf"\b{name}:", text), name
