"""Every file of a finished run, and whether an earlier run's files still stand.

The manifest is written last and holds the digest of every other file, so a folder whose manifest
agrees with its files is whole.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from afterrains.delivery.atomic import write_json
from afterrains.delivery.datapackage import write_datapackage
from afterrains.delivery.history import keep, read_results
from afterrains.delivery.manifest import refresh_manifest, write_manifest
from afterrains.delivery.page import build, build_apart
from afterrains.delivery.sites_layer import write_sites, write_sites_parquet
from afterrains.delivery.stac import RasterFile, write_catalog
from afterrains.delivery.table_files import read_csv, write_csv
from afterrains.delivery.tables import (
    BALANCE,
    CONTROLS,
    SOWING_RAIN,
    VERDICT_HISTORY,
    VERDICTS,
    WHAT_WORKS,
    all_tables,
    seasons_table,
)
from afterrains.packed import Packed
from afterrains.results import Tables
from afterrains.stages.calendars import seasons_told
from afterrains.stages.decisions import decision_tables, newest_season, since_last_season
from afterrains.stages.freed import apart, let_go
from afterrains.stages.measured import Measured
from afterrains.stages.prepare import Prepared

__all__ = ["LEFT_OUT", "Delivered", "State", "deliver", "earlier_state", "finish", "remember"]

STORE = ".store"
"""Folder of the finished work inside the output folder; no result, so not in the manifest."""
LEFT_OUT = (STORE,)
_STATE = ".state.json"
_MANY_SITES = 1_000
"""From here on the page is written in a process of its own."""


@dataclass(frozen=True)
class State:
    """What the last finished run was made from, and how it ended."""

    run_key: str
    exit_status: int
    unreadable: int


@apart()
def deliver(
    folder: Path,
    prepared: Prepared,
    scenes_used: Sequence[Packed],
    measured: Measured,
    tables: Tables,
    sowing_rain: pd.DataFrame | None,
    rasters: Iterable[RasterFile],
    unreadable: Sequence[tuple[str, str, str]],
    times: Mapping[str, Any],
    model: Mapping[str, Any] | None = None,
) -> None:
    """Write tables, rasters' catalogue and manifest; `finish` does the rest.

    `scenes_used` are told in the manifest (`manifest.scenes_told`).
    `model` says which woody-cover model was used (`woodywork.model_record`), if one was.

    Raises
    ------
    OutputError
        If the disk does not take a file.
    """
    # Until all is there, nothing may say that an earlier run's results stand.
    (folder / _STATE).unlink(missing_ok=True)
    programme = prepared.programme
    identity = {"programme_id": programme.programme.id, "title": programme.programme.name}
    indices = prepared.indices
    write_csv(VERDICTS, tables.verdicts, folder)
    write_csv(VERDICT_HISTORY, tables.verdict_history, folder)
    write_csv(seasons_table(indices), tables.seasons, folder)
    measured.deliver(folder)
    write_csv(CONTROLS, tables.controls, folder)
    write_csv(BALANCE, tables.balance, folder)
    write_csv(WHAT_WORKS, tables.what_works, folder)
    if sowing_rain is not None:
        write_csv(SOWING_RAIN, sowing_rain, folder)
    for definition, rows in decision_tables(folder, prepared, sowing_rain):
        write_csv(definition, rows, folder)
    let_go()
    write_sites(folder, prepared.register.sites, tables.verdicts)
    verdicts = read_csv(VERDICTS, folder)
    write_sites_parquet(folder, prepared.register.sites, verdicts, VERDICTS)
    del verdicts
    write_catalog(folder, rasters, **identity)
    # The page tells of the specification and the scenes, which it reads from here.
    write_manifest(
        folder,
        programme=programme,
        scenes_used=scenes_used,
        refused=prepared.refused,
        unreadable=unreadable,
        looks=measured.look_counts,
        specification=tables.specification | ({"woody_model": model} if model else {}),
        times=times,
        seeds={"woody_model": model["seed"]} if model else {},
        seasons=seasons_told(programme, prepared.rain),
        model_digest=model["sha256"] if model else None,
        inputs=measured.traces,
        leave_out=LEFT_OUT,
    )


@dataclass(frozen=True)
class Delivered:
    """What finishing needs beside the files: nothing that grows with the programme."""

    folder: Path
    programme_id: str
    title: str
    language: str
    indices: tuple[str, ...]
    calendar: pd.DataFrame

    @classmethod
    def of(cls, folder: Path, prepared: Prepared) -> Delivered:
        """That of a run."""
        named = prepared.programme.programme
        return cls(
            folder, named.id, named.name, named.language, prepared.indices, prepared.calendar
        )


@apart()
def finish(delivered: Delivered) -> Path:
    """Compare with the season before, keep this one, write the page, tell the manifest of all.

    All from what `deliver` wrote, so that a large programme's register and tables, of which nothing
    is needed any more, make room. Returns the page.
    """
    let_go()
    folder = delivered.folder
    results = read_results(folder)
    definition, rows = since_last_season(folder, delivered.calendar, results)
    write_csv(definition, rows, folder)
    write_datapackage(
        folder,
        all_tables(delivered.indices),
        programme_id=delivered.programme_id,
        title=delivered.title,
    )
    keep(folder, newest_season(results.verdicts, delivered.calendar))
    write_page = build_apart if len(results.verdicts) >= _MANY_SITES else build
    del results, rows
    let_go()
    page: Path = write_page(folder, delivered.language)
    let_go()
    refresh_manifest(folder, leave_out=LEFT_OUT)
    return page


def remember(folder: Path, state: State) -> None:
    """Note how the run ended, so that the next can see that nothing is new."""
    write_json(folder / _STATE, state.__dict__)


def earlier_state(folder: Path) -> State | None:
    """How the last run ended, if it ended and every file of its manifest stands as written."""
    try:
        state = State(**json.loads((folder / _STATE).read_text(encoding="utf-8")))
        manifest: dict[str, Any] = json.loads(
            (folder / "manifest.json").read_text(encoding="utf-8")
        )
        whole = all(
            hashlib.sha256((folder / entry["path"]).read_bytes()).hexdigest() == entry["sha256"]
            for entry in manifest["files"]
        )
    except (OSError, ValueError, TypeError, KeyError):
        return None
    return state if whole else None
