"""What could be seen and when: of each site, of sites pooled, of plans not made yet."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from afterrains.delivery.tables import OUTLOOK
from afterrains.errors import InputError
from afterrains.evidence.matching import MOST_CONTROLS
from afterrains.evidence.verdicts import future_season
from afterrains.outlook import detectable_gain, site_reach
from afterrains.programme import Programme
from afterrains.register import Register

__all__ = ["Record", "foreseen_gains"]

_PLAN_BEFORE = (2, 4, 8, 12, 16)
_PLAN_SITES = (1, 3, 10)
_PLAN_CONTROLS = (3, 5, 10, 20, 30, 60)
_ALL_SITES = "all sites"


@dataclass(frozen=True)
class Record:
    """The ground's record so far, in the unit that it is judged in."""

    panel: pd.DataFrame
    calendar: pd.DataFrame
    register: Register
    programme: Programme
    indices: tuple[str, ...]
    unit: str
    meaningful: float


def foreseen_gains(record: Record, notes: list[str]) -> pd.DataFrame | None:
    """Rows of outlook.csv; None, with a note, where the record is too short."""
    evidence, sowing = record.programme.evidence, record.register.sowing
    settings: dict[str, Any] = {
        "judged_seasons": evidence.judged_seasons,
        "growth": evidence.growth,
        "error_rate": evidence.error_rate,
    }
    if not (record.calendar["complete"] & (record.calendar["kind"] == "dry")).any():
        notes.append("No whole dry season is on record yet, so nothing can be foreseen.")
        return None
    try:
        parts = list(_parts(record, sowing, settings, notes))
    except InputError as error:
        notes += [f"{finding.what}; {finding.mend}" for finding in error.findings]
        return None
    table = pd.concat(parts, ignore_index=True)
    meaningful = record.meaningful * table["expected_share"]
    detectable = table["detectable_gain"].replace(np.inf, np.nan)
    table = table.assign(
        detectable_gain=detectable,
        meaningful_gain=meaningful,
        seen=detectable.le(meaningful) & detectable.notna(),
        gain_unit=record.unit,
    )
    whole = ["sites", "controls", "seasons_before", "seasons_since_sowing"]
    return table[OUTLOOK.column_names].astype(dict.fromkeys(whole, np.int64))


def _parts(
    record: Record, sowing: pd.DataFrame, settings: dict[str, Any], notes: list[str]
) -> Iterator[pd.DataFrame]:
    """Sites, pools of sites, and plans."""
    sites = record.register.sites
    dry = record.panel[record.panel["kind"] == "dry"].dropna(subset="value")
    seasons = record.calendar.query("kind == 'dry' and complete")
    ids = tuple(seasons["season"])
    middle = (seasons["start"] + (seasons["end"] - seasons["start"]) / 2).to_numpy()
    first = sowing.groupby("site_id")["sown_on"].min()
    sown = sites[sites["role"] == "sown"]
    controls = min(int((sites["role"] == "control").sum()), MOST_CONTROLS)
    day = sown["site_id"].map(first)
    to_come = _seasons_to_come(day, ids, middle)
    seen = {site_id: group["time"].to_numpy() for site_id, group in dry.groupby("site_id")}
    values = [seen.get(site_id, np.empty(0, "datetime64[ns]")) for site_id in sown["site_id"]]
    by_then = day.to_numpy(dtype="datetime64[ns]")
    asked = pd.DataFrame(
        {
            "site_id": sown["site_id"],
            "controls": controls,
            "seasons_before": [
                int((times <= then).sum()) for times, then in zip(values, by_then, strict=True)
            ]
            + to_come,
            "past": [int((middle <= then).sum()) for then in by_then] + to_come,
            "stratum": sown["stratum"],
        }
    )
    short = asked.loc[asked["seasons_before"] < 2, "site_id"]
    if len(short):
        named = ", ".join(short[:10]) + (" and others" if len(short) > 10 else "")
        notes.append(
            f"Nothing can be foreseen of {named}: fewer than two dry seasons with a value before "
            "the sowing."
        )
    if controls < 2:
        notes.append("Fewer than two controls: no site can be judged. Add comparable ground.")
    reach = site_reach(record.panel, sowing, asked, **settings)
    past = dict(zip(asked["site_id"], asked["past"], strict=True))
    place = reach["site_id"].map(past) + reach["seasons_since_sowing"] - 1
    yield reach.drop(columns="noise_ratio").assign(
        scope="site", pool="", sites=1, season=[_season(ids, int(at)) for at in place]
    )
    for pool, members in _pools(asked).items():
        common, first_place = (int(members[name].median()) for name in ("seasons_before", "past"))
        if controls < 2 or common < 2:
            continue
        table = detectable_gain(
            record.panel,
            sowing,
            controls=[controls],
            sites=[len(members)],
            seasons_before=common,
            **settings,
        )
        then = [_season(ids, first_place + at - 1) for at in table["seasons_since_sowing"]]
        yield table.assign(scope="pool", site_id="", pool=pool, seasons_before=common, season=then)
    for many in _PLAN_BEFORE:
        table = detectable_gain(
            record.panel, sowing, controls=_PLAN_CONTROLS, sites=_PLAN_SITES, seasons_before=many,
            **settings,
        )  # fmt: skip
        then = [_season(ids, len(ids) + at - 1) for at in table["seasons_since_sowing"]]
        yield table.assign(scope="plan", site_id="", pool="", seasons_before=many, season=then)


def _seasons_to_come(
    sown_on: pd.Series, ids: tuple[str, ...], middle: NDArray[np.datetime64]
) -> NDArray[np.intp]:
    """Dry seasons that will pass between the last of the record and each planned sowing."""
    a_year = max(len({name[5:] for name in ids}), 1)
    ahead = (sown_on.to_numpy(dtype="datetime64[ns]") - middle[-1]) / np.timedelta64(1, "D")
    out: NDArray[np.intp] = np.maximum(np.floor(ahead / 365.25 * a_year), 0).astype(np.intp)
    return out


def _pools(asked: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """All sown sites together, and those of each stratum."""
    pools = {_ALL_SITES: asked}
    for name, members in asked[asked["stratum"] != ""].groupby("stratum"):
        if 1 < len(members) < len(asked):
            pools[str(name)] = members
    return pools


def _season(ids: tuple[str, ...], place: int) -> str:
    """Id of the dry season number `place`, from 0, of the record or after it."""
    return ids[place] if place < len(ids) else future_season(ids, place - len(ids) + 1)
