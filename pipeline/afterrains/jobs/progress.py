"""How far a job is and how long its stages took."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from typing import Any, Protocol

__all__ = ["Reporter", "Silent", "StageTimes"]


class Reporter(Protocol):
    """Where a run tells how far it is."""

    def say(self, text: str) -> None:
        """One line of news."""

    def step(self, stage: str, done: int, total: int) -> None:
        """`done` of `total` pieces of a stage."""


class Silent:
    """A reporter that says nothing."""

    def say(self, text: str) -> None:
        """Drop the line."""

    def step(self, stage: str, done: int, total: int) -> None:
        """Drop the step."""


class StageTimes:
    """When a run began and how long each of its stages took."""

    def __init__(self) -> None:
        self._began = datetime.now(UTC)
        self._at = time.monotonic()  # a wall clock may be set while a run goes on
        self._seconds: dict[str, float] = {}

    def ended(self, stage: str) -> None:
        """The time since the last stage's end was this one's."""
        now = time.monotonic()
        self._seconds[stage] = round(now - self._at, 2)
        self._at = now

    def told(self) -> dict[str, Any]:
        """For the manifest's `times`: instants (UTC) and the stages' seconds so far."""
        return {"started": self._began, "finished": datetime.now(UTC), "seconds": self._seconds}
