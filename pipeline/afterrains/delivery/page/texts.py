"""Every word the page says, from one catalogue (`texts/<language>.yaml`).

A text is a `str.format` pattern found by its dotted key. What is put into it may be untrusted: it
is never a pattern itself, and the templates escape the result. Numbers and dates are written the
way the catalogue's `writing` block says.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Mapping
from datetime import date
from importlib import resources
from typing import Any

import yaml

__all__ = [
    "LANGUAGES",
    "LONGEST_SHOWN",
    "Texts",
    "load_texts",
    "one_line",
    "plain",
    "shortened",
]

LANGUAGES = ("en", "fr")
"""Languages that have a catalogue."""


LONGEST_SHOWN = 60
"""Characters of a name that are shown where names stand in a row."""

# Marks that turn the direction of what follows (Unicode Bidirectional Algorithm, UAX #9). In HTML
# <bdi> keeps them inside the name; a <title> or an attribute has no such fence, so they go there.
_DIRECTION_MARKS = re.compile("[\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]")
_NOT_TEXT = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff]")
_MOST_ACCENTS = 4


def plain(text: str) -> str:
    """`text` with what HTML cannot hold shown as U+FFFD and towers of accents cut down."""
    if text.isascii() and text.isprintable():
        return text
    out: list[str] = []
    accents = 0
    for character in _NOT_TEXT.sub("\ufffd", text):
        accents = accents + 1 if unicodedata.combining(character) else 0
        if accents <= _MOST_ACCENTS:
            out.append(character)
    return "".join(out)


def shortened(text: str, longest: int = LONGEST_SHOWN) -> str:
    """`text` cut to `longest` characters, with an ellipsis where something was cut."""
    text = " ".join(text.split())
    return text if len(text) <= longest else text[: longest - 1].rstrip() + "…"


def one_line(text: str) -> str:
    """`text` for a place that cannot fence off direction marks: attributes, SVG titles."""
    return shortened(_DIRECTION_MARKS.sub("", text))


class Texts:
    """A catalogue of texts in one language."""

    def __init__(self, content: Mapping[str, Any]) -> None:
        self._one: list[int] = content["writing"]["one"]
        flat = dict(_flat(content))
        before = flat.get("writing.glued_before", "")
        after = flat.get("writing.glued_after", "")
        self._texts = {key: _glued(text, before, after) for key, text in flat.items()}
        self.used: set[str] = set()
        """Keys asked for so far; lets a test find texts that nothing shows."""

    def __call__(self, key: str, **values: Any) -> str:
        """The text of `key` with `values` put in; KeyError for a key that is not there."""
        self.used.add(key)
        text = self._texts[key]
        return text.format(**values) if values else text

    def __contains__(self, key: str) -> bool:
        return key in self._texts

    @property
    def keys(self) -> frozenset[str]:
        """Every key of the catalogue."""
        return frozenset(self._texts)

    def count(self, key: str, n: int, **values: Any) -> str:
        """The text for `n` things: `<key>.one` or `<key>.other`, with `{n}` put in."""
        form = "one" if n in self._one else "other"
        return self(f"{key}.{form}", n=self.number(n), **values)

    def each(self, key: str) -> tuple[str, ...]:
        """The texts of a list, in order."""
        found: list[str] = []
        while f"{key}.{len(found)}" in self._texts:
            found.append(self(f"{key}.{len(found)}"))
        if not found:
            raise KeyError(key)
        return tuple(found)

    def number(self, value: float, decimals: int = 0, *, signed: bool = False) -> str:
        """A number as the language writes it; never "-0"."""
        rounded = round(value, decimals) or 0.0
        text = f"{abs(rounded):,.{decimals}f}"
        text = text.replace(",", "\0").replace(".", self("writing.decimal"))
        text = text.replace("\0", self("writing.thousands"))
        if rounded < 0:
            return "\u2212" + text
        return "+" + text if signed and rounded > 0 else text

    def date(self, day: date) -> str:
        """A calendar day in words."""
        month = self(f"writing.months.{day.month - 1}")
        number = self("writing.first_day") if day.day == 1 else str(day.day)
        return self("writing.date", day=number, month=month, year=day.year)

    @property
    def language(self) -> str:
        """Its code (ISO 639-1)."""
        return self("writing.language")


def load_texts(language: str = "en") -> Texts:
    """The catalogue of `language`; FileNotFoundError where there is none."""
    file = resources.files(__package__).joinpath("texts", f"{language}.yaml")
    return Texts(yaml.safe_load(file.read_text(encoding="utf-8")))


def _glued(text: str, before: str, after: str) -> str:
    """`text` with the spaces before and after these marks made unbreakable."""
    for mark in before:
        text = text.replace(f" {mark}", f"\u00a0{mark}")
    for mark in after:
        text = text.replace(f"{mark} ", f"{mark}\u00a0")
    return text


def _flat(content: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, str]]:
    for key, value in content.items():
        if not isinstance(key, str):  # YAML reads a bare on, off, yes or no as true or false
            raise TypeError(f"the key {key!r} under {prefix!r} is no text; quote it")
        if isinstance(value, list):
            value = {str(at): each for at, each in enumerate(value)}
        if isinstance(value, Mapping):
            yield from _flat(value, f"{prefix}{key}.")
        elif isinstance(value, str):
            yield f"{prefix}{key}", value
