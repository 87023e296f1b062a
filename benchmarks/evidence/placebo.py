"""Placebo run on a programme's own controls: each taken for sown at every possible date.

    python benchmarks/evidence/placebo.py OUT/PROGRAMME [--value ndvi_median] [--judged 12]

Reads `seasons.csv` of a run. Prints the share of placebos ever called gain, loss or grass-only.
None was sown, so a gain here is a false one; placebos of one control share its series, and with few
controls the share is a coarse figure.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import pandas as pd

from afterrains.contrast import judge

WORDS = ("gain", "loss", "grass-only", "no-gain", "not-assessable")


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
            said = set(judge(as_if, sowing, judged_seasons=judged_seasons)["verdict"])
            rows.append({"site_id": site, "sown_on": sown_on} | {w: w in said for w in WORDS})
    return pd.DataFrame(rows, columns=["site_id", "sown_on", *WORDS])


def main() -> None:
    """Read a run's seasons, print the shares."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--value", default="ndvi_median")
    parser.add_argument("--judged", type=int, default=12)
    options = parser.parse_args()
    seasons = pd.read_csv(options.folder / "seasons.csv")
    panel = seasons[["site_id", "role", "season", "kind", "clear_dates"]].assign(
        time=pd.to_datetime(seasons["end"]), value=seasons[options.value]
    )
    # The flush is measured with the dry season that follows, so it is known no sooner than that;
    # for a placebo of the dry value the rains' own level is left out.
    shares = placebo_shares(panel[panel["kind"] == "dry"], options.judged)
    print(f"{len(shares)} placebos of {shares['site_id'].nunique()} controls")
    for word in WORDS:
        print(f"  ever {word}: {100 * shares[word].mean():.1f} %")


if __name__ == "__main__":
    main()
