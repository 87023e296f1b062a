"""Each season's results kept: `history/<season>/`, small, and never rewritten by a later season.

A run keeps the tables that people decide by and the manifest (without times and the list of files)
under the newest season that it judged. A re-run of that season writes the same files again; the
next season gets its own folder. `compare` reads such a folder as it reads an output folder.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from afterrains.choices.changes import Results
from afterrains.delivery.atomic import write_bytes, write_json
from afterrains.delivery.cells import as_given
from afterrains.errors import OutputError

__all__ = ["FOLDER", "KEPT", "earlier_results", "keep", "read_results"]

FOLDER = "history"
KEPT = (
    "verdicts.csv",
    "controls.csv",
    "balance.csv",
    "sowing_rain.csv",
    "what_works.csv",
    "costs.csv",
    "sow_again.csv",
    "break_even.csv",
    "answer_calendar.csv",
    "changes.csv",
)
"""Tables kept of each season; those that a run did not write are not there."""
_NOT_KEPT = ("times", "files")
_TEXT = ("site_id", "name", "as_of", "verdict", "gain_unit")
_NUMBERS = ("gain", "gain_low", "gain_high")


def keep(folder: Path, season: str) -> None:
    """Keep the results in `folder` as those of `season`.

    Raises
    ------
    OutputError
        When the disk does not take a file.
    """
    place = folder / FOLDER / season
    for name in KEPT:
        if (folder / name).is_file():
            write_bytes(place / name, (folder / name).read_bytes())
        else:
            (place / name).unlink(missing_ok=True)
    manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    write_json(
        place / "manifest.json",
        {key: value for key, value in manifest.items() if key not in _NOT_KEPT},
    )


def earlier_results(folder: Path, seasons: Sequence[str]) -> Results | None:
    """The results kept of the newest of `seasons` (oldest first) that were; None without any."""
    for season in reversed(seasons):
        place = folder / FOLDER / season
        if (place / "manifest.json").is_file():
            return read_results(place)
    return None


def read_results(folder: Path) -> Results:
    """What is compared of an output folder, or of a season kept under `history/`.

    Reads only the columns it needs, so that results of an older version can be read.

    Raises
    ------
    OutputError
        When the folder holds no such results, or they cannot be read.
    """
    mend = "name a programme's output folder, or a season under its history folder"
    try:
        raw = pd.read_csv(folder / "verdicts.csv", dtype=str, keep_default_na=False)
        manifest: Any = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        raise OutputError(f"{folder}: holds no {Path(error.filename).name}; {mend}") from error
    except (OSError, ValueError) as error:
        raise OutputError(f"{folder}: cannot be read ({error}); {mend}") from error
    missing = [name for name in (*_TEXT, *_NUMBERS) if name not in raw]
    if missing or not isinstance(manifest, dict):
        what = f"verdicts.csv lacks {', '.join(missing)}" if missing else "the manifest is none"
        raise OutputError(f"{folder}: {what}; {mend}")
    try:
        verdicts = pd.DataFrame(
            {name: raw[name].map(as_given) for name in _TEXT}
            | {name: pd.to_numeric(raw[name].replace("", None)) for name in _NUMBERS}
        )
    except ValueError as error:
        raise OutputError(f"{folder}: verdicts.csv: {error}; {mend}") from error
    return Results(verdicts, manifest)
