"""Objects of JSON kept as text: as objects of Python they take many times the room."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

__all__ = ["Packed"]


@dataclass(frozen=True, slots=True)
class Packed:
    """One of many objects, as text until its turn comes.

    What is kept of thousands of objects of Python would also hold the rest in pieces that nothing
    large fits into: 40 MB for 3,000 items of a catalogue.
    """

    text: str

    @classmethod
    def of(cls, found: dict[str, Any], default: Callable[[Any], Any] | None = None) -> Packed:
        """That of an object; `default` as in `json.dumps`."""
        return cls(json.dumps(found, default=default))

    def unpacked(self) -> dict[str, Any]:
        """The object."""
        found: dict[str, Any] = json.loads(self.text)
        return found
