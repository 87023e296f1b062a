"""The judging rule, frozen and digested, so that a changed rule cannot pass unnoticed."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

from afterrains.evidence.borne_out import NO_SUPPORT
from afterrains.evidence.changed_ground import FLUSH_DOUBT
from afterrains.evidence.common_drift import DRIFTS, HINT
from afterrains.evidence.contrast_gls import OWN_COURSE
from afterrains.evidence.grass import CROWNS_MOST
from afterrains.evidence.growth import STEP_SHARE
from afterrains.evidence.matching import MOST_CONTROLS
from afterrains.evidence.refusals import FEWEST_BEFORE, FEWEST_CONTROLS, LARGEST_IMBALANCE
from afterrains.evidence.rules import FRAGILE, Rules
from afterrains.evidence.structures import DRIFT_PRIOR, TOGETHER

__all__ = ["frozen", "specification"]


def specification(rules: Rules, spill_over_m: float) -> dict[str, Any]:
    """The rule as plain values, with the SHA-256 of its canonical JSON under `digest`."""
    rule: dict[str, Any] = {
        "outcome": "woody percent" if rules.woody_model else "dry-season greenness",
        "error_rate": rules.error_rate,
        "split": "half for a false gain, half for a false loss",
        "judged_seasons": rules.judged_seasons,
        "spending": "Lan-DeMets, O'Brien-Fleming kind, by seasons passed, exact",
        "false_discovery_rate": rules.false_discovery_rate,
        "meaningful_gain": rules.meaningful_gain,
        "growth": {
            "starts_after_seasons": rules.growth.starts_after_seasons,
            "full_after_seasons": rules.growth.full_after_seasons,
        },
        "contrast": "generalised least squares on a blend of growth ramp and step",
        "noise": "what a site's level, step and ramp leave",
        "step_share": STEP_SHARE,
        "course_of_a_gain": "step or ramp, by how well each explains the other sown sites' gaps",
        "course_of_its_own": OWN_COURSE,
        "common_drift_before_sowing": [list(each) for each in DRIFTS],
        "drift_of_a_site": list(DRIFT_PRIOR),
        "wandering_of_several_kinds": list(TOGETHER),
        "drift_hint": HINT,
        "controls": {
            "weights": "similarity before sowing, as far as it lasts",
            "most": MOST_CONTROLS,
            "fewest": FEWEST_CONTROLS,
            "largest_imbalance_sd": LARGEST_IMBALANCE,
            "spill_over_m": spill_over_m,
        },
        "fewest_seasons_before": FEWEST_BEFORE,
        "one_control_left_out": FRAGILE,
        "second_look_no_support": NO_SUPPORT,
        "without_woody_model": {
            "rule": "a gain whose rains flush rose too is at most grass-only",
            "flush_doubt": FLUSH_DOUBT,
            "crowns": "where the panel has shortwave infrared (dead_grass), crowns must show in it",
            "crowns_most": CROWNS_MOST,
            "at_once": "without it, it may not have risen at once without growing since"
            if rules.doubt_at_once
            else "not asked",
        },
    }
    if rules.woody_model:
        rule["with_woody_model"] = {
            "rule": "a gain must show crowns in the shortwave infrared, where the panel has it",
            "changed_ground": "where flush or dead grass rose, or dead grass is not known, the "
            "model's error between places (ground_se) is added to the gain's",
            "flush_doubt": FLUSH_DOUBT,
        }
    return frozen(rule)


def frozen(rule: Mapping[str, Any]) -> dict[str, Any]:
    """The rule with the SHA-256 of its canonical JSON under `digest`, whatever it held before."""
    plain = {key: value for key, value in rule.items() if key != "digest"}
    text = json.dumps(plain, sort_keys=True, separators=(",", ":"))
    return plain | {"digest": hashlib.sha256(text.encode()).hexdigest()}
