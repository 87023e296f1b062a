"""docs/evidence.md and docs/evidence.svg from the measured results."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np

matplotlib.use("svg")
import matplotlib.pyplot as plt

DOCS = Path(__file__).resolve().parents[2] / "docs"

INTRODUCTION = """# How often the judge is wrong, and what it sees

Simulated programmes with known truth: 12 sown sites, controls, dry seasons before and after sowing.
Everything is in units of one control's noise in one season; common good and bad seasons are three
times that size, levels ten times as far apart. The error rate is 5 %, two-sided, spent over exactly
the seasons simulated, so false gains may reach 2.5 %. The judge is told the growth curve "lag one
season, full after four"; the truth is that curve ("slow") or a step. Made by
`python benchmarks/evidence/run.py`; the same seeds give the same table.

- **False gain**: share of sites without a gain that were ever called `gain`, with its Monte-Carlo
  standard error (over panels, as the sites of a panel share their controls); **at 5 % each
  season**: the same, had every season been tested at 5 % without allowing for the others.
- **Refused**: not assessable in the last season; with missing cells that is mostly the season
  itself without a value.
- **Coverage**: of the 95 % interval, over all sites and seasons, with its Monte-Carlo standard
  error (over panels; in the table of power that of the middle gain); **bias** in standard errors.
- **Power**: share of sites ever called `gain`, at true gains that a method which knows the true
  covariance, the true curve and the bad control sees with about 50, 80 and 95 % power (the
  *oracle*, same spending, no false discovery control); **relative**: the judge's power over the
  oracle's at the middle gain, on the same panels, with its Monte-Carlo standard error (each
  panel left out in turn).
"""


KINDS = {"null": "false gains, coverage", "gain": "power", "discoveries": "many sites"}
"""What is measured, and where its figures stand."""


def _percent(value: float | None, digits: int = 1) -> str:
    return "–" if value is None else f"{100 * value:.{digits}f} %"


def _covered(found: dict[str, Any]) -> str:
    """Coverage of a setting without a gain, with its Monte-Carlo error."""
    told = _percent(found["coverage"])
    return told if found["coverage"] is None else f"{told} ± {100 * found['coverage_error']:.1f}"


def _earlier(results: dict[str, Any], rule: str) -> list[str]:
    """Which settings still hold the figures of an earlier judging rule."""
    lines = []
    for kind, told in KINDS.items():
        found = results.get(kind, {})
        old = [name for name in found if found[name].get("rule") != rule]
        if old and len(old) < len(found):
            names = "; ".join(old)
            lines += [f"Still measured under an earlier judging rule ({told}): {names}.", ""]
        elif old:
            lines += [f"Still measured under an earlier judging rule: all of {told}.", ""]
    return lines


def _row(cells: list[str]) -> str:
    return "| " + " | ".join(cells) + " |"


def write(results: dict[str, Any], names: Sequence[str], refused: Sequence[str], rule: str) -> None:
    """Write the table and the figure of everything measured so far.

    What was measured under another judging rule than `rule` is told.
    """
    null, gain = results.get("null", {}), results.get("gain", {})
    known = [null[name] for name in names if name in null]
    lines = [
        INTRODUCTION,
        *_earlier(results, rule),
        "## Ground that can be compared",
        "",
    ]
    head = ["setting", "sites", "false gain", "at 5 % each season", "false loss", "refused"]
    head += ["coverage", "bias"]
    lines += [_row(head), _row(["---"] * len(head))]
    for each in known:
        called = f"{_percent(each['false_gain'])} ± {100 * each['false_gain_error']:.1f}"
        cells = [each["name"], str(each["sites"]), called, _percent(each["raw"])]
        cells += [_percent(each["false_loss"]), _percent(each["refused"])]
        lines.append(_row([*cells, _covered(each), f"{each['bias']:+.2f}"]))
    lines += ["", "## Power", ""]
    head = ["setting", "curve", "true gain", "judge", "oracle", "relative", "coverage", "sites"]
    lines += [_row(head), _row(["---"] * len(head))]
    for name in names:
        for shape in ("step", "slow") if name in gain else ():
            part = gain[name][shape]
            cells = [name, shape, ", ".join(f"{size:.1f}" for size in part["sizes"])]
            for kind in ("power", "oracle"):
                cells.append(", ".join(f"{100 * p:.0f}" for p in part[kind]) + " %")
            cells.append("{:.2f} ± {:.2f}".format(*part["relative"]))
            low, middle, high = (f"{100 * c:.0f}" for c in part["coverage"])
            error = 100 * part["coverage_error"]
            cells.append(f"{low}, {middle} ± {error:.1f}, {high} %")
            lines.append(_row([*cells, str(part["sites"])]))
    lines += ["", "## Where nothing can be right", ""]
    lines += [
        "The verdict should say so (`not-assessable`) instead of calling a gain. A drift is that of"
        " all sown ground against all controls, in units of one season's noise a season, with eight"
        " seasons before sowing unless the name says otherwise.",
        "",
    ]
    head = ["setting", "sites", "false gain", "refused at the end", "coverage"]
    lines += [_row(head), _row(["---"] * len(head))]
    for name in refused:
        if name in null:
            each = null[name]
            told = f"{_percent(each['false_gain'])} ± {100 * each['false_gain_error']:.1f}"
            cells = [name, str(each["sites"]), told, _percent(each["refused"])]
            lines.append(_row([*cells, _covered(each)]))
    lines += _rivals(null, [*names, *refused])
    for found in results.get("discoveries", {}).values():
        lines += ["", "## Many sites", ""]
        lines.append(
            "Half of the sites with a large gain, plain setting: false discoveries at q ≤ 0.1 are "
            f"{_percent(found['false_discovery_rate'])} ± {100 * found['error']:.1f}; of the "
            f"{found['sites']} sites without a gain beside them, "
            f"{_percent(found['false_gain_among_gains'])} were ever called `gain`."
        )
    lines += _placebo(results.get("placebo")) + _second_look(results.get("second_look"))
    lines += ["", "![False gains and power by setting](evidence.svg)", ""]
    lines += [
        "How the judge works, and its known limits: [evidence_method.md](evidence_method.md).",
        "",
    ]
    (DOCS / "evidence.md").write_text("\n".join(lines), encoding="utf-8")
    _figure(known, gain)


def _placebo(found: dict[str, Any] | None) -> list[str]:
    """Controls of the sample programmes, each taken for sown at every possible date."""
    if found is None:
        return []
    lines = ["", "## Controls taken for sown", ""]
    lines.append(
        f"Every control of {found['runs']} invented districts (`afterrains sample`, run as they"
        " come) taken for sown after each dry season that leaves two before and one after, and"
        f" judged against the other controls over up to {found['judged_seasons']} seasons, on"
        " greenness alone, without the rains and without infrared. None was sown, but their"
        " inventor cleared some and lets some recover by themselves: these do change."
    )
    head = ["ever called"]
    for name, which in (("still", "that nothing befell"), ("changed", "that truly changed")):
        part = found[name]
        head.append(f"{part['placebos']} placebos of {part['controls']} controls {which}")
    lines += ["", _row(head), _row(["---"] * 3)]
    for word in found["still"]["ever"]:
        parts = (found[name] for name in ("still", "changed"))
        cells = (_percent(part["ever"][word] / max(part["placebos"], 1)) for part in parts)
        lines.append(_row([f"`{word}`", *cells]))
    return lines


def _second_look(found: dict[str, Any] | None) -> list[str]:
    """What asking a second index costs and stops."""
    if found is None:
        return []
    lines = ["", "## A second index", ""]
    lines.append(
        "A gain or loss that a second index contradicts, or does not support at all (one-sided p"
        " above 0.2), is taken back. Plain setting, gains that the oracle sees with 80 % power,"
        f" {found['sites']} sites a row; *correlation* is that of the two indices' noise."
    )
    head = ["what rises", "curve", "correlation", "called `gain`, one index", "with the second"]
    lines += ["", _row(head), _row(["---"] * len(head))]
    for each in found["rows"]:
        shares = [_percent(each["before"]), _percent(each["after"])]
        lines.append(_row([each["what"], each["curve"], f"{each['correlation']:g}", *shares]))
    return lines


def _rivals(results: dict[str, Any], names: list[str]) -> list[str]:
    """Table of the rivals' false calls."""
    known = [results[name] for name in names if name in results]
    if not known:
        return []
    methods = list(known[0]["rivals"])
    lines = ["", "## Methods in common use", ""]
    lines += ["False calls of a gain in one look at the end of the record, nominal 2.5 %.", ""]
    lines += [_row(["setting", *methods, "this judge, all seasons"])]
    lines += [_row(["---"] * (len(methods) + 2))]
    for each in known:
        calls = [_percent(each["rivals"][method]) for method in methods]
        lines.append(_row([each["name"], *calls, _percent(each["false_gain"])]))
    return lines


