"""Rows of changes.csv: what differs between two results, site by site, and why it may.

A cause is something that differs in what the figures rest on: it is told, not weighed. Where
several differ at once, no share of the change is put down to any of them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

__all__ = ["CAUSES", "Results", "changes"]

CAUSES = (
    "new season",
    "new site",
    "site gone",
    "site drawn anew",
    "controls",
    "sowing table",
    "rain record",
    "late scenes",
    "woody model",
    "settings",
    "method",
)
"""Why figures of two results may differ."""

_GAIN = ("gain", "gain_low", "gain_high")
_LESS_THAN_ROUNDING = 0.00005
"""Half of the last decimal that a gain is written with."""
_MOST_SETTINGS = 4
"""Figures of the rule that an explanation names."""


@dataclass(frozen=True)
class Results:
    """What is compared of one set of results."""

    verdicts: pd.DataFrame
    """`site_id, name, as_of, verdict, gain, gain_low, gain_high, gain_unit`; text "" and numbers
    NaN where missing."""
    manifest: Mapping[str, Any]
    """What they rest on: `inputs`, `specification`, `versions`, `model_sha256`; each may lack."""

    @property
    def inputs(self) -> Mapping[str, Any]:
        """The digests of the inputs; empty where the results are older than these."""
        found = self.manifest.get("inputs")
        return found if isinstance(found, Mapping) else {}


def changes(before: Results, now: Results) -> pd.DataFrame:
    """What differs between two results of one programme.

    Returns
    -------
    DataFrame
        The columns of changes.csv: a row for each sown site that is in either.
    """
    old = before.verdicts.set_index("site_id")
    new = now.verdicts.set_index("site_id")
    everywhere = _causes_for_all(before, now)
    which = _settings_that_differ(before, now)
    rows = [
        _row(
            str(site_id),
            old.loc[site_id] if site_id in old.index else None,
            new.loc[site_id] if site_id in new.index else None,
            before.inputs,
            now.inputs,
            everywhere,
            which,
        )
        for site_id in sorted({*old.index, *new.index})
    ]
    return pd.DataFrame(rows, columns=list(_COLUMNS)) if not rows else pd.DataFrame(rows)


_COLUMNS = (
    "site_id", "name", "from_season", "to_season", "verdict_before", "verdict_now",
    "verdict_changed", "gain_before", "gain_low_before", "gain_high_before", "gain_now",
    "gain_low_now", "gain_high_now", "gain_change", "gain_unit", "causes", "late_scenes_seasons",
    "explanation",
)  # fmt: skip


def _causes_for_all(before: Results, now: Results) -> set[str]:
    """Causes that touch every site."""
    found: set[str] = set()
    old, new = before.inputs, now.inputs
    if before.manifest.get("model_sha256") != now.manifest.get("model_sha256"):
        found.add("woody model")
    if old and new:
        settings = {*old["settings"], *new["settings"]}
        if any(old["settings"].get(name) != new["settings"].get(name) for name in settings):
            found.add("settings")
        if old["code"] != new["code"]:
            found.add("method")
        if _controls(old) != _controls(new):
            found.add("controls")
        common = set(_common_seasons(old, new))
        if any(old["rain"].get(season) != new["rain"].get(season) for season in common):
            found.add("rain record")
        early, late = old.get("radar", {}), new.get("radar", {})
        if any(early[season] != late[season] for season in common & early.keys() & late.keys()):
            found.add("late scenes")
    if _rule(before) != _rule(now) and "settings" not in found:
        found.add("method")
    versions = (before.manifest.get("versions"), now.manifest.get("versions"))
    if None not in versions and versions[0] != versions[1]:
        found.add("method")
    return found


def _rule(results: Results) -> Any:
    """The digest of the judging rule; None where it is not told."""
    return (results.manifest.get("specification") or {}).get("sha256")


def _settings_that_differ(before: Results, now: Results) -> str:
    """Sections of the programme file that differ, and figures of the judging rule, in words."""
    old, new = before.inputs, now.inputs
    sections = []
    if old and new:
        names = sorted({*old["settings"], *new["settings"]})
        sections = [
            name for name in names if old["settings"].get(name) != new["settings"].get(name)
        ]
    was, is_now = _figures(before), _figures(now)
    moved = [
        f"{name} {was[name]} became {is_now[name]}"
        for name in was
        if name in is_now and was[name] != is_now[name]
    ]
    return "; ".join([", ".join(sections), *moved[:_MOST_SETTINGS]]).strip("; ")


def _figures(results: Results) -> dict[str, Any]:
    """Numbers of the frozen rule by name, as its specification tells them."""
    content = (results.manifest.get("specification") or {}).get("content")
    out: dict[str, Any] = {}
    waiting = [("", content if isinstance(content, Mapping) else {})]
    for prefix, part in waiting:
        for name, value in part.items():
            if isinstance(value, Mapping):
                waiting.append((f"{prefix}{name}.", value))
            elif isinstance(value, int | float):
                out[f"{prefix}{name}"] = value
    return out


def _controls(inputs: Mapping[str, Any]) -> dict[str, str]:
    """Digests of the ground that no sowing names."""
    sites, sown = inputs["sites"], inputs["sowing"]
    return {site_id: digest for site_id, digest in sites.items() if site_id not in sown}


def _common_seasons(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[str]:
    """Seasons that both hold and that were over by the older results' newest.

    The newest season of the older results may still have been running, so it is left out.
    """
    finished = old["seasons"][:-1]
    return [season for season in finished if season in set(new["seasons"])]


def _late(old: Mapping[str, Any], new: Mapping[str, Any], site_id: str) -> int:
    """Seasons of both whose scenes differ, at the site or at any control."""
    ids = [site_id, *_controls(old)]
    return sum(
        any(
            old["scenes"].get(each, {}).get(season) != new["scenes"].get(each, {}).get(season)
            for each in ids
            if each in new["sites"]
        )
        for season in _common_seasons(old, new)
    )


def _row(
    site_id: str,
    old: pd.Series | None,
    new: pd.Series | None,
    inputs_before: Mapping[str, Any],
    inputs_now: Mapping[str, Any],
    everywhere: set[str],
    which: str,
) -> dict[str, Any]:
    either = new if new is not None else old
    assert either is not None, "a site is in one of the two"
    causes: set[str] = set()
    late = np.nan
    if old is None or new is None:
        causes.add("new site" if old is None else "site gone")
    else:
        causes |= everywhere
        if old["as_of"] != new["as_of"]:
            causes.add("new season")
        if inputs_before and inputs_now:
            late = _late(inputs_before, inputs_now, site_id)
            if late:
                causes.add("late scenes")
            for name, cause in (("sites", "site drawn anew"), ("sowing", "sowing table")):
                if inputs_before[name].get(site_id) != inputs_now[name].get(site_id):
                    causes.add(cause)
    ordered = [cause for cause in CAUSES if cause in causes]
    row: dict[str, Any] = {
        "site_id": site_id,
        "name": either["name"],
        "from_season": "" if old is None else old["as_of"],
        "to_season": "" if new is None else new["as_of"],
        "verdict_before": "" if old is None else old["verdict"],
        "verdict_now": "" if new is None else new["verdict"],
        "gain_unit": "" if new is None else new["gain_unit"],
        "causes": "; ".join(ordered),
        "late_scenes_seasons": late,
    }
    row["verdict_changed"] = row["verdict_before"] != row["verdict_now"]
    for name in _GAIN:
        row[f"{name}_before"] = np.nan if old is None else old[name]
        row[f"{name}_now"] = np.nan if new is None else new[name]
    same_unit = old is not None and new is not None and old["gain_unit"] == new["gain_unit"]
    row["gain_change"] = row["gain_now"] - row["gain_before"] if same_unit else np.nan
    named = {"settings": f"settings ({which})"} if which else {}
    row["explanation"] = _explanation(row, ", ".join(named.get(each, each) for each in ordered))
    return row


def _explanation(row: Mapping[str, Any], causes: str) -> str:
    """The change in one sentence."""
    because = f"; what differs: {causes}" if causes else ""
    if not row["verdict_before"]:
        return f"new among the results: {row['verdict_now']}"
    if not row["verdict_now"]:
        return f"no longer among the results; it was {row['verdict_before']}"
    change = row["gain_change"]
    moved = f"; its gain moved by {change:+.3g}" if abs(change) > _LESS_THAN_ROUNDING else ""
    if row["verdict_changed"]:
        return f"from {row['verdict_before']} to {row['verdict_now']}{moved}{because}"
    if not moved and not np.isnan(change):
        moved = ", and its gain stands"
    return f"still {row['verdict_now']}{moved}{because}"
