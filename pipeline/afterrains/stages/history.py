"""The history of the run before, and where it is kept when another rule replaces it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from afterrains.delivery.atomic import write_bytes
from afterrains.delivery.table_files import read_csv
from afterrains.delivery.tables import VERDICT_HISTORY
from afterrains.errors import OutputError
from afterrains.results.former import RULE_DIGITS

__all__ = ["FORMER", "Former", "put_aside", "read_former"]

FORMER = "former_histories"
"""Folder of histories that were judged by another rule."""


@dataclass(frozen=True)
class Former:
    """What the output folder's verdict_history.csv held before this run.

    `problem` says why it could not be read, "" otherwise.
    """

    history: pd.DataFrame
    problem: str = ""

    def other_rules(self, rule: str) -> list[str]:
        """Rules in it that are not `rule` (first digits of a specification's digest)."""
        if "rule" not in self.history:
            return []
        return sorted(set(self.history["rule"]) - {rule[:RULE_DIGITS], ""})


def read_former(folder: Path) -> Former:
    """The history that lies in an output folder; empty where there is none.

    The file holds the digest of its rule in every row, so it needs no other file to be understood,
    and a run that was killed while it wrote its results changes nothing.
    """
    path = folder / VERDICT_HISTORY.file
    if not path.is_file():
        return Former(pd.DataFrame())
    try:
        return Former(read_csv(VERDICT_HISTORY, path))
    except OutputError as error:
        return Former(pd.DataFrame(), str(error))


def put_aside(folder: Path, former: Former, rule: str) -> Path | None:
    """Copy a history of another rule to `former_histories/`, where it stays as it was said.

    Returns
    -------
    Path or None
        The copy; None where there is nothing to put aside.
    """
    others = ["unread"] if former.problem else former.other_rules(rule)
    if not others:
        return None
    content = (folder / VERDICT_HISTORY.file).read_bytes()
    return write_bytes(folder / FORMER / f"verdict_history-{others[0]}.csv", content)
