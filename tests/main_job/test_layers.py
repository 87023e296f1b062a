"""Layers come back bit for bit, one by one or all, and any Parquet reader knows them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from afterrains.stages.layers import read_layers, write_layers


def test_layers_come_back_bit_for_bit(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    greenness = rng.normal(size=(7, 1_100_000 // 7)).astype(np.float32)  # more than one row group
    greenness[0, :4] = [np.nan, -0.0, np.inf, -np.inf]
    layers = {
        "ndvi_median": greenness,
        "count": rng.integers(0, 65_536, greenness.shape, dtype=np.uint16),
        "turned": np.asfortranarray(greenness[:, ::-1]),
    }
    write_layers(tmp_path / "layers.parquet", layers)
    found = read_layers(tmp_path / "layers.parquet")
    assert list(found) == list(layers)
    for name, layer in layers.items():
        assert found[name].dtype == layer.dtype
        assert found[name].tobytes() == np.ascontiguousarray(layer).tobytes()
    one = read_layers(tmp_path / "layers.parquet", ("count", "not there"))
    assert list(one) == ["count"]
    assert np.array_equal(one["count"], layers["count"])
    # Another reader of the standard format: pandas, through its own call.
    table = pd.read_parquet(tmp_path / "layers.parquet")
    assert np.array_equal(table["count"].to_numpy(), layers["count"].ravel())


def test_a_season_without_layers_is_a_file_too(tmp_path: Path) -> None:
    write_layers(tmp_path / "none.parquet", {})
    assert read_layers(tmp_path / "none.parquet") == {}
