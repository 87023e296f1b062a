"""What `afterrains compare` prints: the few sites that changed before the many that did not."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from typer.testing import CliRunner

from afterrains.cli import app
from afterrains.cli.compare import told
from afterrains.errors import OutputError


def _row(
    site_id: str, was: str, now: str, gains: tuple[float, float], **other: Any
) -> dict[str, Any]:
    return {
        "site_id": site_id, "name": "", "from_season": "2023-dry", "to_season": "2024-dry",
        "verdict_before": was, "verdict_now": now, "verdict_changed": was != now,
        "gain_before": gains[0], "gain_now": gains[1], "gain_change": gains[1] - gains[0],
        "gain_unit": "ndvi", "causes": "new season; settings", "explanation": f"{was} to {now}",
    } | other  # fmt: skip


def test_what_changed_comes_first_and_the_rest_is_counted() -> None:
    """By hand: one of four changed; of the others' moves (.01, .03, .02) the middle is .02."""
    rows = [
        _row("a", "gain", "gain", (0.02, 0.03)),
        _row("b", "too-early", "too-early", (0.01, -0.02), causes="new season; controls"),
        _row("c", "gain", "gain", (0.04, 0.06)),
        _row("d", "too-early", "gain", (0.01, 0.05), name="Far\u202e dune"),
    ]
    assert list(told(pd.DataFrame(rows))) == [
        "From 2023-dry to 2024-dry",
        "At every site differs: new season. What differs is told, not weighed.",
        "1 of 4 verdicts changed",
        "  d (Far dune)  too-early to gain",
        "Unchanged: 2 gain, 1 too-early",
        "  their gains moved by 0.02 in the middle, most at b: 0.01 became -0.02 ndvi",
    ]


def test_gains_of_two_units_are_not_set_against_each_other() -> None:
    rows = [_row("a", "gain", "gain", (0.02, 4.1), gain_change=float("nan"), gain_unit="points")]
    lines = list(told(pd.DataFrame(rows)))
    assert not any("moved" in line or "stand" in line for line in lines)
    assert lines[-1].startswith("Gains of 1 sites are in another unit now")


def test_equal_results_are_called_equal() -> None:
    rows = [_row("a", "gain", "gain", (0.02, 0.02), causes="", from_season="2024-dry")]
    assert list(told(pd.DataFrame(rows))) == [
        "Both as of 2024-dry",
        "Both rest on the same sites, sowings, rain, scenes, settings and method.",
        "0 of 1 verdicts changed",
        "Unchanged: 1 gain",
        "  and all their gains stand",
    ]


@pytest.fixture
def results(tmp_path: Path) -> Path:
    """The smallest folder that `compare` reads."""
    folder = tmp_path / "results"
    folder.mkdir()
    (folder / "verdicts.csv").write_text(
        "site_id,name,as_of,verdict,gain_unit,gain,gain_low,gain_high\n"
        "a,,2024-dry,gain,ndvi,0.02,0.01,0.03\n"
    )
    (folder / "manifest.json").write_text(json.dumps({"inputs": {}}))
    return folder


def test_an_earlier_comparison_is_not_written_over(
    results: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without `--to` the table goes into the folder that one is in; what lies there stays."""
    monkeypatch.chdir(tmp_path)
    asked = ["compare", str(results), str(results)]
    assert CliRunner().invoke(app, asked).exit_code == 0
    kept = tmp_path / "changes.csv"
    kept.write_text("of last year\n")
    refused = CliRunner().invoke(app, asked)
    assert isinstance(refused.exception, OutputError)
    assert "is there already" in str(refused.exception) and "--to" in str(refused.exception)
    assert kept.read_text() == "of last year\n"
    assert CliRunner().invoke(app, [*asked, "--to", "second"]).exit_code == 0
    assert CliRunner().invoke(app, [*asked, "--replace"]).exit_code == 0
    assert kept.read_bytes() == (tmp_path / "second" / "changes.csv").read_bytes()


def test_the_changes_of_a_third_run_are_never_written_over(results: Path, tmp_path: Path) -> None:
    """A run keeps a changes.csv of its own beside its manifest."""
    third = tmp_path / "third"
    third.mkdir()
    (third / "manifest.json").write_text("{}")
    asked = ["compare", str(results), str(results), "--to", str(third), "--replace"]
    refused = CliRunner().invoke(app, asked)
    assert isinstance(refused.exception, OutputError)
    assert "holds the results of a run" in str(refused.exception)
    assert sorted(file.name for file in third.iterdir()) == ["manifest.json"]
