"""What a manager does after each verdict: the choice of sow_again.csv, else this rule.

| verdict          | step                                                                        |
| ---------------- | --------------------------------------------------------------------------- |
| `gain`           | leave alone                                                                 |
| `loss`           | protect: what took the plants takes new seed too                            |
| `no-gain`        | sow again; leave alone where the reason says the ground recovers by itself  |
| `grass-only`     | wait until `answer_by`; visit where none is named                           |
| `too-early`      | wait until `answer_by`, or for the first dry season after sowing; else visit |
| `not-assessable` | wait until `answer_by` where one is named; else visit: only eyes can tell   |

The step is advice for the next season, not a judgement: it adds nothing to the evidence.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

__all__ = [
    "STEPS",
    "VERDICTS",
    "NextStep",
    "StepKind",
    "Verdict",
    "chosen_step",
    "next_step",
    "slug",
]

Verdict = Literal["gain", "loss", "no-gain", "grass-only", "too-early", "not-assessable"]
VERDICTS: tuple[Verdict, ...] = (
    "gain",
    "loss",
    "no-gain",
    "grass-only",
    "too-early",
    "not-assessable",
)
StepKind = Literal["protect", "sow-again", "visit", "wait", "leave", "stop"]
STEPS: tuple[StepKind, ...] = ("protect", "sow-again", "visit", "wait", "leave", "stop")
"""The steps, the most pressing first."""


@dataclass(frozen=True)
class NextStep:
    """A step, with the season until which to wait.

    `until` is "" for the other steps, and for waiting until the first dry season after sowing.
    """

    kind: StepKind
    until: str = ""


_CHOICES: dict[str, StepKind] = {
    "sow again": "sow-again",
    "protect first": "protect",
    "visit first": "visit",
    "wait": "wait",
    "leave alone": "leave",
    "stop here": "stop",
}


def chosen_step(choice: str, until: str) -> NextStep | None:
    """The step of a row of sow_again.csv; None for a word that is no choice."""
    kind = _CHOICES.get(choice)
    return NextStep(kind, until if kind == "wait" else "") if kind else None


def slug(text: str) -> str:
    """`text` in lower-case letters, digits and single hyphens."""
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")


def next_step(
    verdict: Verdict, reason: str, answer_by: str, seasons_since_sowing: int | None = None
) -> NextStep:
    """The step that follows from a verdict; the table above.

    Parameters
    ----------
    verdict : Verdict
        As in verdicts.csv.
    reason : str
        As in verdicts.csv; "" when missing.
    answer_by : str
        Season id; "" when missing.
    seasons_since_sowing : int, optional
        As in verdicts.csv; None when missing.
    """
    match verdict:
        case "gain":
            return NextStep("leave")
        case "loss":
            return NextStep("protect")
        case "no-gain":
            by_itself = "by-itself" in slug(reason)
            return NextStep("leave" if by_itself else "sow-again")
        case "too-early" if not answer_by and seasons_since_sowing == 0:
            return NextStep("wait")
        case "grass-only" | "too-early" | "not-assessable":
            return NextStep("wait", answer_by) if answer_by else NextStep("visit")
