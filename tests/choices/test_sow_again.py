"""What to do with a site next, and the order of those to sow again."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest

from afterrains.choices import sow_again
from afterrains.choices.expectation import WayGain, best_other
from afterrains.choices.recovery import Recovery, recovery
from afterrains.choices.rules import CHOICES, Known, choose
from afterrains.choices.sow_again import Record
from afterrains.delivery.cells import checked_text
from afterrains.delivery.tables import SOW_AGAIN

Verdicts = Callable[..., pd.DataFrame]
_STILL = Recovery(own=False, controls=False, controls_rise=0.0)


def _known(**facts: Any) -> Known:
    usual: dict[str, Any] = {
        "verdict": "no-gain",
        "reason": "",
        "answer_by": "",
        "seasons_since_sowing": 6,
        "earlier_gain": "",
        "starts": ["good"],
        "recovery": _STILL,
    }
    return Known(**{**usual, **facts})


@pytest.mark.parametrize(
    ("facts", "choice", "words"),
    [
        ({"verdict": "gain"}, "leave alone", "let it grow"),
        ({"verdict": "loss", "reason": "fell"}, "protect first", "takes new seed too"),
        ({"earlier_gain": "2022-dry"}, "protect first", "lost after gain"),
        ({"starts": ["broken", "broken"]}, "sow again", "each of its 2 sowings"),
        ({"verdict": "too-early", "starts": ["broken"]}, "sow again", "seed was not tested"),
        ({"starts": ["good", "good"]}, "stop here", "after 2 sowings"),
        ({"starts": ["broken", "good"]}, "sow again", "the seed or the method"),
        ({"starts": []}, "visit first", "not known"),
        ({"verdict": "too-early", "starts": ["none yet"]}, "wait", "still waits"),
        ({"verdict": "too-early", "answer_by": "2027-dry"}, "wait", "too-early"),
        ({"verdict": "too-early", "seasons_since_sowing": 0}, "wait", "no whole dry season"),
        ({"verdict": "too-early"}, "visit first", "only eyes can tell"),
        ({"verdict": "grass-only", "reason": "the flush rose"}, "visit first", "the flush rose"),
        ({"verdict": "not-assessable", "answer_by": "2026-dry"}, "wait", "not-assessable"),
        (
            {"recovery": Recovery(own=False, controls=True, controls_rise=6.2)},
            "leave alone",
            "rose by 6.2",
        ),
        (
            {
                "verdict": "not-assessable",
                "reason": "this site and its controls were already drifting apart before sowing",
                "recovery": Recovery(own=True, controls=False, controls_rise=0.0),
            },
            "leave alone",
            "recovers by itself",
        ),
    ],
)
def test_each_case_has_its_choice_and_reason(
    facts: dict[str, Any], choice: str, words: str
) -> None:
    """The table of `rules`, case by case, as the trade would have it (common practice)."""
    told = choose(_known(**facts))
    assert told.choice == choice
    assert told.choice in CHOICES
    assert words in told.reason
    assert told.until == facts.get("answer_by", "")


def _seasons(controls: list[float], gaps: list[float]) -> pd.DataFrame:
    ends = pd.date_range("2012-05-31", periods=len(controls), freq="YE-MAY")
    return pd.DataFrame(
        {"kind": "dry", "end": ends, "difference": gaps, "control_judged_value": controls}
    )


def test_ground_that_recovers_by_itself_is_seen() -> None:
    """Unsown ground at 5 % before sowing in 2017 and at 12 % now: 7 points without seed."""
    then, now = [5.0, 5.2, 4.8, 5.1, 4.9], [9.0, 11.9, 12.0, 12.1]
    told = recovery(_seasons(then + now, [0.0] * 9), pd.Timestamp("2017-01-15"), meaningful=5.0)
    assert told.controls
    assert told.controls_rise == pytest.approx(7.0)
    assert not told.own
    little = recovery(_seasons(then + now, [0.0] * 9), pd.Timestamp("2017-01-15"), meaningful=8.0)
    assert not little.controls


def test_a_rise_before_sowing_is_the_sites_own() -> None:
    """The site drew away from its controls by a point a year, before any seed."""
    gaps = [0.0, 1.1, 1.9, 3.0, 4.1, 4.0, 4.0]
    told = recovery(_seasons([5.0] * 7, gaps), pd.Timestamp("2017-01-15"), meaningful=5.0)
    assert told.own
    falling = recovery(_seasons([5.0] * 7, [-g for g in gaps]), pd.Timestamp("2017-01-15"), 5.0)
    assert not falling.own


def test_wet_and_dry_years_are_no_recovery(rng: np.random.Generator) -> None:
    """Noise alone passes for recovery in at most about one site of twenty, each way."""
    own = controls = 0
    for _ in range(300):
        values = 10 + rng.normal(0, 3, 12)
        told = recovery(
            _seasons(list(values), list(rng.normal(0, 1, 12))), pd.Timestamp("2018-01-15"), 0.5
        )
        own += told.own
        controls += told.controls
    assert own / 300 < 0.085
    assert controls / 300 < 0.085


@pytest.fixture
def record(verdicts: Verdicts) -> Record:
    """Two ways that gained alike, three sites that rain failed, one that never took."""
    gain = {"verdict": "gain", "gain": 6.0, "gain_low": 4.0, "gain_high": 8.0}
    early = {"verdict": "too-early", "gain": np.nan, "gain_low": np.nan, "gain_high": np.nan,
             "seasons_since_sowing": 2}  # fmt: skip
    table = verdicts(
        {"site_id": "g1", **gain}, {"site_id": "g2", **gain}, {"site_id": "g3", **gain},
        {"site_id": "r1", **early, "area_ha": 10.0}, {"site_id": "r2", **early, "area_ha": 20.0},
        {"site_id": "r3", **early},
        {"site_id": "n1"},
    )  # fmt: skip
    cost = {"g1": 100.0, "g2": 100.0, "g3": 100.0, "r1": 100.0, "r2": 400.0, "r3": np.nan,
            "n1": 100.0}  # fmt: skip
    sowing = pd.DataFrame(
        {
            "site_id": table["site_id"],
            "sown_on": pd.Timestamp("2018-06-01"),
            "method": "hand",
            "species": "",
            "cost": table["site_id"].map(cost),
        }
    )
    starts = table["site_id"].str[0].map({"g": "good", "r": "broken", "n": "good"})
    return Record(
        verdicts=table,
        history=table,
        seasons=pd.DataFrame(
            {
                "site_id": [],
                "kind": [],
                "end": pd.to_datetime([]),
                "difference": [],
                "control_judged_value": [],
            }
        ),
        sowing=sowing,
        sowing_rain=sowing.assign(start=starts),
        ways=sowing[["site_id", "method", "species"]],
        begun=table["seasons_since_sowing"] > 2,
        chances=pd.DataFrame(
            {
                "site_id": table["site_id"],
                "month": 6,
                "years": 30,
                "share_good": table["site_id"].map({"r1": 0.5, "r2": 0.25}).fillna(0.5),
            }
        ),
        meaningful_points=5.0,
        ndvi_per_point=0.004,
    )


def test_the_expectation_is_gain_times_chance_over_cost(record: Record) -> None:
    """Gained 6, 6, 6 and 0 (n1) into rain that held: by hand, all equal errors but n1's.

    One unit cost of 900 / 80 by hectare for every site, so per thousand: gain x chance / 11.25.
    """
    table = sow_again(record).set_index("site_id")
    row = table.loc["r1"]
    assert row["choice"] == "sow again"
    gain = row["expected_gain_if_good"]
    assert 3.0 < gain < 6.0  # between the failure and the gains
    assert row["expected_gain"] == pytest.approx(gain * 0.5)
    assert row["expected_cost"] == pytest.approx(10 * 900 / 70)
    assert row["gain_per_cost"] == pytest.approx(gain * 0.5 * 10 / (10 * 900 / 70) * 1000)
    assert row["chance_good_start_percent"] == 50
    assert "4 sites pooled" in row["assumptions"]


def test_sites_are_ranked_by_what_their_cost_brings(record: Record) -> None:
    """r2 has half the chance of r1 and r3; ties go by name; the others have no rank."""
    table = sow_again(record).set_index("site_id")
    assert table.loc[["r1", "r3", "r2"], "rank"].tolist() == [1, 2, 3]
    assert table.loc[["g1", "g2", "g3", "n1"], "rank"].isna().all()
    assert table.loc["g1", "choice"] == "leave alone"


def test_no_better_way_is_no_reason_to_sow_again(record: Record) -> None:
    """n1 never took although rain held, and only one way is known: look first."""
    row = sow_again(record).set_index("site_id").loc["n1"]
    assert row["choice"] == "visit first"
    assert "no other seed or method is shown to do better" in row["reason"]


def test_without_rain_or_costs_it_says_so(record: Record) -> None:
    """Nothing is invented: no chance, no cost, no gain per cost."""
    from dataclasses import replace

    bare = replace(
        record,
        chances=None,
        sowing=record.sowing.assign(cost=np.nan),
    )
    row = sow_again(bare).set_index("site_id").loc["r1"]
    assert np.isnan(row["expected_cost"])
    assert np.isnan(row["gain_per_cost"])
    assert np.isnan(row["chance_good_start_percent"])
    assert "its chance is not known" in row["assumptions"]
    assert "no cost of any sowing is known" in row["assumptions"]
    assert row["rank"] == 1


def test_points_and_greenness_are_ranked_in_one_unit(record: Record) -> None:
    """0.024 NDVI at .004 a point is worth the 6 points it stands for, no more and no less."""
    from dataclasses import replace

    table = record.verdicts.copy()
    green = table["site_id"].isin(["g3", "r2"])
    table.loc[green, "gain_unit"] = "ndvi"
    table.loc[table["site_id"] == "g3", ["gain", "gain_low", "gain_high"]] = [0.08, 0.07, 0.09]
    told = sow_again(replace(record, verdicts=table)).set_index("site_id")
    # r2: .08 / .004 = 20 points at a chance of .25, against 6 or less at .5.
    assert told.loc["r2", "rank"] == 1
    assert "greenness stands for trees" in told.loc["r2", "assumptions"]


def test_the_rows_fit_their_table(record: Record) -> None:
    """Types, limits and keys; sites to sow again first."""
    text = checked_text(SOW_AGAIN, sow_again(record))
    assert text["rank"].tolist() == ["1", "2", "3", "", "", "", ""]


def test_another_way_must_be_likely_better() -> None:
    """By hand: a difference of 3 with errors of 2 and 2 is 1.06 of its error, beyond .84; 2 is not.

    (.8416 is the quantile of a chance of four in five in any table of the normal distribution.)
    """

    def way(level: str, gain: float) -> WayGain:
        return WayGain("method", level, 5, gain, gain - 1.96 * 2, gain + 1.96 * 2)

    own = [("method", "hand")]
    clear = {("method", "hand"): way("hand", 2.0), ("method", "vehicle"): way("vehicle", 5.0)}
    found = best_other(clear, own)
    assert found is not None
    assert found.level == "vehicle"
    near = {**clear, ("method", "vehicle"): way("vehicle", 4.0)}
    assert best_other(near, own) is None
    failing = {("method", "hand"): way("hand", -9.0), ("method", "vehicle"): way("vehicle", -1.0)}
    assert best_other(failing, own) is None
