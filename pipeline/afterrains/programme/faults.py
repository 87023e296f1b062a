"""What pydantic finds wrong with settings, in words for people who do not program."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from afterrains.errors import Finding
from afterrains.programme.settings import Programme
from afterrains.strict_yaml import KeyPath

__all__ = ["settings_findings", "where_is"]

_PATTERNS = {
    "id": "must be lower-case letters, digits and single hyphens, such as dune-edge",
    "name": "must be lower-case letters, digits and single hyphens, such as long-rains",
    "currency": "must be three capital letters (ISO 4217), such as XOF",
    "collections": "must be the id of a collection, such as sentinel-2-l2a",
}
_KINDS = {
    "string_type": ("must be text", "put it in quotation marks"),
    "float_type": ("must be a number", "write it with a decimal point, without quotation marks"),
    "int_type": ("must be a whole number", "write it without decimals or quotation marks"),
    "finite_number": ("must be a number", "write it with a decimal point"),
    "tuple_type": ("must be a list", "write it in square brackets, such as [a, b]"),
    "string_too_short": ("is empty", "write it"),
    "path_type": ("must be a path", "name a file"),
    "invalid_key": ("is not a setting", "write the name of a setting"),
}


def where_is(path: KeyPath, lines: Mapping[KeyPath, int]) -> str:
    """The setting as a user would look it up: `scenes.start (line 12)`."""
    name = ""
    for part in path:
        name += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if name else str(part)
    line = lines.get(path)
    return (name or "the file") + (f" (line {line})" if line else "")


def settings_findings(
    file: str, error: ValidationError, lines: Mapping[KeyPath, int]
) -> list[Finding]:
    """One finding for each fault that the models report."""
    findings = []
    for fault in error.errors(include_url=False):
        if fault["type"] == "too_short" and len(fault["input"]) >= fault["ctx"]["min_length"]:
            continue  # its items are faulty, not too few, and have findings of their own
        path = _key_path(fault)
        what, mend, code = _told(fault, path)
        place = where_is(path, lines)
        if code == "missing-key" and (line := lines.get(path[:-1])):
            place += f" (in line {line})"
        findings.append(Finding("error", file, place, what, mend, code))
    return findings


def _key_path(fault: ErrorDetails) -> KeyPath:
    """The path of keys as it stands in the file, without what pydantic adds for its unions."""
    path = fault["loc"]
    if fault["type"] == "invalid_key":
        path = (*path[:-1], str(path[-1]))
    if path[:1] == ("seasons",):
        path = tuple(
            part
            for place, part in enumerate(path)
            if not (place == 1 and part in ("rain", "calendar"))
        )
        if fault["type"].startswith("union_tag"):
            path = (*path, "from")
    return path


def _told(fault: ErrorDetails, path: KeyPath) -> tuple[str, str, str]:
    """What is wrong, the mend, and the code."""
    kind, context, value = fault["type"], fault.get("ctx", {}), fault.get("input")
    match kind:
        case "extra_forbidden":
            return _unknown_key(path)
        case "missing":
            return "is missing", "add it", "missing-key"
        case "union_tag_not_found":
            return "is missing", "write from: rain or from: calendar", "missing-key"
        case "union_tag_invalid":
            what = f"must be rain or calendar{_found(context.get('tag'))}"
            return what, "write one of them", "wrong-value"
        case "literal_error":
            what = f"must be {context['expected']}{_found(value)}"
            return what, "write one of them", "wrong-value"
        case "value_error":
            what, _, mend = fault["msg"].removeprefix("Value error, ").partition("; ")
            return what, mend or "correct it", "wrong-value"
        case "model_type" | "model_attributes_type" | "dict_type":
            what = f"must be a table of settings{_found(value)}"
            return what, "write its settings indented below it, as key: value", "wrong-value"
        case "string_pattern_mismatch":
            name = next((part for part in reversed(path) if isinstance(part, str)), "")
            what = _PATTERNS.get(name, "is not written as it must be")
            return what + _found(value), "correct it", "wrong-value"
    what, mend = _KINDS.get(kind) or _limits(kind, context) or (_as_clause(fault["msg"]), "")
    return what + _found(value), mend or "correct it", "wrong-value"


def _limits(kind: str, context: Mapping[str, Any]) -> tuple[str, str] | None:
    """The words for numbers, texts and lists beyond their limits."""
    words = {
        "greater_than": "must be above {gt:g}",
        "greater_than_equal": "must be {ge:g} or more",
        "less_than": "must be below {lt:g}",
        "less_than_equal": "must be {le:g} or less",
        "string_too_long": "must be {max_length} characters or fewer",
        "too_short": "must hold {min_length} or more",
        "too_long": "must hold {max_length} or fewer",
    }
    return (words[kind].format(**context), "correct it") if kind in words else None


def _as_clause(message: str) -> str:
    return f"{message[0].lower()}{message[1:]}"


def _found(value: object) -> str:
    """What stands there instead, where it is short enough to show."""
    if isinstance(value, dict | list | tuple):
        return " (found a list)" if not isinstance(value, dict) else " (found a table)"
    shown = repr(value)
    return f" (found {shown if len(shown) <= 60 else shown[:57] + '…'})"


def _unknown_key(path: KeyPath) -> tuple[str, str, str]:
    known = _known_keys(path[:-1])
    close = difflib.get_close_matches(str(path[-1]).casefold(), known, n=1, cutoff=0.6)
    mend = "check its spelling and indentation, or delete it"
    if close:
        mend = f"did you mean {close[0]}? else delete it"
    elif homes := _tables_with(str(path[-1])):
        mend = f"indent it below {' or '.join(homes)}, where it belongs, or delete it"
    return "is not a setting here" if "below" in mend else "is not a setting", mend, "unknown-key"


def _known_keys(path: KeyPath) -> list[str]:
    """The settings that the table at `path` takes, in any of its forms."""
    tables: list[type[BaseModel]] = [Programme]
    for part in path:
        if isinstance(part, int):
            continue
        tables = [
            inner
            for table in tables
            for name, field in table.model_fields.items()
            if (field.alias or name) == part
            for inner in _tables_in(field.annotation)
        ]
    return [field.alias or name for table in tables for name, field in table.model_fields.items()]


def _tables_with(key: str) -> list[str]:
    """The tables at the file's top level that take this setting."""
    return [
        name
        for name, field in Programme.model_fields.items()
        if any(
            key in (inner.alias or known, known)
            for table in _tables_in(field.annotation)
            for known, inner in table.model_fields.items()
        )
    ]


def _tables_in(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [table for inner in get_args(annotation) for table in _tables_in(inner)]
