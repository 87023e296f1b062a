"""Choices rest on the programme's own rules, as its other tables do."""

from __future__ import annotations

from pathlib import Path

from afterrains.delivery.tables import SOW_AGAIN
from afterrains.jobs.run import RunSummary
from afterrains.stages.decisions import decision_tables
from afterrains.stages.judging import rain_after_sowing
from afterrains.stages.prepare import prepare

_CHANCE = "chance_good_start_percent"


def test_the_chance_of_a_good_start_is_by_the_programmes_own_rule(
    undisturbed: RunSummary, programme_copy: Path
) -> None:
    """Three days of rain never bring 200 mm here: by that rule no past year had a good start."""
    usual = prepare(programme_copy)
    text = programme_copy.read_text(encoding="utf-8")
    strict = text.replace("  table: rain.csv", "  table: rain.csv\n  effective: {mm: 200, days: 3}")
    assert strict != text
    programme_copy.write_text(strict, encoding="utf-8")
    rain = rain_after_sowing(usual)
    chances = [
        dict(decision_tables(undisturbed.output, each, rain))[SOW_AGAIN][_CHANCE].dropna()
        for each in (usual, prepare(programme_copy))
    ]
    assert len(chances[0]) == len(chances[1]) > 0
    assert (chances[0] > 0).all()
    assert (chances[1] == 0).all()
