"""Fit the shipped model anew: the sample programme's, from its scenes and plots.

    python benchmarks/woody/train_sample_model.py [--folder FOLDER]

Writes `models/woody_cover`. The sample and what was read of it are kept in the folder, if one is
given. It is fitted as `afterrains train` fits a programme's own, plots away from the sites too.
"""

from __future__ import annotations

import argparse
import os
import tempfile
from pathlib import Path

for _pool in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ.setdefault(_pool, "1")

from afterrains.jobs.train import train_programme  # noqa: E402
from afterrains.sample import write_sample  # noqa: E402
from afterrains.sample.write import is_written  # noqa: E402
from afterrains.woody import CardFacts, save  # noqa: E402

_MODELS = Path(__file__).resolve().parents[2] / "models"
_SEED = 1
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
    """Write the sample, train on it, and save the model with its own card."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, help="where the sample is kept")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = asked.folder or Path(temporary)
        if not is_written(folder, seed=_SEED, size="full"):
            write_sample(folder, seed=_SEED, workers=1)
        trained = train_programme(
            folder / "plots.csv", folder / "programme.yaml", to=Path(temporary) / "model", workers=1
        )
        digest = save(trained.model, _MODELS / "woody_cover", FACTS, errors=trained.errors)
    print(f"models/woody_cover: {len(trained.model.scores)} plots, digest {digest}")


if __name__ == "__main__":
    main()
