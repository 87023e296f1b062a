"""When a read counts as failed, and how long one keeps trying."""

from __future__ import annotations

import random
import time
from dataclasses import dataclass

__all__ = ["Patience", "UnreadableError"]


class UnreadableError(Exception):
    """A window that could not be read; the text says why, without secrets."""


@dataclass(frozen=True)
class Patience:
    """How often a failed read is tried, and how long to wait before each new try."""

    tries: int = 5
    first_wait_s: float = 0.5
    limit_s: float = 180.0
    """Wall-clock limit of one read from a server, all tries and pauses included."""
    silence_s: float = 30.0
    """How long a server may say nothing."""

    def pause(self, failed: int, *, at_least_s: float = 0.0) -> None:
        """Wait after the `failed`-th failure: doubling, spread out at random."""
        spread = random.uniform(0.5, 1.5)  # noqa: S311
        time.sleep(max(at_least_s, self.first_wait_s * 2 ** (failed - 1) * spread))
