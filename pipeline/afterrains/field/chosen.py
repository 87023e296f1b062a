"""Chosen visits: places where the answer would change a decision.

They are ranked by the hectares whose decision hangs on the visit times a rough chance that the
visit changes it (common practice, no source). Chosen places tell of themselves alone: they never
enter an estimate of area or accuracy.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from afterrains.drawn import NOT_VISITED
from afterrains.field.frame import Frame

__all__ = ["Choice", "choices", "place_of"]

_FLUSH_ROSE = "the rains' flush rose too"
_POOR_BALANCE = 1.0
"""Standard deviations between site and controls from which a gain is doubted."""
_DRIFT_P = 0.1
_FEW_CONTROLS = 5
_NOT_COMPARABLE = 0.25
"""Chance that ground which nobody has seen turns out to be no comparable ground."""
_NEAR_SHARE = 0.5
_CANNOT_SETTLE = ("no whole dry season", "not sown", "later than the scenes")
"""Words of reasons that eyes on the ground cannot help: nothing can be there yet."""


@dataclass(frozen=True)
class Choice:
    """A site worth a visit of its own."""

    site_id: str
    why: str
    weight_ha: float
    """Hectares whose decision hangs on it, times the chance that a visit changes it."""
    look_at: str
    """Map class of the ground to look at, where there is some; "" for anywhere."""


def choices(verdicts: pd.DataFrame, controls: pd.DataFrame | None) -> list[Choice]:
    """Every site that a visit could decide, the weightiest first.

    Parameters
    ----------
    verdicts, controls : DataFrame
        Rows of verdicts.csv and controls.csv; None where no controls were judged.
    """
    found = [choice for row in verdicts.to_dict("records") if (choice := _of_site(row))]
    if controls is not None:
        found += [c for row in controls.to_dict("records") if (c := _of_control(row, verdicts))]
    return sorted(found, key=lambda choice: (-choice.weight_ha, choice.site_id))


def place_of(frame: Frame, choice: Choice) -> tuple[float, float, str] | None:
    """The pixel to go to: of the class in question, nearest to the middle of the site.

    Returns
    -------
    (x, y, map class), or None where the site has no pixel on the rasters.
    """
    row = int(np.flatnonzero(frame.sites["site_id"] == choice.site_id)[0])
    pixels = np.flatnonzero(frame.site == row)
    if pixels.size == 0:
        return None
    wanted = pixels[frame.map_class[pixels] == choice.look_at]
    among = wanted if wanted.size else pixels
    middle = frame.sites.loc[row, ["x", "y"]].astype(float)
    apart = (frame.x[among] - middle["x"]) ** 2 + (frame.y[among] - middle["y"]) ** 2
    at = among[int(np.argmin(apart))]
    return float(frame.x[at]), float(frame.y[at]), str(frame.map_class[at])


def _of_site(row: Mapping[Any, Any]) -> Choice | None:
    """What a visit to a sown site could settle."""
    site_id, area = str(row["site_id"]), _or_zero(row["area_ha"])

    def choose(why: str, chance: float, look_at: str = "") -> Choice:
        return Choice(site_id, why, area * chance, look_at)

    match row["verdict"]:
        case "loss":
            return choose(
                "A loss is judged: see what took the woody plants before more seed is spent, and "
                "whether it goes on.", 0.5, "less",
            )  # fmt: skip
        case "grass-only":
            return choose(
                "Greener, but grass could explain it: see whether young woody plants stand in the "
                "grass.", 0.5, "more",
            )  # fmt: skip
        case "not-assessable" if not _cannot_settle(row):
            reason = str(row["reason"])
            return choose(
                f"Not assessable from the satellite ({reason}): only eyes on the ground can tell.",
                0.5,
            )
        case "gain" if doubts := _doubts(row):
            return choose(f"A gain with a doubt ({'; '.join(doubts)}): see what is growing, and "
                          "which species.", min(0.15 * len(doubts), 0.45), "more")  # fmt: skip
        case "too-early" if _near_the_line(row):
            return choose(
                "Too early to say, but near the line: young plants seen now would settle whether "
                "to wait or sow again.", 0.3, "more",
            )  # fmt: skip
        case "no-gain" if not np.isnan(_number(row["gain_high"])):
            return choose(
                "No gain is judged: look for seedlings that still hide below a pixel before it is "
                "sown again or given up.", 0.1,
            )  # fmt: skip
    return None


def _of_control(row: Mapping[Any, Any], verdicts: pd.DataFrame) -> Choice | None:
    """An odd control counts with the share of the sown ground that rests on it."""
    used, note = _or_zero(row["used_by"]), str(row["note"] or "")
    if not note or used <= 0:
        return None
    sites = max(len(verdicts), 1)
    rests = float(verdicts["area_ha"].sum()) * _or_zero(row["weight_total"]) / sites
    if note == NOT_VISITED:
        why = (
            f"A control that was drawn and that nobody has seen, on which {int(used)} verdicts "
            "rest: see whether it was sown, farmed, fenced or settled."
        )
        return Choice(str(row["site_id"]), why, _NOT_COMPARABLE * rests, "")
    why = (
        f"A control on which {int(used)} verdicts rest is odd ({note}): see what happened there "
        "and whether it may still be compared with."
    )
    return Choice(str(row["site_id"]), why, 0.5 * rests, "")


def _doubts(row: Mapping[Any, Any]) -> list[str]:
    found = []
    if _number(row["grass_gain_low"]) > 0:
        found.append(_FLUSH_ROSE)
    if str(row["gain_unit"]) == "ndvi":
        found.append("judged by greenness alone")
    if _number(row["match_balance"]) > _POOR_BALANCE:
        found.append("unlike its controls before sowing")
    if _number(row["before_trend_p"]) < _DRIFT_P:
        found.append("perhaps drifting apart before sowing")
    if _number(row["controls"]) < _FEW_CONTROLS:
        found.append("few controls")
    return found


def _near_the_line(row: Mapping[Any, Any]) -> bool:
    """Half of what could be seen shows, or the interval already excludes nothing."""
    gain, detectable = _number(row["gain"]), _number(row["detectable_gain"])
    return gain >= _NEAR_SHARE * detectable or _number(row["gain_low"]) > 0


def _cannot_settle(row: Mapping[Any, Any]) -> bool:
    reason = str(row["reason"]).lower()
    return bool(row["answer_by"]) or any(words in reason for words in _CANNOT_SETTLE)


def _number(value: Any) -> float:
    return float("nan") if pd.isna(value) else float(value)


def _or_zero(value: Any) -> float:
    number = _number(value)
    return 0.0 if np.isnan(number) else number
