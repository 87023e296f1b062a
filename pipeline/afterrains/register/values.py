"""What the cells of a table mean: days, numbers and ids, each with the mend when it is not one.

Every reader here takes one trimmed text and returns the value, or a `Fault` that a person who keeps
tables in a spreadsheet understands. Nothing is guessed: a day that could be two days is a fault.
"""

from __future__ import annotations

import difflib
import math
import re
import unicodedata
from dataclasses import dataclass
from datetime import date, timedelta

__all__ = [
    "Fault",
    "decimal_number",
    "folded_name",
    "identifier",
    "iso_day",
    "near_miss",
    "plain_label",
]

_LONGEST_ID = 100
_ISO_DAY = re.compile(r"(\d{4})-(\d{2})-(\d{2})", re.ASCII)
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+", re.ASCII)
_GROUPED = re.compile(r"[+-]?\d{1,3}([ ,.'’\u00a0\u202f]\d{3})+([.,]\d+)?", re.ASCII)
_WITH_UNIT = re.compile(r"([+-]?\d+(?:\.\d+)?)\s*([^\W\d].*|%|€|\$)")
_THREE_PARTS = re.compile(r"(\d{1,2}|\d{4})[/.\- ](\d{1,2})[/.\- ](\d{1,2}|\d{4})", re.ASCII)
_SERIAL = re.compile(r"\d{5}(\.0+)?", re.ASCII)
# Day 0 of spreadsheets that follow the 1900 date system, for days after February 1900
# (ISO/IEC 29500-1, 18.17.4.1).
_SPREADSHEET_DAY_ZERO = date(1899, 12, 30)
_WORDS_FOR_MISSING = {"na", "n/a", "nan", "null", "none", "nil", "-", "--", "?", "unknown", "#n/a"}


@dataclass(frozen=True)
class Fault:
    """Why a text is not the value it should be, and how to mend it."""

    what: str
    mend: str


def _shown(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:37] + "…")


def iso_day(text: str) -> date | Fault:
    """Read `YYYY-MM-DD`; anything else is a fault that names the day it may have meant."""
    match = _ISO_DAY.fullmatch(text)
    if match:
        year, month, day = map(int, match.groups())
        try:
            return date(year, month, day)
        except ValueError:
            return Fault(f"{text} is not a day of the calendar", "write the day it was")
    return Fault(f"{_shown(text)} is not an ISO date", _day_mend(text))


def _day_mend(text: str) -> str:
    """The mend for a day written in another way, with every day it could have meant."""
    if not text or text.casefold() in _WORDS_FOR_MISSING:
        return "write the day as YYYY-MM-DD"
    if match := _ISO_DAY.match(text):
        return f"write only the day, without the time: {match.group()}"
    if _SERIAL.fullmatch(text):
        meant = _SPREADSHEET_DAY_ZERO + timedelta(days=int(float(text)))
        return (
            f"it looks like a spreadsheet's day number (which would be {meant}); format the column "
            "as YYYY-MM-DD before saving"
        )
    if re.fullmatch(r"\d{8}", text, re.ASCII):
        meant_days = _possible_days([(int(text[:4]), int(text[4:6]), int(text[6:]))])
    elif parts := _THREE_PARTS.fullmatch(text):
        first, middle, last = map(int, parts.groups())
        year = last if len(parts.group(3)) == 4 else 2000 + last
        orders = [(year, middle, first), (year, first, middle)]
        if len(parts.group(1)) == 4:
            orders = [(first, middle, last)]
        meant_days = _possible_days(orders)
    else:
        meant_days = []
    if len(meant_days) > 1:
        return f"it could mean {' or '.join(meant_days)}; write the one that is right"
    if meant_days:
        return f"write {meant_days[0]} if that is the day meant"
    return "write the day as YYYY-MM-DD, for example 2023-06-15"


