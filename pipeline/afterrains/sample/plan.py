"""The plan of the invented district: what is sown where, and what truly comes of it.

`Kind` is the truth: it never reaches the files that a reader of the programme sees. Costs and seed
rates are invented, of a usual size; the species are real trees and a grass of the Sahel.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

__all__ = ["CONTROLS", "MIXES", "SOWN", "WAYS", "Kind", "Plan"]


class Kind(StrEnum):
    """What truly happened on a site."""

    GAIN = "gain"
    GRASS_ONLY = "grass-only"
    NOTHING = "nothing"
    BAD_START = "nothing, bad start of rain"
    CLEARED = "cleared after sowing"
    BURNT = "burnt after sowing"
    TOO_YOUNG = "too young"
    TOO_CLOUDY = "gain, always under cloud"
    CONTROL = "control"
    RECOVERING = "control, recovering by itself"
    CONTROL_CLEARED = "control, cleared"


@dataclass(frozen=True)
class Plan:
    """A row of the plan: slots as (column, row), the area of the full-size site in hectares."""

    name: str
    ground: str
    slots: tuple[tuple[int, int], ...]
    area_ha: float
    kind: Kind
    woody_percent: float
    gain_points: float = 0.0
    full_after: float = 5.0
    sown: tuple[str, ...] = ()
    way: str = ""
    event: str | None = None


_W, _E, _K = "west", "east", Kind
# Sown dates count back from the last scene year ("-1" is the year before) where the site has to be
# too young whatever the size of the sample.
SOWN = (
    Plan("Long Dune", _W, ((0, 0),), 14.0, _K.GAIN, 6.5, 20.0, 5, ("2018-06-04",), "vehicle a"),
    Plan("Two Wells", _W, ((1, 1),), 9.0, _K.GAIN, 7.5, 10.0, 5, ("2018-06-07",), "hand b"),
    Plan(
        "Rested Slope", _W, ((0, 2),), 11.0, _K.GRASS_ONLY, 6.0, 0, 5, ("2018-06-18",), "vehicle b"
    ),
    Plan(
        "Quiet Hollow",
        _W,
        ((1, 3),),
        8.0,
        _K.NOTHING,
        8.0,
        0,
        5,
        ("2018-06-11", "2021-06-07"),
        "hand a",
    ),
    Plan(
        "Split Gravel", _W, ((2, 0), (3, 0)), 20.0, _K.GAIN, 8.0, 12.0, 4, ("2019-06-03",), "hand b"
    ),
    Plan(
        "Kiln Road",
        _W,
        ((3, 2),),
        10.0,
        _K.CLEARED,
        15.5,
        0,
        5,
        ("2018-06-25",),
        "hand a",
        "2021-03-10",
    ),
    Plan("New Bund", _W, ((2, 3),), 7.0, _K.TOO_YOUNG, 6.5, 12.0, 5, ("-1-06-10",), "hand b"),
    Plan("Hard Pan", _W, ((3, 4),), 4.5, _K.NOTHING, 5.0, 0, 5, ("2019-06-06",), "vehicle a"),
    Plan("Stone Lines", _E, ((0, 0),), 12.0, _K.GAIN, 7.0, 15.0, 6, ("2018-06-12",), "hand b"),
    Plan("Thin Crust", _E, ((1, 2),), 15.0, _K.GAIN, 6.0, 5.5, 5, ("2019-06-17",), "vehicle b"),
    Plan(
        "Mist Basin", _E, ((0, 3),), 8.0, _K.TOO_CLOUDY, 7.0, 12.0, 5, ("2018-06-06",), "vehicle a"
    ),
    Plan("Fenced Plain", _E, ((1, 4),), 10.0, _K.GRASS_ONLY, 7.5, 0, 5, ("2019-06-10",), "hand a"),
    Plan(
        "Ember Ridge",
        _E,
        ((2, 1),),
        9.0,
        _K.BURNT,
        14.5,
        0,
        5,
        ("2018-06-20",),
        "aircraft a",
        "2020-11-20",
    ),
    Plan("Far Sand", _E, ((3, 3),), 18.0, _K.NOTHING, 6.0, 0, 5, ("2018-05-30",), "aircraft a"),
    Plan("Last Sowing", _E, ((3, 0),), 6.0, _K.TOO_YOUNG, 7.0, 12.0, 5, ("-0-06-02",), "vehicle b"),
    Plan("False Start", _E, ((2, 4),), 8.5, _K.BAD_START, 6.5, 0, 5, ("2021-05-31",), "aircraft b"),
)
CONTROLS = (
    Plan("", _W, ((1, 0),), 9.0, _K.CONTROL, 7.0),
    Plan("", _W, ((0, 1),), 12.0, _K.CONTROL, 6.0),
    Plan("", _W, ((1, 2),), 7.5, _K.CONTROL, 9.0),
    Plan("", _W, ((0, 3),), 10.0, _K.CONTROL_CLEARED, 13.0, event="2020-12-15"),
    Plan("", _W, ((0, 4),), 14.0, _K.CONTROL, 6.5),
    Plan("", _W, ((2, 1),), 8.0, _K.CONTROL, 7.5),
    Plan("", _W, ((3, 1),), 6.0, _K.CONTROL, 12.0),
    Plan("", _W, ((2, 2),), 11.0, _K.CONTROL, 6.0),
    Plan("", _W, ((3, 3),), 9.5, _K.CONTROL, 8.5),
    Plan("", _E, ((1, 0),), 10.0, _K.CONTROL, 6.5),
    Plan("", _E, ((0, 1),), 8.0, _K.RECOVERING, 6.5, 9.0, 6),
    Plan("", _E, ((0, 2),), 13.0, _K.CONTROL, 8.0),
    Plan("", _E, ((1, 3),), 7.0, _K.CONTROL, 7.0),
    Plan("", _E, ((0, 4),), 5.0, _K.CONTROL, 5.5),
    Plan("", _E, ((2, 0),), 11.0, _K.CONTROL, 7.0),
    Plan("", _E, ((3, 1),), 9.0, _K.CONTROL, 12.5),
    Plan("", _E, ((2, 2),), 12.0, _K.CONTROL, 6.0),
    Plan("", _E, ((2, 3),), 6.5, _K.CONTROL, 8.0),
)

MIXES = {
    "a": ("Senegalia senegal", "Vachellia tortilis", "Balanites aegyptiaca"),
    "b": ("Vachellia tortilis", "Ziziphus mauritiana", "Schoenefeldia gracilis"),
}
WAYS: dict[str, tuple[Literal["hand", "vehicle", "aircraft"], float, float]] = {
    # method: kilograms of coated seed a hectare, cost a hectare in XOF; invented, of a usual size
    "hand": ("hand", 3.0, 21_000.0),
    "vehicle": ("vehicle", 4.5, 15_500.0),
    "aircraft": ("aircraft", 6.0, 12_000.0),
}
