"""Field checks back into the output folder: tables beside the verdicts, which stay as they are."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from afterrains.delivery.table_files import read_csv, write_csv
from afterrains.delivery.tables import VERDICTS
from afterrains.delivery.tables.field import (
    ACCURACY,
    AREA,
    FIELD_CHECKS,
    FIELD_EVIDENCE,
    FIELD_SEEDLINGS,
    SURVIVAL,
    TRAINING_PLOTS,
    VISIT_DESIGN,
    VISIT_GROUND,
)
from afterrains.errors import Finding, OutputError
from afterrains.field import (
    Checks,
    accuracy_table,
    area_table,
    field_evidence,
    read_checks,
    seedlings_beside,
    species_codes,
    survival,
    training_plots,
)
from afterrains.jobs.visits import records, sown_species, tell_of_tables
from afterrains.programme import load_programme
from afterrains.stages.ledger import only_run

__all__ = ["ReturnsSummary", "take_returns"]


@dataclass(frozen=True)
class ReturnsSummary:
    """What taking checks back ends with."""

    output: Path
    taken: int
    """Rows of this file."""
    replaced: int
    """Of these, visits that had come back before; the newer row stands."""
    checks: pd.DataFrame
    """Rows of field_checks.csv: all that has come back so far."""
    planned: int
    """Visits sent out so far."""
    tables: Mapping[str, pd.DataFrame]
    """Rows of the tables made from them, by name."""
    warnings: tuple[Finding, ...]

    def as_dict(self) -> dict[str, Any]:
        """Plain values, for `--json`."""
        return {
            "output": str(self.output),
            "taken": self.taken,
            "replaced": self.replaced,
            "planned": self.planned,
            "outcomes": {str(k): int(v) for k, v in self.checks["outcome"].value_counts().items()},
            "warnings": [finding.as_dict() for finding in self.warnings],
            **{name: records(frame) for name, frame in self.tables.items()},
        }


def take_returns(checks: Path, path: Path, *, seedlings: Path | None = None) -> ReturnsSummary:
    """Take field checks back: checked, kept, and turned into tables beside the verdicts.

    Parameters
    ----------
    checks : Path
        CSV or GeoJSON as the form exports it; all rows are good, or none is taken.
    path : Path
        The programme file.
    seedlings : Path, optional
        CSV of the repeated part of the form; `<checks>-seedlings.csv` where it lies beside.

    Raises
    ------
    InputError, OutputError
    """
    programme = load_programme(path)
    output = programme.output_folder
    if not (output / VISIT_DESIGN.file).is_file():
        raise OutputError(f"{output}: no visits were drawn; draw them first with afterrains visits")
    with only_run(output):
        design, ground = read_csv(VISIT_DESIGN, output), read_csv(VISIT_GROUND, output)
        new = read_checks(
            checks,
            design,
            seedlings=seedlings or seedlings_beside(checks),
            species=species_codes(sown_species(programme)),
        )
        every, counted, replaced = _with_earlier(new, output)
        tables = {
            ACCURACY.name: accuracy_table(design, ground, every),
            AREA.name: area_table(design, ground, every),
            SURVIVAL.name: survival(every, counted),
            FIELD_EVIDENCE.name: field_evidence(every, design, read_csv(VERDICTS, output)),
            TRAINING_PLOTS.name: training_plots(every),
        }
        for table in (ACCURACY, AREA, SURVIVAL, FIELD_EVIDENCE, TRAINING_PLOTS):
            write_csv(table, tables[table.name], output)
        write_csv(FIELD_SEEDLINGS, counted, output)
        write_csv(FIELD_CHECKS, every, output)
        tell_of_tables(programme, output)
    return ReturnsSummary(
        output=output,
        taken=len(new.checks),
        replaced=replaced,
        checks=every,
        planned=len(design),
        tables=tables,
        warnings=new.warnings,
    )


def _with_earlier(new: Checks, output: Path) -> tuple[pd.DataFrame, pd.DataFrame, int]:
    """What came back before and now; of a visit that came back again the newer row stands."""
    checks, seedlings, replaced = new.checks, new.seedlings, 0
    if (output / FIELD_CHECKS.file).is_file():
        earlier = read_csv(FIELD_CHECKS, output)
        again = earlier["visit_id"].isin(checks["visit_id"])
        replaced = int(again.sum())
        checks = _stacked(earlier[~again], checks)
    if (output / FIELD_SEEDLINGS.file).is_file():
        before = read_csv(FIELD_SEEDLINGS, output).astype({"live": "int64", "dead": "int64"})
        seedlings = _stacked(before[~before["visit_id"].isin(new.checks["visit_id"])], seedlings)
    return checks.sort_values("visit_id", ignore_index=True), seedlings, replaced


def _stacked(first: pd.DataFrame, second: pd.DataFrame) -> pd.DataFrame:
    """Rows of both; pandas warns of types where one of them is empty."""
    parts = [part for part in (first, second) if len(part)]
    return pd.concat(parts, ignore_index=True) if parts else second