def _possible_days(orders: list[tuple[int, int, int]]) -> list[str]:
    found: list[str] = []
    for year, month, day in orders:
        try:
            iso = date(year, month, day).isoformat()
        except ValueError:
            continue
        if iso not in found:
            found.append(iso)
    return found


def decimal_number(
    text: str, *, least: float | None = None, most: float | None = None
) -> float | Fault:
    """Read a number with a decimal point.

    Parameters
    ----------
    text : str
        One trimmed cell; "" is NaN, the value of a cell that was left empty.
    least, most : float, optional
        The smallest and the largest value that can be true.

    Returns
    -------
    float or Fault
        The fault names decimal commas, thousands separators, units and words for "missing".
    """
    if not text:
        return math.nan
    if text.casefold() in _WORDS_FOR_MISSING:
        return Fault(f"{_shown(text)} is not a number", "leave the cell empty where it is unknown")
    if not _NUMBER.fullmatch(text):
        return Fault(f"{_shown(text)} is not a number", _number_mend(text))
    number = float(text)
    if not math.isfinite(number):
        return Fault(f"{_shown(text)} is too large", "correct the number")
    if least is not None and number < least:
        kind = "negative" if least == 0 else f"below {least:g}"
        return Fault(f"{text} is {kind}", "correct the number")
    if most is not None and number > most:
        return Fault(f"{text} is above {most:g}", "correct the number")
    return number


def _number_mend(text: str) -> str:
    grouped, comma = _GROUPED.fullmatch(text), _DECIMAL_COMMA.fullmatch(text)
    if grouped and comma:
        return (
            "a comma could part decimals or thousands; write decimals with a point and thousands "
            "without a separator"
        )
    if comma:
        return f"write decimals with a point: {text.replace(',', '.')}"
    if grouped:
        return "write thousands without a separator and decimals with a point"
    if match := _WITH_UNIT.fullmatch(text):
        return f"write the number alone, {match.group(1)}; the unit stands in the column's name"
    return "write a number with a decimal point, or leave the cell empty"


def identifier(text: str) -> str | Fault:
    """Accept an id that is safe and unmistakable as text; "" is a fault.

    Invisible characters (Unicode categories Cc, Cf, Co, Cs, Cn, Zl, Zp) make two ids look the same
    and break tables, so they are refused rather than dropped.
    """
    if not text:
        return Fault("is empty", "give it an id of its own")
    if len(text) > _LONGEST_ID:
        return Fault(
            f"is {len(text)} characters long", f"shorten it to {_LONGEST_ID} characters or fewer"
        )
    hidden = [char for char in text if unicodedata.category(char) in _HIDDEN]
    if hidden:
        code = f"U+{ord(hidden[0]):04X}"
        return Fault(f"{_shown(text)} holds the invisible character {code}", "type the id anew")
    return text


_HIDDEN = frozenset({"Cc", "Cf", "Co", "Cs", "Cn", "Zl", "Zp"})
# Joiners that some scripts need inside words.
_JOINERS = frozenset("\u200c\u200d")


def plain_label(text: str, *, longest: int = 200) -> str:
    """A text for people to read: one line, no invisible characters, cut where it is too long."""
    shown = "".join(
        char if char in _JOINERS or unicodedata.category(char) not in _HIDDEN else " "
        for char in unicodedata.normalize("NFC", text)
    )
    return " ".join(shown.split())[:longest].rstrip()


def folded_name(name: str) -> str:
    """A column's name without capitals, and with an underscore for every space or hyphen."""
    return "_".join(name.casefold().replace("-", " ").replace("_", " ").split())


def near_miss(word: str, known: list[str]) -> str:
    """`; did you mean 'x'?` where one of the known words is close, else nothing."""
    folded = {name.casefold(): name for name in known}
    close = difflib.get_close_matches(word.casefold(), folded, n=1, cutoff=0.6)
    return f"; did you mean {folded[close[0]]!r}?" if close else ""
