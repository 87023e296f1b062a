"""Placebo run on a programme's own controls: each taken for sown at every possible date.

    python benchmarks/evidence/placebo.py OUT/PROGRAMME... [--judged 12]

Reads `seasons.csv` of each run. Prints the share of placebos ever called gain, loss and so on, and
keeps it for the report (`python benchmarks/evidence/run.py --report-only` writes it). None was
sown, so a gain here is a false one; placebos of one control share its series, and with few controls
the share is a coarse figure. Beside a sample programme lies its truth: controls that were cleared
or recover by themselves do change, and what is said of them is counted apart.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import numpy as np
import pandas as pd

from afterrains.contrast import judge

WORDS = ("gain", "loss", "grass-only", "no-gain", "not-assessable")
STORE = Path(__file__).resolve().parent / "results.json"


def placebo_shares(panel: pd.DataFrame, judged_seasons: int) -> pd.DataFrame:
    """One row for each control and possible date: which words it was ever called.

    Parameters
    ----------
    panel : DataFrame
        As `judge` takes it; sown sites are left out.
    judged_seasons : int
        Seasons the error rate is spent over.
    """
    controls = panel[panel["role"] == "control"]
    dry = controls[controls["kind"] == "dry"].groupby("season")["time"].min().sort_values()
    rows = []
    for site in sorted(controls["site_id"].unique()):
        as_if = controls.assign(role=np.where(controls["site_id"] == site, "sown", "control"))
        # Two dry seasons before and one after are the least that can be judged.
        for before in range(2, len(dry)):
            sown_on = dry.iloc[before - 1] + pd.Timedelta(days=1)
            sowing = pd.DataFrame({"site_id": [site], "sown_on": [sown_on]})
            history = judge(as_if, sowing, judged_seasons=judged_seasons, woody_model=False)
            said = set(history["verdict"])
            rows.append({"site_id": site, "sown_on": sown_on} | {w: w in said for w in WORDS})
    return pd.DataFrame(rows, columns=["site_id", "sown_on", *WORDS])


def dry_panel(folder: Path) -> pd.DataFrame:
    """Dry-season values as the run judged them.

    The flush is measured with the dry season that follows, so it is known no sooner than that; for
    a placebo of the dry value the rains are left out, and with them the word grass-only.
    """
    seasons = pd.read_csv(folder / "seasons.csv")
    panel = seasons[["site_id", "role", "season", "kind", "clear_dates"]].assign(
        time=pd.to_datetime(seasons["end"]), value=seasons["judged_value"]
    )
    usable = (seasons["kind"] == "dry") & seasons["complete"] & seasons["enough_dates"]
    return panel[usable]


def changed(folder: Path) -> set[str]:
    """Controls of a sample programme that truly changed; none known without its truth."""
    truth = folder.parents[1] / "truth" / "sites.csv"
    if not truth.exists():
        return set()
    sites = pd.read_csv(truth)
    return set(
        sites.loc[(sites["role"] == "control") & (sites["last_gain_points"] != 0), "site_id"]
    )


def main() -> None:
    """Read the runs' seasons, print and keep the shares."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--judged", type=int, default=12)
    options = parser.parse_args()
    told = []
    for run, folder in enumerate(options.folders):
        shares = placebo_shares(dry_panel(folder.resolve()), options.judged)
        told.append(
            shares.assign(run=run, changed=shares["site_id"].isin(changed(folder.resolve())))
        )
    shares = pd.concat(told, ignore_index=True)
    kept: dict[str, object] = {"runs": len(told), "judged_seasons": options.judged}
    for name, part in (
        ("still", shares[~shares["changed"]]),
        ("changed", shares[shares["changed"]]),
    ):
        kept[name] = {
            "controls": len(part[["run", "site_id"]].drop_duplicates()),
            "placebos": len(part),
            "ever": {word: int(part[word].sum()) for word in WORDS},
        }
    print(json.dumps(kept, indent=1))
    results = json.loads(STORE.read_text()) if STORE.exists() else {}
    STORE.write_text(json.dumps(results | {"placebo": kept}, indent=1))


if __name__ == "__main__":
    main()
