"""Fit the shipped model anew: the sample programme's, from its scenes and plots.

    python benchmarks/woody/train_sample_model.py [--folder FOLDER]

Writes `models/woody_cover`. The sample's scenes are kept in the folder, if one is given.
"""

from __future__ import annotations

import argparse
import os
import tempfile
from pathlib import Path

for _pool in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ.setdefault(_pool, "1")

from samples import samples_of  # noqa: E402

from afterrains.woody import DEFAULT_FEATURES, CardFacts, fit, save  # noqa: E402

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
        here = samples_of(1, folder, list(DEFAULT_FEATURES))
    model = fit(here.plots, here.features)
    digest = save(model, _MODELS / "woody_cover", FACTS)
    print(f"models/woody_cover: {len(model.scores)} plots, digest {digest}")


if __name__ == "__main__":
    main()
