"""From the tasks' tables to the verdicts: tables that fit anywhere, no pixel any more."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from afterrains.rain import season_rain, sowing_rain
from afterrains.results import Tables, build_tables, measuring_rule
from afterrains.stages.calendars import reference_of, start_rule
from afterrains.stages.measured import Measured
from afterrains.stages.prepare import Prepared
from afterrains.stages.woodywork import MODEL_FOLDER
from afterrains.woody import model_digest

__all__ = ["judge_sites", "rain_after_sowing"]


def judge_sites(
    prepared: Prepared,
    measured: Measured,
    cover: pd.DataFrame | None,
    rain_after: pd.DataFrame | None,
    former: pd.DataFrame,
    output: Path,
    *,
    whole: bool,
) -> Tables:
    """All tables of a run.

    Parameters
    ----------
    prepared : Prepared
    measured : Measured
        Of `measure`.
    cover : DataFrame or None
        Woody cover of sites and seasons; None where greenness is judged.
    rain_after : DataFrame or None
        Of `rain_after_sowing`.
    former : DataFrame
        The kept history, of `read_former`.
    output : Path
        Where a model that was fitted in this run lies.
    whole : bool
        Whether every read succeeded, so that what is said now may be kept.
    """
    sites, programme = prepared.register.sites, prepared.programme
    model = None
    if programme.woody is not None:
        model = model_digest(programme.woody.model or output / MODEL_FOLDER)
    site_ids = list(sites["site_id"])
    return build_tables(
        measured.values,
        prepared.calendar,
        _season_rain(prepared, site_ids),
        sites,
        prepared.register.sowing,
        prepared.indices,
        programme.evidence,
        cover,
        rain_after,
        spill_over_m=programme.controls.spill_over_m,
        unlike=measured.unlike,
        drawn=prepared.register.drawn,
        measuring=measuring_rule(programme, sites, model),
        former=former,
        whole=whole,
    )


def _season_rain(prepared: Prepared, site_ids: list[str]) -> pd.DataFrame:
    """Rain of each site and season against the whole rain record; empty without one."""
    if prepared.rain is None:
        pairs = pd.MultiIndex.from_product(
            [site_ids, prepared.calendar["season"]], names=["site_id", "season"]
        )
        unknown = ("rain_mm", "spi", "rain_rank", "rain_days", "dry_spell_days")
        empty = dict.fromkeys(unknown, float("nan"))
        return pd.DataFrame(empty, pairs).reset_index().assign(spi_class="")
    reference = reference_of(prepared.programme, prepared.rain)
    table = season_rain(prepared.rain, prepared.full_calendar, site_ids, reference=reference)
    return table[table["season"].isin(prepared.calendar["season"])]


def rain_after_sowing(prepared: Prepared) -> pd.DataFrame | None:
    """Rows of sowing_rain.csv with the way of sowing; None without a rain record."""
    if prepared.rain is None:
        return None
    sowing = prepared.register.sowing
    rule = start_rule(prepared.programme)
    table = sowing_rain(
        sowing,
        prepared.rain,
        calendar=prepared.full_calendar,
        effective_mm=rule.effective_mm,
        within_days=rule.within_days,
        dry_spell_days=rule.dry_spell_days,
        wet_day_mm=rule.wet_day_mm,
        reference=reference_of(prepared.programme, prepared.rain),
    )
    # Rows are in the order of the sowings; the way goes along, so that sites can be told by it.
    return table.assign(
        **{way: sowing[way].to_numpy() for way in ("method", "species", "seed_lot")}
    )
