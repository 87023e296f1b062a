"""What a run's figures rest on, in digests: so that two results can tell why they differ.

The digests stand in the manifest under `inputs`. They say that something differs, never what it
was: a digest of a polygon does not give the polygon away.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
from pydantic import BaseModel

from afterrains.programme.fields import is_address
from afterrains.rain import RainRecord
from afterrains.stages.prepare import Prepared

__all__ = ["code_digest", "scene_traces", "traces"]

_SHORT = 16
"""Hexadecimal digits of a digest: 64 bits, so that chance does not make two alike."""
_JUDGE_NOTHING = ("cli", "sample", "delivery/page")
"""Parts of the package that move no figure."""
_SETTINGS = ("rain", "grid", "seasons", "controls", "woody", "evidence", "costs")


def traces(prepared: Prepared, scenes: Mapping[str, Mapping[str, str]]) -> dict[str, Any]:
    """The digests of everything that the figures of a run rest on.

    Parameters
    ----------
    prepared : Prepared
        The run's plan.
    scenes : mapping
        Of `scene_traces`, of all sites.

    Returns
    -------
    dict
        `code`; `settings` by section of the programme file, without where the scenes end, which
        moves every season; `seasons`, oldest first; `sites` and `sowing` by site_id; `rain` by
        season; `scenes` by site_id and season: of the ids of the scenes that gave a value; `radar`
        by season, of all passes that were read for a woody-cover model, where any were.
    """
    programme, register = prepared.programme, prepared.register
    of_scenes = programme.scenes.model_dump(exclude={"start", "end", "budget_gb"})
    if not is_address(programme.scenes.catalogue):
        of_scenes["catalogue"] = Path(programme.scenes.catalogue)
    settings = {name: _digest(_as_text(getattr(programme, name))) for name in _SETTINGS}
    settings["scenes"] = _digest(json.dumps(_portable(of_scenes), sort_keys=True))
    sites = register.sites
    ground = zip(sites["site_id"], sites["role"], sites["stratum"], sites.geometry, strict=True)
    return {
        "code": code_digest(),
        "settings": settings,
        "seasons": list(prepared.calendar["season"]),
        "sites": {
            site_id: _digest(role, stratum, shape.normalize().wkb_hex)
            for site_id, role, stratum, shape in ground
        },
        "sowing": {
            str(site_id): _digest(rows.drop(columns="site_id").to_csv(index=False))
            for site_id, rows in register.sowing.groupby("site_id", sort=True)
        },
        "rain": _rain(prepared.rain, prepared.calendar),
        "scenes": dict(scenes),
    } | ({"radar": _radar(prepared)} if prepared.radar else {})


def code_digest(leave_out: Iterable[str] = _JUDGE_NOTHING) -> str:
    """SHA-256 of the package's own code: another method may judge the same data otherwise."""
    package = Path(__file__).parent.parent
    digest = hashlib.sha256()
    for source in sorted(package.rglob("*.*")):
        inside = source.relative_to(package).as_posix()
        if source.suffix in {".py", ".j2", ".css", ".js", ".yaml"} and not any(
            inside.startswith(f"{part}/") for part in leave_out
        ):
            digest.update(inside.encode())
            digest.update(source.read_bytes())
    return digest.hexdigest()


def _digest(*parts: str) -> str:
    """A short digest of texts."""
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()[:_SHORT]


def _as_text(settings: BaseModel | None) -> str:
    return "" if settings is None else json.dumps(_portable(settings.model_dump()), sort_keys=True)


def _portable(value: Any) -> Any:
    """Settings without this machine's folders: a programme that was moved is the same one."""
    match value:
        case dict():
            return {key: _portable(each) for key, each in value.items()}
        case list() | tuple():
            return [_portable(each) for each in value]
        case Path():
            return value.name
        case date():
            return value.isoformat()
        case _:
            return value


def _rain(record: RainRecord | None, calendar: pd.DataFrame) -> dict[str, str]:
    """Digests of the daily rain of each season."""
    if record is None:
        return {}
    return {
        season: _digest(record.daily.loc[start:end].to_csv())
        for season, start, end in zip(
            calendar["season"], calendar["start"], calendar["end"], strict=True
        )
    }


def _radar(prepared: Prepared) -> dict[str, str]:
    """Digests of the radar passes of each season, over all cells."""
    found: dict[str, set[str]] = {}
    for task in prepared.radar:
        mine = {scene.scene_id for look in task.overpasses for scene in look.scenes}
        found.setdefault(task.season, set()).update(mine)
    return {season: _digest(*sorted(ids)) for season, ids in sorted(found.items())}


def scene_traces(series: pd.DataFrame, calendar: pd.DataFrame) -> dict[str, dict[str, str]]:
    """Digests of the scenes behind each site's seasons; a season without a value is not there.

    `series` are the rows of series.csv of some sites, all of each.
    """
    ordered = calendar.sort_values("start")
    place = ordered["start"].searchsorted(series["date"], side="right") - 1
    table = series.assign(season=ordered["season"].to_numpy()[place], place=place)
    table = table[place >= 0]
    found: dict[str, dict[str, str]] = {}
    for (site_id, _, season), rows in table.groupby(["site_id", "place", "season"], sort=True):
        told = sorted(f"{day:%Y-%m-%d} {scene}" for day, scene in
                      zip(rows["date"], rows["scene_id"], strict=True))  # fmt: skip
        found.setdefault(str(site_id), {})[str(season)] = _digest(*told)
    return found
