"""Whether drawn controls make false gains, or cost true ones (`evidence.likeness`).

    python benchmarks/evidence/drawn.py [--panels N]

Invented dry rangeland in NDVI: twelve sown sites and twenty drawn patches, of which some are no
rangeland at all: fields that are being given up, cleared thickets, water. Nobody tells the judge
which. Judged are the same panels with every patch, with those that `unlike_ground` leaves, and
with the rangeland alone, as somebody would have listed it who had been there. Prints the table of
docs/how-to/controls.md.
"""

from __future__ import annotations

import argparse

import numpy as np
import pandas as pd

from afterrains.contrast import judge
from afterrains.evidence.growth import RampGrowth
from afterrains.evidence.likeness import unlike_ground
from afterrains.evidence.panel import read_panel

CHOICES = ("every patch", "like ground", "rangeland")
SOWN, DRAWN, AFTER = 12, 20, 6
GROWTH = RampGrowth(1.0, 4.0)


def panel_of(
    rng: np.random.Generator, *, before: int, others: float, spread: float, gain: float
) -> tuple[pd.DataFrame, pd.DataFrame, list[str]]:
    """Panel, sowing, and the ids of the patches that are rangeland.

    `others` is the share of patches that are other ground, `spread` the standard deviation of
    rangeland's dry level, `gain` the full gain of each sown site, NDVI.
    """
    seasons, sites = before + AFTER, SOWN + DRAWN
    season = rng.normal(0, 0.015, (2, seasons))
    answer = rng.normal(1, 0.2, (sites, 1))
    level, flush = rng.normal(0.17, spread, (sites, 1)), rng.normal(0.15, 0.03, (sites, 1))
    kind = np.zeros(sites, int)
    kind[SOWN:] = np.where(rng.random(DRAWN) < others, rng.integers(1, 4, DRAWN), 0)
    lag = np.abs(np.subtract.outer(np.arange(seasons), np.arange(seasons)))
    noise = rng.normal(0, 0.008, (sites, seasons)) @ np.linalg.cholesky(0.4**lag).T
    dry = level + answer * season[0] + noise
    rains = flush + answer * season[1] + rng.normal(0, 0.02, (sites, seasons))
    since = np.clip(np.arange(seasons) - before + 1.0, 0, None)
    # Fields: bare or stubble when dry, dense in the rains; given up one by one after the sowing.
    dry[kind == 1] += rng.normal(0, 0.02, ((kind == 1).sum(), seasons)) - 0.006 * since
    rains[kind == 1] += 0.30 + rng.normal(0, 0.05, ((kind == 1).sum(), seasons))
    # Thickets, green when dry and cut back little by little.
    dry[kind == 2] += 0.22 - 0.012 * since
    # Water that shrinks.
    dry[kind == 3], rains[kind == 3] = -0.2 + 0.02 * rng.normal(size=seasons), 0.02
    dry[:SOWN] += gain * np.clip((since - 1) / 3, 0, 1)
    ids = [f"s{at:02d}" for at in range(SOWN)] + [f"d{at:02d}" for at in range(DRAWN)]
    place = rng.uniform(0, 3000, (2, sites))
    parts = []
    for name, values, month in (("rains", rains, "08-15"), ("dry", dry, "11-30")):
        for at, site_id in enumerate(ids):
            parts.append(
                pd.DataFrame(
                    {
                        "site_id": site_id,
                        "role": "sown" if at < SOWN else "control",
                        "season": [f"{2000 + year}-{name}" for year in range(seasons)],
                        "kind": name,
                        "time": [f"{2000 + year}-{month}" for year in range(seasons)],
                        "value": values[at],
                        "area_ha": 8.0,
                        "x": place[0, at],
                        "y": place[1, at],
                    }
                )
            )  # fmt: skip
    sowing = pd.DataFrame({"site_id": ids[:SOWN], "sown_on": f"{2000 + before}-06-15"})
    return pd.concat(parts, ignore_index=True), sowing, [
        ids[at] for at in range(SOWN, sites) if kind[at] == 0
    ]  # fmt: skip


