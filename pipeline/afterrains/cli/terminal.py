"""The terminal: results to standard output, progress and problems to standard error."""

from __future__ import annotations

import json
from collections.abc import Callable
from math import isfinite
from pathlib import Path
from typing import Annotated, Any

import pandas as pd
import typer
from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    TaskID,
    TextColumn,
    TimeElapsedColumn,
    TimeRemainingColumn,
)
from rich.text import Text

from afterrains.errors import Finding

__all__ = [
    "Bars",
    "Json",
    "Memory",
    "ProgrammeFile",
    "Scheduler",
    "Workers",
    "decimal",
    "err",
    "out",
    "print_findings",
    "print_json",
    "text",
]


def decimal(least: float) -> Callable[[str | float], float]:
    """A parser for an option that takes a number of `least` or more.

    Much of the world writes decimals with a comma; "1,5" must not fail without saying why.
    """

    def parse(given: str | float) -> float:
        # An option's default comes through here too, as the number it is.
        number, pointed = _number(given), str(given).replace(",", ".", 1)
        if number is None:
            hint = "" if _number(pointed) is None else f"; write decimals with a point: {pointed}"
            raise typer.BadParameter(f"{given!r} is no number{hint}")
        if number < least:
            raise typer.BadParameter(f"{given} is too little; give {least:g} or more")
        return number

    return parse


def _number(given: str | float) -> float | None:
    try:
        number = float(given)
    except ValueError:
        return None
    return number if isfinite(number) else None


ProgrammeFile = Annotated[
    Path, typer.Argument(help="The programme file (YAML).", metavar="PROGRAMME")
]
Json = Annotated[bool, typer.Option("--json", help="Print the result as JSON, for machines.")]

Scheduler = Annotated[
    str | None, typer.Option(help="Address of a Dask scheduler; local processes if left out.")
]
Workers = Annotated[
    int | None, typer.Option(min=1, help="Local processes; one per core if left out.")
]
Memory = Annotated[
    float | None,
    typer.Option(
        parser=decimal(0.5),
        metavar="GB",
        help="Most memory for the local processes together, in GB; 0.5 or more.",
    ),
]

# A pipe stays clean: what is not a result goes to standard error.
out = Console()
err = Console(stderr=True)


class Bars:
    """Progress on the terminal; plain lines where there is no terminal."""

    def __init__(self) -> None:
        self._progress = Progress(
            TextColumn("{task.description:<28}"),
            BarColumn(bar_width=30),
            MofNCompleteColumn(),
            TimeElapsedColumn(),
            TimeRemainingColumn(compact=True),
            console=err,
        )
        self._tasks: dict[str, TaskID] = {}

    def __enter__(self) -> Bars:
        self._progress.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._progress.stop()

    def say(self, text: str) -> None:
        """One line above the bars."""
        self._progress.console.print(Text(text), soft_wrap=True)

    def step(self, stage: str, done: int, total: int) -> None:
        """Move the bar of a stage."""
        if stage not in self._tasks:
            self._tasks[stage] = self._progress.add_task(stage, total=total)
        self._progress.update(self._tasks[stage], completed=done, total=total)


def print_findings(findings: tuple[Finding, ...] | list[Finding]) -> None:
    """Every problem with its place and its mend, errors first."""
    for finding in sorted(findings, key=lambda found: (found.severity != "error", found.file)):
        line = Text()
        line.append(
            f"{finding.severity:<8}", style="red" if finding.severity == "error" else "yellow"
        )
        line.append(f"{finding.file}", style="bold")
        line.append(f": {finding.where}: " if finding.where else ": ")
        line.append(f"{finding.what}; {finding.mend}")
        err.print(line, soft_wrap=True)


def print_json(value: Any) -> None:
    """A result as JSON; whatever is no JSON of its own is written as text.

    Not by rich, which colours it: the verdicts of 5,000 sites took it six seconds and 350 MB.
    """
    typer.echo(json.dumps(value, default=str, allow_nan=False, indent=2, ensure_ascii=False))


def text(value: Any) -> str:
    """A table's cell; empty where there is no value, whole numbers without a point."""
    if pd.isna(value):
        return ""
    return f"{value:.0f}" if isinstance(value, float) else str(value)
