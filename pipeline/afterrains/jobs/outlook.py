"""The outlook of a programme: what could be seen, and how often rain gave a good start.

Nothing is pulled. Evidence comes from the record of the ground that a run has left in the output
folder, what came after a sowing left out; rain from the programme's rain record alone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

from afterrains.delivery.datapackage import write_datapackage
from afterrains.delivery.manifest import refresh_manifest
from afterrains.delivery.outlook_page import OutlookPage, season_rows, write_outlook_page
from afterrains.delivery.table_files import read_csv, table_of_file, write_csv
from afterrains.delivery.tables import OUTLOOK, OUTLOOK_LOTS, OUTLOOK_RAIN, all_tables
from afterrains.errors import Finding, InputError
from afterrains.jobs.progress import Reporter, Silent
from afterrains.outlook import draw_by_lot
from afterrains.programme import Programme, load_programme
from afterrains.rain import RainRecord, inspect_rain, start_chances
from afterrains.register import Register, check_inputs, read_register
from afterrains.results import HeldSeries, build_panel, comparable_table
from afterrains.stages.calendars import full_calendar, start_rule, watched
from afterrains.stages.drawn_ground import as_kept
from afterrains.stages.foreseen import Record, foreseen_gains
from afterrains.stages.ledger import only_run

__all__ = ["Outlook", "outlook_of"]


@dataclass(frozen=True)
class Outlook:
    """What the outlook found; tables as their files hold them, None where they cannot be had."""

    output: Path
    page: Path
    gains: pd.DataFrame | None
    starts: pd.DataFrame | None
    lots: pd.DataFrame | None
    seed: int
    notes: tuple[str, ...]

    @property
    def first_seen(self) -> pd.DataFrame:
        """First season in which a gain that matters would be seen, one row a site, pool or plan."""
        if self.gains is None:
            return pd.DataFrame()
        by = ["scope", "site_id", "pool", "sites", "controls", "seasons_before"]
        table = self.gains.assign(
            first=self.gains["seasons_since_sowing"].where(self.gains["seen"]),
            when=self.gains["season"].where(self.gains["seen"]),
        )
        grouped = table.groupby(by, sort=False)
        return grouped.agg(first=("first", "min"), when=("when", "first")).reset_index()

    def as_dict(self) -> dict[str, Any]:
        """Plain values, for `--json`."""

        def rows(table: pd.DataFrame | None) -> list[dict[str, Any]] | None:
            if table is None:
                return None
            plain = table.astype(object).where(table.notna(), None)
            return [{str(k): v for k, v in row.items()} for row in plain.to_dict("records")]

        return {
            "output": str(self.output),
            "page": str(self.page),
            "first_seen": rows(self.first_seen),
            "starts": rows(self.starts),
            "lots": rows(self.lots),
            "seed": self.seed,
            "notes": list(self.notes),
        }


def outlook_of(
    path: Path, *, share: float = 0.5, seed: int = 1, reporter: Reporter | None = None
) -> Outlook:
    """Write the outlook of a programme file into its output folder.

    Parameters
    ----------
    path : Path
        The programme file.
    share : float
        Share of the ground not sown yet that the lot is to sow first.
    seed : int
        Seed of the draw.
    reporter : Reporter, optional
        Told of each step; silent if unset.

    Raises
    ------
    InputError, OutputError
        See `errors`.
    """
    tell = reporter or Silent()
    programme, register, rain, notes = _inputs(path, tell)
    output = programme.output_folder
    tell.say(
        f"Outlook of {len(register.sites)} sites from the record in {output} and the rain record; "
        "nothing is pulled"
    )
    with only_run(output):
        tell.step(_STAGE, 0, 3)
        gains, starts = None, None
        record = _record(programme, register, rain, notes)
        if record is not None:
            gains = foreseen_gains(record, notes)
            if gains is not None:
                write_csv(OUTLOOK, gains, output)
        tell.step(_STAGE, 1, 3)
        if rain is None:
            notes.append("Without a rain record nothing can be said of good starts.")
        else:
            starts = start_chances(
                rain, sorted(register.sites["site_id"]), rule=start_rule(programme)
            )
            write_csv(OUTLOOK_RAIN, starts, output)
            notes += rain.cautions
        tell.step(_STAGE, 2, 3)
        lots = _lots(register, programme, share, seed, notes)
        if lots is not None:
            write_csv(OUTLOOK_LOTS, lots, output)
        page = write_outlook_page(
            output,
            OutlookPage(
                name=programme.programme.name,
                gains=gains,
                starts=starts,
                lots=lots,
                rain_years=() if rain is None else (rain.first_day.year, rain.last_day.year),
                seed=seed,
                notes=tuple(notes),
                seasons=() if record is None else season_rows(record.calendar),
                language=programme.programme.language,
            ),
        )
        _retell(output, programme, () if record is None else record.indices)
        tell.step(_STAGE, 3, 3)
    return Outlook(output, page, gains, starts, lots, seed, tuple(notes))


_STAGE = "looking ahead"


def _inputs(path: Path, tell: Reporter) -> tuple[Programme, Register, RainRecord | None, list[str]]:
    """The programme, its register and rain; every fault at once."""
    programme = load_programme(path)
    findings = list(check_inputs(programme, path))
    register, rain = None, None
    if not any(finding.severity == "error" for finding in findings):
        register = read_register(programme)
    if programme.rain is not None:
        sites = None if register is None else register.sites
        rain, told = inspect_rain(programme.rain, sites)
        findings += told
    if register is None or any(finding.severity == "error" for finding in findings):
        raise InputError(findings)
    for warning in findings:
        tell.say(f"warning  {warning}")
    return programme, register, rain, []


def _record(
    programme: Programme, register: Register, rain: RainRecord | None, notes: list[str]
) -> Record | None:
    """What a run has left of the ground; None, with a note, where there is no run yet."""
    output = programme.output_folder
    if not (output / "series.csv").is_file():
        notes.append(
            "No record of the ground yet: run the programme once (`afterrains run`), before any "
            "sowing if you can, and ask again. The rain part needs no run."
        )
        return None
    series_table = table_of_file("series", output / "series.csv")
    fixed = {"site_id", "date", "sensor", "scene_id", "clear_fraction", "pixels"}
    indices = tuple(name for name in series_table.column_names if name not in fixed)
    wanted = ("site_id", "date", "sensor", "clear_fraction", *indices)
    series = read_csv(series_table, output / "series.csv", wanted)
    # Ground that a run has drawn serves here too; nothing is drawn for an outlook.
    register = as_kept(programme, register)
    series = series[series["site_id"].isin(register.sites["site_id"])]
    calendar = watched(full_calendar(programme, rain), programme.scenes.start, programme.scenes.end)
    drawing = programme.controls.drawing
    values, unlike = comparable_table(
        HeldSeries(series, calendar), calendar, register.sites, register.sowing, indices,
        drawn=register.drawn, reach_m=0.0 if drawing is None else drawing.within_m,
    )  # fmt: skip
    sites = register.sites[~register.sites["site_id"].isin(unlike.index)]
    register = replace(register, sites=sites.reset_index(drop=True))
    panel = build_panel(values, calendar, register.sites)
    evidence = programme.evidence
    cover = _cover(output)
    if cover is None:
        meaningful = evidence.meaningful_gain_points * evidence.ndvi_per_point
        return Record(panel, calendar, register, programme, indices, "ndvi", meaningful)
    panel = panel[panel["site_id"].isin(cover["site_id"])].merge(
        cover, on=["site_id", "season"], how="left"
    )
    dry = panel["kind"] == "dry"
    panel["value"] = panel["value"].where(~dry, panel["woody_percent"])
    panel = panel.drop(columns="woody_percent")
    points = evidence.meaningful_gain_points
    return Record(panel, calendar, register, programme, indices, "points", points)


def _cover(output: Path) -> pd.DataFrame | None:
    """Woody cover of sites and seasons, where a run had a model."""
    wanted = ["site_id", "season", "woody_percent"]
    try:
        seasons = pd.read_csv(output / "seasons.csv", usecols=wanted, dtype={"site_id": str})
    except (OSError, ValueError):
        return None
    cover = seasons.dropna(subset="woody_percent")[wanted]
    return cover if len(cover) else None


def _lots(
    register: Register, programme: Programme, share: float, seed: int, notes: list[str]
) -> pd.DataFrame | None:
    """A draw among the ground that is to be sown but is not yet; None, with a note, without."""
    first = register.sowing.groupby("site_id")["sown_on"].min()
    planned = first.index[first > pd.Timestamp(programme.scenes.end)]
    sites = register.sites[register.sites["site_id"].isin(planned)]
    if len(sites) < 2:
        notes.append(
            "No lot was drawn: it is drawn among sites whose first sowing lies after scenes.end, "
            "and fewer than two do. Enter candidate ground as sown sites with the planned day."
        )
        return None
    if not 0 < share < 1:
        what = f"share is {share:g}, and must lie between 0 and 1"
        raise InputError([Finding("error", "outlook", "--share", what, "give 0.5", "lot-share")])
    lots = draw_by_lot(pd.DataFrame(sites[["site_id", "stratum"]]), share, seed)
    return lots.assign(seed=seed)


def _retell(output: Path, programme: Programme, indices: tuple[str, ...]) -> None:
    """Name the new files in the manifest and the data package of a run that stands."""
    if (output / "manifest.json").is_file():
        write_datapackage(
            output,
            all_tables(indices),
            programme_id=programme.programme.id,
            title=programme.programme.name,
        )
        refresh_manifest(output)
