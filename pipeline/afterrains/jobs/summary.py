"""What a run ends with."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

__all__ = ["RunSummary"]


@dataclass(frozen=True)
class RunSummary:
    """What a run ends with."""

    exit_status: int
    output: Path
    page: Path
    verdicts: pd.DataFrame
    """The rows of verdicts.csv."""
    tasks_done: int
    tasks_kept: int
    unreadable: tuple[tuple[str, str, str], ...]
    """(scene_id, band, reason) of each read that failed after its retries."""
    refused: Mapping[str, int]
    """Scenes refused, by reason."""
    notes: tuple[str, ...] = ()
    """What was left out of the looks, and which ground is hardly ever seen."""
    store_bytes: int = 0
    """What is kept on this disk of remote files."""

    @property
    def as_of(self) -> str:
        """The newest season judged; empty where no site could be."""
        seasons = self.verdicts["as_of"].dropna()
        return str(seasons.max()) if len(seasons) else ""

    def as_dict(self) -> dict[str, Any]:
        """Plain values, for `--json`."""
        table = self.verdicts.astype(object).where(self.verdicts.notna(), None)
        return {
            "exit_status": self.exit_status,
            "output": str(self.output),
            "page": str(self.page),
            "verdicts": table.to_dict(orient="records"),
            "tasks_done": self.tasks_done,
            "tasks_kept": self.tasks_kept,
            "unreadable_reads": [list(read) for read in self.unreadable],
            "scenes_refused": dict(self.refused),
            "notes": list(self.notes),
            "store_bytes": self.store_bytes,
        }
