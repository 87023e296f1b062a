"""When which site can be answered, and what differs between two results."""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest

from afterrains.choices import answer_calendar, changes
from afterrains.choices.changes import CAUSES, Results
from afterrains.choices.when import dry_seasons_between
from afterrains.delivery.cells import checked_text
from afterrains.delivery.tables import ANSWER_CALENDAR, CHANGES

Verdicts = Callable[..., pd.DataFrame]
_DRY = ["2021-dry", "2022-dry", "2023-dry", "2024-dry"]


def test_when_each_site_is_answered(verdicts: Verdicts) -> None:
    """Answered without a break since 2023; waiting five seasons; no season can be named."""
    newest = verdicts(
        {"site_id": "a", "verdict": "no-gain"},
        {"site_id": "b", "verdict": "too-early", "answer_by": "2029-dry"},
        {"site_id": "c", "verdict": "grass-only"},
    )
    history = verdicts(
        {"site_id": "a", "as_of": "2021-dry", "verdict": "gain"},
        {"site_id": "a", "as_of": "2022-dry", "verdict": "too-early"},
        {"site_id": "a", "as_of": "2023-dry", "verdict": "gain"},
        {"site_id": "a", "as_of": "2024-dry", "verdict": "no-gain"},
    )
    table = answer_calendar(newest, history, _DRY).set_index("site_id")
    assert table["state"].tolist() == ["answered", "waiting", "open"]
    assert table.loc["a", "answered_since"] == "2023-dry"
    assert table.loc["b", "seasons_to_wait"] == 5
    assert len(checked_text(ANSWER_CALENDAR, table.reset_index())) == 3


def test_seasons_are_counted_where_a_year_has_two() -> None:
    """From 2024-dry-2 to 2026-dry-1: 2025-dry-1, 2025-dry-2, 2026-dry-1."""
    dry = ["2023-dry-1", "2023-dry-2", "2024-dry-1", "2024-dry-2"]
    assert dry_seasons_between("2024-dry-2", "2026-dry-1", dry) == 3


def _manifest() -> dict[str, Any]:
    return {
        "inputs": {
            "code": "c",
            "settings": {"evidence": "e", "scenes": "s"},
            "seasons": ["2022-dry", "2023-dry", "2024-dry"],
            "sites": {"a": "a1", "b": "b1", "k": "k1"},
            "sowing": {"a": "1", "b": "1"},
            "rain": {"2022-dry": "r", "2023-dry": "r", "2024-dry": "r"},
            "radar": {"2022-dry": "p", "2023-dry": "p"},
            "scenes": {
                "a": {"2022-dry": "x", "2023-dry": "x", "2024-dry": "x"},
                "b": {"2022-dry": "x"},
                "k": {"2022-dry": "x"},
            },
        },
        "specification": {"sha256": "rule"},
        "versions": {"numpy": "2"},
        "model_sha256": None,
    }


@pytest.mark.parametrize(
    ("where", "value", "causes"),
    [
        (("inputs", "code"), "other", {"a": "method", "b": "method"}),
        (("specification", "sha256"), "other", {"a": "method", "b": "method"}),
        (("versions", "numpy"), "3", {"a": "method", "b": "method"}),
        (("model_sha256",), "m", {"a": "woody model", "b": "woody model"}),
        (("inputs", "settings", "evidence"), "other", {"a": "settings", "b": "settings"}),
        (("inputs", "sites", "a"), "other", {"a": "site drawn anew", "b": ""}),
        (("inputs", "sites", "k"), "other", {"a": "controls", "b": "controls"}),
        (("inputs", "sowing", "b"), "2", {"a": "", "b": "sowing table"}),
        (("inputs", "rain", "2022-dry"), "other", {"a": "rain record", "b": "rain record"}),
        (("inputs", "radar", "2022-dry"), "q", {"a": "late scenes", "b": "late scenes"}),
        (("inputs", "scenes", "a", "2022-dry"), "other", {"a": "late scenes", "b": ""}),
        (("inputs", "scenes", "k", "2022-dry"), "y", {"a": "late scenes", "b": "late scenes"}),
        # The newest season of the earlier results may still have been running.
        (("inputs", "scenes", "a", "2024-dry"), "other", {"a": "", "b": ""}),
    ],
)
def test_each_cause_is_told_apart(
    verdicts: Verdicts, where: tuple[str, ...], value: str, causes: dict[str, str]
) -> None:
    """One thing is changed at a time; only what it touches names it."""
    table = verdicts({"site_id": "a"}, {"site_id": "b"})
    later = copy.deepcopy(_manifest())
    place = later
    for key in where[:-1]:
        place = place[key]
    place[where[-1]] = value
    told = changes(Results(table, _manifest()), Results(table, later)).set_index("site_id")
    assert told["causes"].to_dict() == causes
    assert set(causes.values()) <= {"", *CAUSES}
    assert not told["verdict_changed"].any()


def test_a_new_season_and_what_it_did(verdicts: Verdicts) -> None:
    """Verdicts, gains and their difference stand side by side; a new and a gone site are told."""
    before = verdicts(
        {"site_id": "a", "as_of": "2023-dry", "verdict": "too-early", "gain": 2.0},
        {"site_id": "z", "as_of": "2023-dry"},
    )
    now = verdicts(
        {"site_id": "a", "verdict": "gain", "gain": 4.5},
        {"site_id": "b", "verdict": "too-early", "gain": np.nan},
    )
    table = changes(Results(before, _manifest()), Results(now, _manifest()))
    told = table.set_index("site_id")
    assert told["causes"].to_dict() == {"a": "new season", "b": "new site", "z": "site gone"}
    assert told.loc["a", "gain_change"] == pytest.approx(2.5)
    assert told.loc["a", "explanation"].startswith("from too-early to gain; its gain moved by +2.5")
    assert told["verdict_changed"].all()
    assert len(checked_text(CHANGES, table)) == 3


def test_settings_that_differ_are_named(verdicts: Verdicts) -> None:
    """The section of the programme file, and the figures of the rule that it moved."""
    was, later = _manifest(), _manifest()
    was["specification"]["content"] = {"error_rate": 0.05, "growth": {"full": 8.0}, "rule": "x"}
    later["specification"]["content"] = {"error_rate": 0.1, "growth": {"full": 6.0}, "rule": "x"}
    later["inputs"]["settings"]["evidence"] = "other"
    table = changes(
        Results(verdicts({"site_id": "a", "verdict": "too-early"}), was),
        Results(verdicts({"site_id": "a", "verdict": "gain"}), later),
    )
    assert table["causes"].tolist() == ["settings"]
    assert table["explanation"].iloc[0] == (
        "from too-early to gain; what differs: settings (evidence; error_rate 0.05 became 0.1; "
        "growth.full 8.0 became 6.0)"
    )


def test_gains_in_different_units_are_not_subtracted(verdicts: Verdicts) -> None:
    """NDVI then, points of cover now."""
    before = verdicts({"site_id": "a", "gain_unit": "ndvi", "gain": 0.02})
    now = verdicts({"site_id": "a", "gain": 5.0})
    table = changes(Results(before, {}), Results(now, {}))
    assert np.isnan(table["gain_change"].iloc[0])
    assert np.isnan(table["late_scenes_seasons"].iloc[0])
