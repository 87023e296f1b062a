"""The rules that choose what to do with a site next, in the order in which they are asked.

| what is known                                        | choice                                   |
| ---------------------------------------------------- | ---------------------------------------- |
| gain                                                 | leave alone                              |
| loss, or a gain that is gone                         | protect first: what took it takes seed   |
| was rising before sowing, or its controls rise too   | leave alone: it recovers by itself       |
| not assessable, or grass only                        | wait for `answer_by`, else visit first   |
| rain never held after any sowing                     | sow again: the seed was not tested       |
| no effective rain yet                                | wait: the seed still waits               |
| too early                                            | wait for `answer_by`, else visit first   |
| no gain, rain held after two or more sowings         | stop here                                |
| no gain, rain held once                              | sow again with another seed or method    |
| no gain, rain not known                              | visit first                              |

A choice is advice for the next season: it adds nothing to the evidence.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from afterrains.choices.recovery import Recovery

__all__ = ["CHOICES", "Choice", "Known", "choose"]

CHOICES = ("sow again", "protect first", "visit first", "wait", "leave alone", "stop here")
"""What to do with a site next."""

_ENOUGH_GOOD_STARTS = 2
_DRIFT = "drifting apart before sowing"


@dataclass(frozen=True)
class Known:
    """What is known of a site when a choice is made."""

    verdict: str
    reason: str
    answer_by: str
    """Season id; "" where there is none."""
    seasons_since_sowing: int
    earlier_gain: str
    """The last season as of which it was a gain; "" where it never was."""
    starts: Sequence[str]
    """Rain after each sowing, oldest first: good, broken, none yet, or "" where not known."""
    recovery: Recovery


@dataclass(frozen=True)
class Choice:
    """What to do next, and why."""

    choice: str
    reason: str
    until: str = ""
    another_way: bool = False
    """Whether it is the seed or the method that is in question."""


def choose(site: Known) -> Choice:
    """What to do with a site next; the table above."""
    if site.verdict == "gain":
        return Choice("leave alone", "it gains beyond comparable unsown ground: let it grow")
    if site.verdict == "loss" or (site.earlier_gain and site.verdict in ("no-gain", "too-early")):
        return _lost(site)
    if by_itself := _by_itself(site):
        return Choice("leave alone", by_itself)
    if site.verdict in ("grass-only", "not-assessable"):
        return _unseen(site)
    if site.starts and set(site.starts) == {"broken"}:
        times = "its sowing" if len(site.starts) == 1 else f"each of its {len(site.starts)} sowings"
        return Choice(
            "sow again", f"rain failed after {times}: it came and did not hold, so the seed was "
            "not tested",
        )  # fmt: skip
    if site.starts and site.starts[-1] == "none yet":
        return Choice(
            "wait", "no rain that can wake the seed has come since the last sowing: it still waits",
            site.answer_by,
        )  # fmt: skip
    if site.verdict == "too-early":
        return _unseen(site)
    return _never_took(site)


def _lost(site: Known) -> Choice:
    if site.earlier_gain:
        told = f"lost after gain: it was a gain as of {site.earlier_gain} and is one no longer"
    else:
        told = f"lost cover: {site.reason}" if site.reason else "lost cover"
    return Choice("protect first", f"{told}; what took the plants takes new seed too")


def _by_itself(site: Known) -> str:
    """Why the ground needs no seed; "" where it is not seen to recover."""
    if site.recovery.own and _DRIFT in site.reason:
        return (
            "it was already rising against comparable ground before it was sown: it recovers by "
            "itself, and seed can neither be credited nor is it needed"
        )
    if site.recovery.controls and site.verdict in ("no-gain", "too-early"):
        return (
            f"the unsown ground it is compared with rose by {site.recovery.controls_rise:.3g} "
            "since before the sowing: such ground recovers by itself"
        )
    return ""


def _unseen(site: Known) -> Choice:
    if site.answer_by:
        return Choice("wait", f"{site.reason or site.verdict}", site.answer_by)
    if site.seasons_since_sowing == 0:
        return Choice("wait", "no whole dry season has passed since it was sown")
    return Choice("visit first", f"only eyes can tell: {site.reason or site.verdict}")


def _never_took(site: Known) -> Choice:
    good = sum(start == "good" for start in site.starts)
    if good >= _ENOUGH_GOOD_STARTS:
        return Choice(
            "stop here", f"never took, although rain held after {good} sowings: this ground does "
            "not answer to seed",
        )  # fmt: skip
    if good:
        return Choice(
            "sow again", "never took although the rain held: the seed or the method is in "
            "question, so sow another way", another_way=True,
        )  # fmt: skip
    return Choice(
        "visit first", "never took, and whether rain held after sowing is not known: look before "
        "more is spent",
    )  # fmt: skip
