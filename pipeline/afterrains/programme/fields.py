"""The kinds of value that settings are made of: days, paths, numbers, lines of text.

A message raised here or by the settings reads after the setting's name and may go on with `; ` and
the mend: "2015-02-30 is not a day of the calendar; correct it".
"""

from __future__ import annotations

import re
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any

from pydantic import BeforeValidator, Field

__all__ = [
    "A_COMMON_YEAR",
    "LONGEST_PATH",
    "SLUG",
    "Day",
    "Line",
    "LocalPath",
    "MonthDay",
    "Number",
    "WholeNumber",
    "in_common_year",
    "is_address",
    "not_truth",
    "shown",
]

SLUG = r"^[a-z0-9]+(-[a-z0-9]+)*$"
_MONTH_DAY = r"^(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])$"
_ISO_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_HIDDEN = re.compile(r"[\x00-\x1f\x7f\u0080-\u009f\u2028\u2029]")
LONGEST_PATH = 1000
A_COMMON_YEAR = 2001  # any year without 29 February


def is_address(text: str) -> bool:
    """Whether a source is named by an address on the network rather than a path."""
    return "://" in text


def _day(value: Any) -> Any:
    """Only a day, or text that is one: numbers would be read as seconds since 1970."""
    if isinstance(value, datetime):
        raise ValueError(f"{value} has a time of day; write only the day, {value.date()}")
    if isinstance(value, date):
        return value
    if isinstance(value, str) and _ISO_DAY.fullmatch(value):
        try:
            return date.fromisoformat(value)
        except ValueError:
            raise ValueError(f"{value} is not a day of the calendar; correct it") from None
    raise ValueError(f"{shown(value)} is not a day; write it as YYYY-MM-DD")


def _path(value: Any) -> Any:
    """A path on this machine, written as text."""
    if isinstance(value, Path):
        return value
    if not isinstance(value, str) or not value.strip():
        raise ValueError(f"{shown(value)} is not a path; name a file")
    if is_address(value):
        raise ValueError(f"{shown(value)} is an address; fetch the file and name it here")
    if _HIDDEN.search(value) or len(value) > LONGEST_PATH:
        raise ValueError("is no path that a file can have; name a file")
    return value


def not_truth(value: Any) -> Any:
    """Refuse yes and no where a number is a choice: Python would take yes for 1."""
    if isinstance(value, bool):
        raise ValueError(f"{value} is not a choice here; write a number or a word")
    return value


def _one_line(value: Any) -> Any:
    if isinstance(value, str) and _HIDDEN.search(value):
        raise ValueError("holds line breaks or invisible characters; write it on one line")
    return value


def _month_day(value: Any) -> Any:
    if not isinstance(value, str) or not re.fullmatch(_MONTH_DAY, value, re.ASCII):
        raise ValueError(f"{shown(value)} is not a month and day; write it as MM-DD, like 03-01")
    if value == "02-29":
        raise ValueError("02-29 is not a day of every year; write 02-28 or 03-01")
    try:
        in_common_year(value)
    except ValueError:
        raise ValueError(f"{value} is not a day of the calendar; correct it") from None
    return value


def in_common_year(month_day: str) -> date:
    """The day MM-DD in a year without 29 February; ValueError where there is none."""
    return date(A_COMMON_YEAR, int(month_day[:2]), int(month_day[3:]))


def shown(value: Any) -> str:
    """A value as it stands in the file, cut where it is long."""
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "…"


# Strict: `yes` and "80" are slips, not numbers.
Number = Annotated[float, Field(strict=True)]
WholeNumber = Annotated[int, Field(strict=True)]
Day = Annotated[date, BeforeValidator(_day)]
MonthDay = Annotated[str, Field(pattern=_MONTH_DAY), BeforeValidator(_month_day)]
LocalPath = Annotated[Path, BeforeValidator(_path)]
Line = Annotated[str, BeforeValidator(_one_line)]
