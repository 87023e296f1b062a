"""YAML as people write settings in it: plain values only, and every key once.

Aliases (which can be nested into a bomb), tags (which can name types) and repeated keys (of which
YAML readers silently keep the last) are refused. Days that are not in the calendar stay text, so
that the settings' own check can say where they stand.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml
from yaml.parser import ParserError
from yaml.scanner import ScannerError

from afterrains.errors import Finding, InputError

__all__ = ["StrictLoader", "YamlFile", "read_settings"]

_LARGEST_BYTES = 1_000_000

KeyPath = tuple[str | int, ...]


@dataclass(frozen=True)
class YamlFile:
    """A file's settings, and the line of each key (counted from 1) by its path of keys."""

    settings: dict[Any, Any]
    lines: Mapping[KeyPath, int]


class StrictLoader(yaml.SafeLoader):
    """Safe YAML without aliases, tags and repeated keys."""

    def compose_node(self, parent: Any, index: Any) -> Any:
        """Refuse what names or repeats anything but plain values."""
        event = self.peek_event()  # type: ignore[no-untyped-call]
        if isinstance(event, yaml.AliasEvent):
            raise _refused("aliases (*name) are not accepted", event.start_mark)
        if getattr(event, "tag", None) is not None:
            raise _refused("tags (!name) are not accepted", event.start_mark)
        return super().compose_node(parent, index)

    def construct_mapping(self, node: Any, deep: bool = False) -> Any:
        """Refuse a key that stands twice."""
        seen: set[Any] = set()
        for key_node, _ in node.value:
            if key_node.tag in ("tag:yaml.org,2002:merge", "tag:yaml.org,2002:value"):
                raise _refused(f"the key {key_node.value} is not accepted", key_node.start_mark)
            key = self.construct_object(key_node, deep=True)
            if isinstance(key, list | dict):
                raise _refused("a key must be a word", key_node.start_mark)
            if key in seen:
                raise _refused(f"the key {key!r} stands twice", key_node.start_mark)
            seen.add(key)
        return super().construct_mapping(node, deep)

    def construct_day(self, node: Any) -> Any:
        """A day or time; its text where the calendar has no such day."""
        try:
            return self.construct_yaml_timestamp(node)
        except (ValueError, OverflowError):
            return node.value


StrictLoader.add_constructor("tag:yaml.org,2002:timestamp", StrictLoader.construct_day)


def _refused(problem: str, mark: Any) -> yaml.MarkedYAMLError:
    return yaml.MarkedYAMLError(problem=problem, problem_mark=mark)


def read_settings(path: Path, *, template: str = "") -> YamlFile:
    """Read a YAML file of settings.

    Parameters
    ----------
    path : Path
        The file, UTF-8 with or without a byte-order mark.
    template : str
        A file to start from, named where this one is empty.

    Raises
    ------
    InputError
        For every way in which the file is not a table of plain settings; its codes begin with
        "yaml-".
    """
    text = _text(path)
    try:
        loader = StrictLoader(text)
        node = loader.get_single_node()
        settings = None if node is None else loader.construct_document(node)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        where = f"line {mark.line + 1}" if mark else ""
        mend = "mend the line"
        if isinstance(error, ScannerError | ParserError):
            mend += "; indent with spaces, and quote text that holds signs such as : # ?"
        what = f"is not valid YAML: {error.problem}"
        raise _fault(path, where, what, mend, "yaml-syntax") from error
    except (yaml.YAMLError, ValueError, RecursionError) as error:
        what = f"is not valid YAML: {' '.join(str(error).split())[:200]}"
        raise _fault(path, "", what, "save it anew as plain text", "yaml-syntax") from error
    if not isinstance(settings, dict):
        what = "is empty" if settings is None else "holds no settings (key: value)"
        mend = f"start from {template}" if template else "write its settings as key: value"
        raise _fault(path, "", what, mend, "yaml-empty")
    return YamlFile(settings, _lines(node))


def _fault(path: Path, where: str, what: str, mend: str, code: str) -> InputError:
    return InputError([Finding("error", path.name, where, what, mend, code)])


def _text(path: Path) -> str:
    try:
        size = path.stat().st_size
        if size > _LARGEST_BYTES:
            what = f"is {size / 1e6:.1f} MB large, more than any file of settings"
            raise _fault(path, "", what, "check that it is the right file", "yaml-too-large")
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise _fault(path, "", "is not UTF-8", "save it as UTF-8", "yaml-encoding") from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        what, mend = f"cannot be read ({reason})", f"check the path {path}"
        raise _fault(path, "", what, mend, "yaml-unreadable") from error


def _lines(node: Any, above: KeyPath = ()) -> dict[KeyPath, int]:
    found: dict[KeyPath, int] = {}
    if isinstance(node, yaml.MappingNode):
        for key, value in node.value:
            path = (*above, str(key.value))
            found[path] = key.start_mark.line + 1
            found.update(_lines(value, path))
    elif isinstance(node, yaml.SequenceNode):
        for place, value in enumerate(node.value):
            found[(*above, place)] = value.start_mark.line + 1
            found.update(_lines(value, (*above, place)))
    return found
