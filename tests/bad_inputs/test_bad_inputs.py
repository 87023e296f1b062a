"""Every broken input is told as `afterrains check` tells it: each finding, place and mend."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
import yaml
from written import WRITTEN

from afterrains.errors import Finding, InputError
from afterrains.programme import load_programme
from afterrains.register import check_inputs

_HERE = Path(__file__).parent
_TODAY = date(2026, 3, 1)
_REPLACES = {
    "programme": "programme.yaml",
    "sites": "sites.geojson",
    "sowing": "sowing.csv",
    "plots": "plots.csv",
}
_EXPECTED: dict[str, list[str]] = yaml.safe_load(
    (_HERE / "expected.yaml").read_text(encoding="utf-8")
)


def check(programme_file: Path) -> list[Finding]:
    """The findings of the two functions behind `afterrains check`."""
    try:
        return check_inputs(load_programme(programme_file), programme_file, today=_TODAY)
    except InputError as error:
        return list(error.findings)


def as_told(finding: Finding) -> str:
    return f"{finding.severity} {finding.code} {finding}"


def assert_told(findings: list[Finding], expected: list[str]) -> None:
    """Each finding is told as expected, `…` standing for any text."""
    told = [as_told(finding) for finding in findings]
    assert len(told) == len(expected), told
    for one, other in zip(told, expected, strict=True):
        pattern = ".*".join(map(re.escape, other.split("…")))
        assert re.fullmatch(pattern, one), f"{one!r} is not {other!r}"


def settings_with(folder: Path, more: str) -> None:
    path = folder / "programme.yaml"
    path.write_text(path.read_text(encoding="utf-8") + more, encoding="utf-8")


@pytest.fixture
def good(tmp_path: Path) -> Path:
    """A copy of the programme without a fault."""
    return Path(shutil.copytree(_HERE / "good", tmp_path / "programme"))


def test_the_good_programme_has_no_findings(good: Path) -> None:
    settings_with(good, "woody: {train: plots.csv}\n")
    assert check(good / "programme.yaml") == []


@pytest.mark.parametrize("case", sorted(_EXPECTED))
def test_broken_file_is_told(case: str, good: Path) -> None:
    kind = case.partition("/")[0]
    shutil.copy(_HERE / case, good / _REPLACES[kind])
    if kind == "plots":
        settings_with(good, "woody: {train: plots.csv}\n")
    assert_told(check(good / "programme.yaml"), _EXPECTED[case])


@pytest.mark.parametrize("name", sorted(WRITTEN))
def test_broken_bytes_are_told(name: str, good: Path) -> None:
    write: Callable[[Path], list[str]] = WRITTEN[name]
    expected = write(good)
    assert_told(check(good / "programme.yaml"), expected)


def test_every_file_has_its_findings() -> None:
    files = {f"{kind}/{path.name}" for kind in _REPLACES for path in (_HERE / kind).iterdir()}
    assert files == set(_EXPECTED)
    assert all(_EXPECTED.values())
