"""Sentences of the tables, said in the language of the page.

The tables speak English. Each catalogue holds their sentences as templates: whole ones under
`said.whole`, what may follow one under `said.tail`; the English ones are those that the tables
hold, letter by letter. A sentence that is put together of them is said by the same templates of
the other language. One that is not known stays English and says so: nothing is translated by guess.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property

from afterrains.delivery.page.seasons import SeasonNames
from afterrains.delivery.page.texts import Texts, load_texts, shortened

__all__ = ["TABLES_LANGUAGE", "Said", "Sentences"]

TABLES_LANGUAGE = "en"
_LONGEST = 400
_PLACE = re.compile(r"\{([a-z]+(?:_[0-9])?)\}")
# What may stand at a place of a template, by the place's name; anything else is foreign text.
_KINDS = {
    "season": r"[0-9]{4}-[a-z0-9-]*[a-z0-9]",
    "number": r"[-+]?[0-9]+(?:\.[0-9]+)?(?:e[-+]?[0-9]+)?",
    "verdict": r"gain|loss|no-gain|grass-only|too-early|not-assessable",
    "unit": r"points|NDVI",
    "sentence": r".+?",
    "words": r".+?",
}


@dataclass(frozen=True)
class Said:
    """A sentence without its full stop; `lang` where it is not in the language of the page."""

    text: str
    lang: str = ""

    def __bool__(self) -> bool:
        return bool(self.text)


class Sentences:
    """The tables' sentences in the language of `texts`; seasons as `names` has them."""

    def __init__(self, texts: Texts, names: SeasonNames) -> None:
        self._texts = texts
        self._names = names

    def say(self, sentence: str) -> Said:
        """The sentence for the page: shortened, seasons as people say them, no full stop."""
        sentence = " ".join(sentence.split()).rstrip(".")
        if self._texts.language == TABLES_LANGUAGE or not sentence:
            return Said(self._names.in_words(shortened(sentence, _LONGEST)))
        told = self._told(sentence)
        if told is None:
            return Said(shortened(sentence, _LONGEST), TABLES_LANGUAGE)
        return Said(shortened(told, _LONGEST))

    def _told(self, sentence: str) -> str | None:
        """The sentence in the page's language; None where a part of it is not known."""
        parts = self._parted(sentence)
        said = [self._said(key, values) for key, values in parts or ()]
        known = [each for each in said if each is not None]
        return "".join(known) if known and len(known) == len(said) else None

    def _parted(self, sentence: str) -> list[tuple[str, dict[str, str]]] | None:
        """The templates that the sentence is made of, with what stands in their places."""
        for key, whole in self._whole:
            found = whole.match(sentence)
            while found:
                rest = self._tails_of(sentence[found.end() :])
                if rest is not None:
                    return [(key, found.groupdict()), *rest]
                # Foreign words may hold the start of a tail: try once with all that is left.
                found = whole.fullmatch(sentence) if found.end() < len(sentence) else None
        return None

    def _tails_of(self, rest: str) -> list[tuple[str, dict[str, str]]] | None:
        if not rest:
            return []
        for key, tail in self._tail:
            found = tail.match(rest)
            if found:
                others = self._tails_of(rest[found.end() :])
                if others is not None:
                    return [(key, found.groupdict()), *others]
        return None

    def _said(self, key: str, values: dict[str, str]) -> str | None:
        told = {name: self._value(name, value) for name, value in values.items()}
        return None if None in told.values() else self._texts(key, **told)

    def _value(self, name: str, value: str) -> str | None:
        match name.partition("_")[0]:
            case "season":
                return self._texts("season.within", season=self._names.label(value))
            case "number":
                return value.replace("-", "\u2212").replace(".", self._texts("writing.decimal"))
            case "verdict":
                return self._texts(f"verdict.{value}").lower()
            case "sentence":
                return self._told(value)
            case _:
                return value

    @cached_property
    def _whole(self) -> list[tuple[str, re.Pattern[str]]]:
        return _patterns("said.whole.")

    @cached_property
    def _tail(self) -> list[tuple[str, re.Pattern[str]]]:
        return _patterns("said.tail.")


def _patterns(stem: str) -> list[tuple[str, re.Pattern[str]]]:
    """The tables' templates as patterns, the longest first: none is mistaken for its beginning."""
    tables = load_texts(TABLES_LANGUAGE)
    keys = sorted(key for key in tables.keys if key.startswith(stem))
    templates = sorted(((key, tables(key)) for key in keys), key=lambda pair: -len(pair[1]))
    return [(key, re.compile(_pattern(template), re.DOTALL)) for key, template in templates]


def _pattern(template: str) -> str:
    parts = _PLACE.split(template)
    for at in range(1, len(parts), 2):
        name = parts[at]
        kind = name.partition("_")[0]
        parts[at] = f"(?P<{name}>{_KINDS[kind]})"
    return "".join(part if at % 2 else re.escape(part) for at, part in enumerate(parts))
