"""What it costs, and stops, that a gain must show in a second index too (`evidence.borne_out`).

    python benchmarks/evidence/second_look.py [--panels N]

The second index sees the same gain; its noise has the given correlation with the first one's. In
the third kind of panel only the first index rises, as bright soil or an offset would make it.
Keeps the figures for the report (`python benchmarks/evidence/run.py --report-only`).
"""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
from measure import judged, telling_sizes
from settings import PLAIN
from simulate import Simulated, curve, simulate

from afterrains.evidence.borne_out import borne_out

STORE = Path(__file__).resolve().parent / "results.json"


def second_index(
    first: Simulated, rng: np.random.Generator, share: float, lost: np.ndarray
) -> Simulated:
    """The same ground by another index: `share` is the correlation of their noise."""
    other = simulate(first.setting, rng, np.zeros(first.setting.sown), "step")
    # A second draw of noise alone: its levels and seasons belong to other ground.
    noise = other.values - other.season
    noise -= noise.mean(axis=1, keepdims=True)
    own = first.values - lost
    middle = own.mean(axis=1, keepdims=True) + first.season
    rest = own - middle
    return replace(first, values=middle + share * rest + np.sqrt(1 - share**2) * noise)


def _ever_gain(history: pd.DataFrame) -> float:
    """Share of the sites that were ever called a gain."""
    return float((history["verdict"] == "gain").groupby(history["site_id"]).any().mean())


def measure(panels: int) -> list[dict[str, float | str]]:
    """Share of sites ever called `gain` before and after the second look."""
    out: list[dict[str, float | str]] = []
    kinds = [("both rise", shape, share) for shape in ("step", "slow") for share in (0.9, 0.7)]
    kinds += [("the first alone rises", "step", 0.9), ("neither rises", "step", 0.7)]
    for what, shape, share in kinds:
        rng = np.random.default_rng(5)
        size = 0.0 if what == "neither rises" else telling_sizes(PLAIN, shape, (0.8,))[0]
        before = after = 0.0
        for _ in range(panels):
            gain = np.full(PLAIN.sown, size)
            first = simulate(PLAIN, rng, gain, shape)
            seasons = np.arange(first.values.shape[1])
            since = np.maximum(seasons - PLAIN.before + 1.0, 0.0)
            rise = np.zeros(first.values.shape)
            rise[: PLAIN.sown] = size * curve(shape, since)
            # Noise of a second index must not lose part of the gain: it is taken out and put back.
            second = second_index(first, rng, share, rise)
            if what == "both rise":
                second = replace(second, values=second.values + rise)
            history = judged(first)
            kept = borne_out(history, judged(second), "the second index")
            before += _ever_gain(history)
            after += _ever_gain(kept)
        row: dict[str, float | str] = {"what": what, "curve": shape, "correlation": share}
        out.append(row | {"before": before / panels, "after": after / panels, "size": size})
        print(out[-1], flush=True)
    return out


def main() -> None:
    """Measure and keep."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--panels", type=int, default=24)
    options = parser.parse_args()
    rows = measure(options.panels)
    results = json.loads(STORE.read_text()) if STORE.exists() else {}
    kept = {"panels": options.panels, "sites": options.panels * PLAIN.sown, "rows": rows}
    STORE.write_text(json.dumps(results | {"second_look": kept}, indent=1))


if __name__ == "__main__":
    main()
