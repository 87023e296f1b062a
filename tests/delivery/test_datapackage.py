"""The description of the tables, judged by the frictionless library, offline."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import frictionless
import pandas as pd
import pytest

from afterrains.delivery.columns import Table
from afterrains.delivery.datapackage import describe, write_datapackage
from afterrains.delivery.table_files import write_csv
from afterrains.delivery.tables import all_tables

Filled = Callable[..., pd.DataFrame]

pytestmark = pytest.mark.usefixtures("offline")

_TABLES = all_tables(["ndvi", "nbr"])


@pytest.fixture
def package(tmp_path: Path, filled: Filled) -> Path:
    """A folder with every table and its description."""
    for table in _TABLES:
        hostile = {"name": '=1+1, "x"\r\nnew line ‏'} if "name" in table.column_names else {}
        write_csv(table, filled(table, **hostile), tmp_path)
    return write_datapackage(tmp_path, _TABLES, programme_id="dune-edge", title="Dune Edge")


def _errors(package: Path) -> list[tuple[str, str]]:
    report = frictionless.validate(str(package))
    return [(task.name, error.type) for task in report.tasks for error in task.errors]


def test_the_tables_are_what_they_are_said_to_be(package: Path) -> None:
    """Types, constraints, primary and foreign keys of all eight tables."""
    report = frictionless.validate(str(package))
    assert report.valid, report.flatten(["task", "type", "message"])
    assert {task.name: task.stats["rows"] for task in report.tasks} == dict.fromkeys(
        (table.name for table in _TABLES), 3
    )


def test_frictionless_reads_the_types(package: Path) -> None:
    """The library's own reading of one row of each kind of column."""
    verdicts = frictionless.Package(str(package)).get_resource("verdicts")
    (row, *_) = verdicts.read_rows()
    assert row["first_sown_on"].isoformat() == "2021-06-01"
    assert row["controls"] == 0
    assert float(row["area_ha"]) == 0.0
    assert verdicts.schema.get_field("area_ha").to_descriptor()["unit"] == "hectares"


@pytest.mark.parametrize(
    ("table", "old", "new", "error"),
    [
        ("verdicts", ",loss,", ",much,", "constraint-error"),
        ("verdicts", "2021-06-01", "1 June", "type-error"),
        ("verdicts", "north", "", "primary-key"),
        ("seasons", ",control,", ",neither,", "constraint-error"),
        ("sowing_rain", "north", "nowhere", "foreign-key"),
        ("series", "0.285714", "0.3 or so", "type-error"),
        ("visits", "-89.857143", "-91", "constraint-error"),
        ("controls", "weight_total", "weight", "incorrect-label"),
        ("what_works", "factor 2,by air", "factor 0,by hand", "primary-key"),
    ],
)
def test_a_broken_table_is_noticed(
    package: Path, table: str, old: str, new: str, error: str
) -> None:
    """Every kind of rule that the description states is one that the library then checks."""
    path = package.parent / f"{table}.csv"
    text = path.read_bytes().decode()
    assert old in text
    path.write_bytes(text.replace(old, new, 1).encode())
    assert (table, error) in _errors(package)


def test_every_column_is_described_in_words(package: Path) -> None:
    """Type, meaning and, for every number, a unit."""
    content = json.loads(package.read_text(encoding="utf-8"))
    assert content["$schema"].endswith("/profiles/2.0/datapackage.json")
    for resource in content["resources"]:
        assert resource["schema"]["missingValues"] == [""]
        for field in resource["schema"]["fields"]:
            assert field["description"]
            assert field["type"] not in ("number", "integer") or field["unit"]


def test_only_what_is_written_is_described(tmp_path: Path, filled: Filled) -> None:
    """A key into a table that is not there would make the package invalid."""
    history = next(table for table in _TABLES if table.name == "verdict_history")
    write_csv(history, filled(history), tmp_path)
    path = write_datapackage(tmp_path, _TABLES, programme_id="dune-edge", title="Dune Edge")
    (resource,) = json.loads(path.read_text(encoding="utf-8"))["resources"]
    assert resource["name"] == "verdict_history"
    assert "foreignKeys" not in resource["schema"]
    assert frictionless.validate(str(path)).valid


def test_the_description_is_deterministic(package: Path) -> None:
    """No time of writing, no path of the machine."""
    before = package.read_bytes()
    write_datapackage(package.parent, _TABLES, programme_id="dune-edge", title="Dune Edge")
    assert package.read_bytes() == before
    assert str(package.parent).encode() not in before


@pytest.mark.parametrize("table", _TABLES, ids=lambda table: table.name)
def test_a_foreign_key_names_columns_that_are_there(table: Table) -> None:
    """On both sides."""
    by_name: dict[str, Any] = {each.name: each for each in _TABLES}
    assert set(table.primary_key) <= set(table.column_names)
    for key in table.foreign_keys:
        assert set(key.columns) <= set(table.column_names)
        assert set(key.table_columns) == set(by_name[key.table].primary_key)
    described = describe([table], programme_id="x", title="X")["resources"][0]
    assert [field["name"] for field in described["schema"]["fields"]] == table.column_names
