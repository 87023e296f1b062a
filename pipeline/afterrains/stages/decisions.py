"""From the tables of a run to those that decisions are made from; see `choices`.

Works on the tables as their files hold them, rounded, so that every figure can be made again from
the files alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pandas as pd

from afterrains.choices import answer_calendar, break_even, changes, costs, sow_again
from afterrains.choices.break_even import Planting
from afterrains.choices.changes import Results
from afterrains.choices.sow_again import Record
from afterrains.delivery.columns import Table
from afterrains.delivery.history import earlier_results
from afterrains.delivery.table_files import read_csv
from afterrains.delivery.tables import (
    ANSWER_CALENDAR,
    BREAK_EVEN,
    CHANGES,
    COSTS,
    SOW_AGAIN,
    VERDICT_HISTORY,
    VERDICTS,
    seasons_table,
)
from afterrains.evidence.growth import ramp
from afterrains.rain import start_chances
from afterrains.results.ways import ways_of_sowing
from afterrains.stages.calendars import start_rule
from afterrains.stages.prepare import Prepared

__all__ = ["decision_tables", "newest_season", "since_last_season"]


def newest_season(verdicts: pd.DataFrame, calendar: pd.DataFrame) -> str:
    """The newest season that any site is judged at."""
    order = {season: place for place, season in enumerate(calendar["season"])}
    return max((str(each) for each in verdicts["as_of"]), key=lambda each: order.get(each, -1))


def decision_tables(
    folder: Path, prepared: Prepared, sowing_rain: pd.DataFrame | None
) -> Iterator[tuple[Table, pd.DataFrame]]:
    """Costs, where to sow again, break-even and the answer calendar, from what `folder` holds.

    Parameters
    ----------
    folder : Path
        The output folder with the verdicts, their history and the seasons of this run.
    prepared : Prepared
        The run's plan.
    sowing_rain : DataFrame or None
        Rain after each sowing; None without a rain record.
    """
    programme, register = prepared.programme, prepared.register
    verdicts = read_csv(VERDICTS, folder)
    history = read_csv(VERDICT_HISTORY, folder)
    seasons = read_csv(seasons_table(prepared.indices), folder)
    since = verdicts["seasons_since_sowing"].fillna(0).to_numpy(float)
    begun = pd.Series(ramp(since, programme.evidence.growth) > 0, index=verdicts.index)
    sowing = register.sowing[register.sowing["site_id"].isin(verdicts["site_id"])]
    ways = _ways(verdicts, prepared.calendar, sowing, sowing_rain)
    # Cost by hectare from areas as measured, as the verdicts' own is, not as rounded in the file.
    measured = register.sites.set_index("site_id")["area_ha"]
    exact = verdicts.assign(area_ha=verdicts["site_id"].map(measured))
    cost_rows = costs(exact, begun, sowing, ways, programme.programme.currency)
    yield COSTS, cost_rows
    record = Record(
        verdicts=verdicts,
        history=_oldest_first(history, prepared.calendar),
        seasons=seasons.sort_values(["site_id", "start"]),
        sowing=sowing,
        sowing_rain=sowing_rain,
        ways=ways,
        begun=begun,
        chances=None
        if prepared.rain is None
        else start_chances(
            prepared.rain, list(verdicts["site_id"]), rule=start_rule(prepared.programme)
        ),
        meaningful_points=programme.evidence.meaningful_gain_points,
        ndvi_per_point=programme.evidence.ndvi_per_point,
    )
    yield SOW_AGAIN, sow_again(record)
    if programme.costs is not None:
        planting = Planting(
            seedling_cost=programme.costs.nursery_seedling,
            seedling_survival_percent=programme.costs.nursery_survival_percent,
            years=programme.costs.years,
            seed_cost=programme.costs.sown_seed,
            seeds_per_kg=programme.costs.seeds_per_kg,
        )
        ground = ways.merge(verdicts[["site_id", "area_ha", "stratum"]], on="site_id")
        yield BREAK_EVEN, break_even(cost_rows, ground, sowing, planting)
    dry = prepared.calendar.loc[prepared.calendar["kind"] == "dry", "season"]
    yield ANSWER_CALENDAR, answer_calendar(verdicts, record.history, list(dry))


def since_last_season(
    folder: Path, calendar: pd.DataFrame, results: Results
) -> tuple[Table, pd.DataFrame]:
    """What changed since the season before.

    Against the results kept of that season; where none were kept, against that season as it is
    judged now, so that only the new season differs.
    """
    seasons = list(calendar["season"])
    as_of = newest_season(results.verdicts, calendar)
    earlier = earlier_results(folder, seasons[: seasons.index(as_of)])
    if earlier is None:
        history = _oldest_first(read_csv(VERDICT_HISTORY, folder), calendar)
        before = history[history["as_of"] != as_of].groupby("site_id", sort=True).tail(1)
        earlier = Results(before.reset_index(drop=True), results.manifest)
    return CHANGES, changes(earlier, results)


def _ways(
    verdicts: pd.DataFrame,
    calendar: pd.DataFrame,
    sowing: pd.DataFrame,
    sowing_rain: pd.DataFrame | None,
) -> pd.DataFrame:
    """Each site's way of sowing as judged; of a site without such a sowing, all of them."""
    by = verdicts["as_of"].map(calendar.set_index("season")["start"])
    last_day = sowing["site_id"].map(pd.Series(by.to_numpy(), index=verdicts["site_id"]))
    judged = sowing["sown_on"] <= last_day
    ever = judged.groupby(sowing["site_id"]).transform("any")
    return ways_of_sowing(sowing[judged | ~ever], sowing_rain)


def _oldest_first(history: pd.DataFrame, calendar: pd.DataFrame) -> pd.DataFrame:
    order = {season: place for place, season in enumerate(calendar["season"])}
    place = history["as_of"].map(order)
    ordered = history.assign(_place=place).sort_values(["site_id", "_place"], kind="stable")
    return ordered.drop(columns="_place").reset_index(drop=True)