def left_out(panel: pd.DataFrame, sowing: pd.DataFrame) -> set[str]:
    """Ids of the patches that did not look like the sown ground."""
    arrays = read_panel(panel, sowing)
    rows = np.flatnonzero(~arrays.is_sown)
    return {str(arrays.site_ids[each.row]) for each in unlike_ground(arrays, rows, 3000.0)}


def _ever(panel: pd.DataFrame, sowing: pd.DataFrame, controls: set[str]) -> list[float]:
    """Share of the sites that were ever called `gain`, and `loss`."""
    used = panel[(panel["role"] == "sown") | panel["site_id"].isin(controls)]
    told = judge(used, sowing, 0.05, AFTER, GROWTH, meaningful_gain=0.02, woody_model=True)
    return [
        float((told["verdict"] == word).groupby(told["site_id"]).any().mean())
        for word in ("gain", "loss")
    ]


def measure(panels: int) -> list[dict[str, float]]:
    """Share of sites ever called `gain` (and of false losses) by each choice of controls."""
    out: list[dict[str, float]] = []
    settings = [
        (8, 0.0, 0.02, 0.0), (8, 0.5, 0.02, 0.0), (8, 0.3, 0.05, 0.0), (3, 0.3, 0.02, 0.0),
        (8, 0.3, 0.02, 0.03),
    ]  # fmt: skip
    for before, others, spread, gain in settings:
        rng = np.random.default_rng(11)
        calls = {name: np.zeros(2) for name in CHOICES}
        wrong = dropped = 0.0
        for _ in range(panels):
            panel, sowing, rangeland = panel_of(
                rng, before=before, others=others, spread=spread, gain=gain
            )
            unlike = left_out(panel, sowing)
            every = set(panel.loc[panel["role"] == "control", "site_id"])
            wrong += len(every - set(rangeland) - unlike) / DRAWN
            dropped += len(set(rangeland) & unlike) / max(len(rangeland), 1)
            choices = {
                "every patch": every,
                "like ground": every - unlike,
                "rangeland": set(rangeland),
            }
            judged: dict[frozenset[str], list[float]] = {}
            for name, kept in choices.items():
                ids = frozenset(kept)
                if ids not in judged:
                    judged[ids] = _ever(panel, sowing, kept)
                calls[name] += judged[ids]
        row: dict[str, float] = {
            "before": before, "others": others, "spread": spread, "gain": gain,
            "other_ground_kept": wrong / panels, "rangeland_left_out": dropped / panels,
        }  # fmt: skip
        for name, (gains, losses) in calls.items():
            row |= {f"{name}: gain": float(gains) / panels, f"{name}: loss": float(losses) / panels}
        out.append(row)
    return out


def table(rows: list[dict[str, float]]) -> list[str]:
    """The rows as Markdown."""
    head = ["seasons before", "other ground", "spread of rangeland", "true gain"]
    head += ["other ground kept", "rangeland left out"]
    head += [f"ever `gain`: {name}" for name in CHOICES]
    lines = [" | ".join(head), " | ".join(["---"] * len(head))]
    for row in rows:
        shares = [row["other_ground_kept"], row["rangeland_left_out"]]
        shares += [row[f"{name}: gain"] for name in CHOICES]
        cells = [
            f"{row['before']:g}",
            f"{row['others']:.0%}",
            f"{row['spread']:g} NDVI",
            f"{row['gain']:g} NDVI",
        ]
        lines.append(" | ".join([*cells, *(f"{100 * share:.1f} %" for share in shares)]))
    return [f"| {line} |" for line in lines]


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--panels", type=int, default=60)
    options = parser.parse_args()
    print("\n".join(table(measure(options.panels))))


if __name__ == "__main__":
    main()