def _figure(known: list[dict[str, Any]], gain: dict[str, Any]) -> None:
    """False gains against the bar, and power relative to the oracle."""
    plt.rcParams["svg.hashsalt"] = "evidence"
    names = [each["name"] for each in known]
    places = range(len(known))
    figure, (left, right) = plt.subplots(1, 2, figsize=(11, 0.32 * len(known) + 1.2), sharey=True)
    for key, colour, label in (
        ("false_gain", "#1b6e53", "this judge, all seasons"),
        ("raw", "#b06a2c", "5 % every season"),
    ):
        left.scatter([100 * each[key] for each in known], places, color=colour, s=22, label=label)
    left.axvline(2.5, color="#444444", linewidth=0.8)
    left.set_xlabel("false gains, % of sites (bar 2.5)")
    left.set_yticks(list(places), names, fontsize=8)
    left.invert_yaxis()
    left.legend(fontsize=7, loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=2)
    for shape, colour in (("step", "#30638e"), ("slow", "#1b6e53")):
        parts = [gain[name][shape] if name in gain else None for name in names]
        share, error = zip(
            *(part["relative"] if part else (np.nan, np.nan) for part in parts), strict=True
        )
        right.errorbar(
            100 * np.array(share), places, xerr=100 * np.array(error), color=colour,
            fmt="o", markersize=4.5, linewidth=0.8, label=f"{shape} gain",
        )  # fmt: skip
    right.axvline(80, color="#444444", linewidth=0.8)
    right.set_xlabel("power, % of a method that knows the covariance (bar 80)")
    right.legend(fontsize=7, loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=2)
    figure.tight_layout()
    figure.savefig(DOCS / "evidence.svg", metadata={"Date": None}, bbox_inches="tight")
    plt.close(figure)
