"""What the field saw beside what the satellite says; counts of seedlings; plots to train with.

The verdict is never changed. Where both speak of the same thing and differ, a person has to look.
"""

from __future__ import annotations

import math

import pandas as pd

from afterrains.delivery.tables.field import FIELD_EVIDENCE, SURVIVAL, TRAINING_PLOTS
from afterrains.field.estimates import SEEN_CLASSES

__all__ = ["field_evidence", "survival", "training_plots"]

_ENOUGH = 3
_CLAIMS = {"gain": "more", "loss": "less", "no-gain": "unchanged", "grass-only": "unchanged"}
"""What a verdict says of woody plants that eyes can see; the other verdicts say nothing of it."""
_WORDS = {"more": "more woody plants", "unchanged": "no change", "less": "fewer woody plants"}


def field_evidence(
    checks: pd.DataFrame, design: pd.DataFrame, verdicts: pd.DataFrame
) -> pd.DataFrame:
    """Rows of field_evidence.csv: each visited site, what was seen, and the newest verdict.

    Parameters
    ----------
    checks, design, verdicts : DataFrame
        Rows of field_checks.csv, visit_design.csv and verdicts.csv.
    """
    role = design.drop_duplicates("site_id").set_index("site_id")["role"]
    judged = verdicts.set_index("site_id")
    rows = []
    for site_id, visits in checks.groupby("site_id", sort=True):
        seen = visits[(visits["outcome"] == "checked") & visits["seen"].isin(SEEN_CLASSES)]
        counts = {name: int((seen["seen"] == name).sum()) for name in SEEN_CLASSES}
        known = site_id in judged.index
        verdict = str(judged.at[site_id, "verdict"]) if known else ""
        says = _says(counts)
        agreement = _agreement(verdict, says)
        rows.append(
            {
                "site_id": site_id,
                "role": role[site_id],
                "verdict": verdict,
                "as_of": str(judged.at[site_id, "as_of"]) if known else "",
                "visits": len(visits),
                "checks": len(seen),
                **{f"seen_{name}": count for name, count in counts.items()},
                "woody_cover_percent": visits["woody_cover_percent"].mean(),
                "last_surveyed_on": seen["surveyed_on"].max(),
                "field_says": says,
                "agreement": agreement,
                "note": _note(verdict, says, agreement, len(seen)),
            }
        )
    frame = pd.DataFrame(rows, columns=FIELD_EVIDENCE.column_names)
    frame["last_surveyed_on"] = pd.to_datetime(frame["last_surveyed_on"]).astype("datetime64[ns]")
    return frame.astype({"woody_cover_percent": float})


def _says(counts: dict[str, int]) -> str:
    """What at least half of the checks show, and more than any other class."""
    total = sum(counts.values())
    if total < _ENOUGH:
        return "too few checks"
    first, second = sorted(counts.values(), reverse=True)[:2]
    if 2 * first < total or first == second:
        return "mixed"
    return max(counts, key=lambda name: counts[name])


def _agreement(verdict: str, says: str) -> str:
    claim = _CLAIMS.get(verdict)
    if claim is None or says not in SEEN_CLASSES:
        return "open"
    return "agree" if claim == says else "disagree"


def _note(verdict: str, says: str, agreement: str, checks: int) -> str:
    if says not in SEEN_CLASSES:
        few = "one check does" if checks == 1 else f"{checks} checks do"
        return f"{few} not settle it" if checks else "no place was reached and judged"
    told = f"the field saw {_WORDS[says]} at most of {checks} checks"
    if agreement == "disagree":
        hint = ""
        if verdict in ("no-gain", "grass-only") and says == "more":
            hint = "; young plants hide below a pixel for years"
        if verdict == "gain" and says == "unchanged":
            hint = "; greening is not trees, look at grass and at the controls"
        return f"{told}, the satellite says {verdict}{hint}"
    if verdict and agreement == "open":
        return f"{told}; {verdict} from the satellite claims nothing that they could confirm"
    return told


def survival(checks: pd.DataFrame, seedlings: pd.DataFrame) -> pd.DataFrame:
    """Rows of survival.csv: species by site, over all plots checked there."""
    plots = checks[checks["outcome"] == "checked"]
    of_site = plots["site_id"].value_counts().to_dict()
    searched = _searched_ha(plots)
    counted = seedlings.merge(plots[["visit_id", "site_id"]], on="visit_id")
    rows = []
    for (site_id, species), each in counted.groupby(["site_id", "species"], sort=True):
        live, dead = int(each["live"].sum()), int(each["dead"].sum())
        ground = searched.get(str(site_id), math.nan)
        rows.append(
            {
                "site_id": site_id,
                "species": species,
                "plots": of_site[site_id],
                "plots_with": int((each["live"] + each["dead"] > 0).sum()),
                "live": live,
                "dead": dead,
                "live_percent": 100 * live / (live + dead) if live + dead else math.nan,
                "live_per_ha": live / ground if ground > 0 else math.nan,
            }
        )
    return pd.DataFrame(rows, columns=SURVIVAL.column_names)


def _searched_ha(plots: pd.DataFrame) -> dict[str, float]:
    """Ground of all plots of a site; nothing where the radius of any of them is unknown."""
    area = math.pi * plots["plot_radius_m"] ** 2 / 10_000
    sums = area.groupby(plots["site_id"]).agg(lambda each: each.sum(skipna=False))
    return {str(site): float(value) for site, value in sums.items()}


def training_plots(checks: pd.DataFrame) -> pd.DataFrame:
    """Rows of training_plots.csv: every plot with a cover, at the place where it was measured.

    A plot without a position of its own is left out: cover and pixel must be of the same ground.
    """
    plots = checks[
        (checks["outcome"] == "checked")
        & checks["woody_cover_percent"].notna()
        & checks["lon"].notna()
        & checks["lat"].notna()
    ]
    out = plots.rename(columns={"visit_id": "plot_id"}).assign(source="field")
    return out[TRAINING_PLOTS.column_names].reset_index(drop=True)
