"""Fit the shipped model anew: the sample programme's, from its scenes and plots.

    python benchmarks/woody/train_sample_model.py [--folder FOLDER]

Writes `models/woody_cover`. The sample's scenes are kept in the folder, if one is given.
"""

from __future__ import annotations

import argparse
import dataclasses
import os
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

for _pool in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ.setdefault(_pool, "1")

from numpy.typing import NDArray  # noqa: E402

from afterrains.register.plots import read_plots  # noqa: E402
from afterrains.sample import write_sample  # noqa: E402
from afterrains.sample.write import is_written  # noqa: E402
from afterrains.scenes import BANDS  # noqa: E402
from afterrains.stages.cellwork import load_composites, perform, recorded  # noqa: E402
from afterrains.stages.ledger import Ledger  # noqa: E402
from afterrains.stages.prepare import prepare  # noqa: E402
from afterrains.woody import CardFacts, bands_needed, save, train  # noqa: E402

_MODELS = Path(__file__).resolve().parents[2] / "models"
FACTS = CardFacts(
    name="Dune Edge, the invented sample programme",
    data_licence="MIT, as the project: plots and scenes are made by `afterrains sample`",
    sources=("plots.csv of the sample, seed 1",),
    ground="simulated Sahelian dune and glacis, semi-evergreen crowns, rested grassy sites among "
    "the plots",
    exclusions=("any real ground whatsoever", "other seeds of the sample: they have other weather"),
    real_ground=False,
)


def main() -> None:
    """Write the sample, read it, fit, save."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, help="where the sample is kept")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = asked.folder or Path(temporary)
        sample = folder / "sample"
        if not is_written(sample):
            write_sample(sample, workers=1)
        prepared, ledger = prepare(sample / "programme.yaml"), Ledger(folder / "ledger")
        keys: dict[tuple[str, str], str] = {}
        for task in prepared.tasks:
            if task.kind != "none":
                wanted = set(task.bands) | bands_needed()
                task = dataclasses.replace(task, bands=tuple(b for b in BANDS if b in wanted))
                if recorded(task, ledger) is None:
                    perform(task, ledger)
                keys[task.cell.cell_id, task.season] = task.key

        def composites_of(cell_id: str, season: str) -> Mapping[str, NDArray[Any]] | None:
            key = keys.get((cell_id, season))
            return None if key is None else load_composites(ledger, key)

        boxes = {cell.cell_id: cell.geobox for cell in prepared.cells}
        plots = read_plots(sample / "plots.csv")
        model, findings = train(plots, boxes, prepared.calendar, composites_of)
    for finding in findings:
        print(finding)
    digest = save(model, _MODELS / "woody_cover", FACTS)
    print(f"models/woody_cover: {len(model.scores)} plots, digest {digest}")


if __name__ == "__main__":
    main()
