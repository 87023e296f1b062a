"""Units of rain, from the words of CF and UDUNITS to millimetres of water.

Rain comes as a rate (mm/day, kg m-2 s-1, m s-1) or as an amount for each time step (mm, m,
kg m-2). One kilogram of water on a square metre is one millimetre.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

__all__ = ["RainUnit", "parse_unit"]

_LENGTHS_MM = {
    "mm": 1.0,
    "millimeter": 1.0,
    "millimetre": 1.0,
    "cm": 10.0,
    "centimeter": 10.0,
    "centimetre": 10.0,
    "m": 1000.0,
    "meter": 1000.0,
    "metre": 1000.0,
}
_PER_DAY = {
    "s": 86_400.0,
    "sec": 86_400.0,
    "second": 86_400.0,
    "h": 24.0,
    "hr": 24.0,
    "hour": 24.0,
    "d": 1.0,
    "day": 1.0,
}
_STEPS = {"step", "timestep", "pentad"}
_WORD = re.compile(r"([a-z]+)(?:\^|\*\*)?(-?\d+)?")


@dataclass(frozen=True)
class RainUnit:
    """How a stored number becomes millimetres.

    `to_mm` turns it into mm a day where `rate` holds, else into mm in one time step.
    """

    to_mm: float
    rate: bool


def parse_unit(text: str) -> RainUnit | None:
    """What a unit's text means, or None where it is no unit of rain.

    Parameters
    ----------
    text : str
        Such as "mm/day", "mm d-1", "kg m-2 s-1", "m", "mm", "mm/pentad".
    """
    exponents = _exponents(text)
    if exponents is None:
        return None
    area = {name: power for name, power in exponents.items() if name in _LENGTHS_MM}
    over = {name: power for name, power in exponents.items() if name in _PER_DAY or name in _STEPS}
    mass = {name: power for name, power in exponents.items() if name in ("kg", "kilogram")}
    if len(area) != 1 or len(over) > 1 or len(area) + len(over) + len(mass) != len(exponents):
        return None
    ((length, power),) = area.items()
    if mass:
        if list(mass.values()) != [1] or power != -2 or _LENGTHS_MM[length] != 1000.0:
            return None
        to_mm = 1.0
    elif power == 1:
        to_mm = _LENGTHS_MM[length]
    else:
        return None
    if not over:
        return RainUnit(to_mm, rate=False)
    ((time, power),) = over.items()
    if power != -1:
        return None
    return RainUnit(to_mm, rate=False) if time in _STEPS else RainUnit(to_mm * _PER_DAY[time], True)


def _exponents(text: str) -> dict[str, int] | None:
    """Power of each unit in a product such as "kg m-2 s-1" or "mm/day"; None if it is none."""
    plain = text.strip().lower().replace(" per ", "/").replace("·", " ")
    plain = re.sub(r"\bof water( equivalent)?\b", "", plain).strip()
    found: dict[str, int] = {}
    for place, part in enumerate(plain.split("/")):
        words = re.split(r"[\s.]+|(?<!\*)\*(?!\*)", part.strip())
        for word in words:
            match = _WORD.fullmatch(word)
            if match is None:
                return None
            name = match[1]
            # Plurals; "s" itself is the second.
            if len(name) > 3 and name.endswith("s"):
                name = name[:-1]
            if name in found:
                return None
            power = int(match[2] or 1)
            found[name] = -power if place else power
    return found
