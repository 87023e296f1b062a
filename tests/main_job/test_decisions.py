"""Choices rest on the programme's own rules, as its other tables do."""

from __future__ import annotations

from pathlib import Path

from afterrains.delivery.table_files import read_csv
from afterrains.delivery.tables import SOW_AGAIN
from afterrains.jobs.run import RunSummary
from afterrains.stages.decisions import decision_tables
from afterrains.stages.prepare import prepare


def test_the_chance_of_a_good_start_is_by_the_programmes_own_rule(
    undisturbed: RunSummary, programme_copy: Path
) -> None:
    """Three days of rain never bring 200 mm here: by that rule no past year had a good start."""
    usual = read_csv(SOW_AGAIN, undisturbed.output)["chance_good_start_percent"]
    assert (usual.dropna() > 0).any()
    text = programme_copy.read_text(encoding="utf-8")
    strict = text.replace("  table: rain.csv", "  table: rain.csv\n  effective: {mm: 200, days: 3}")
    assert strict != text
    programme_copy.write_text(strict, encoding="utf-8")
    tables = dict(decision_tables(undisturbed.output, prepare(programme_copy), None))
    chances = tables[SOW_AGAIN]["chance_good_start_percent"].dropna()
    assert len(chances) == usual.notna().sum()
    assert (chances == 0).all()
