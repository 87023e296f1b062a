"""A small invented programme whose figures are known, as the tables of a run hold it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest

Verdicts = Callable[..., pd.DataFrame]


@pytest.fixture
def verdicts() -> Verdicts:
    """Rows of verdicts.csv from keyword rows; what a row does not name is ordinary."""

    def make(*rows: dict[str, Any]) -> pd.DataFrame:
        usual: dict[str, Any] = {
            "name": "",
            "stratum": "dune",
            "as_of": "2024-dry",
            "first_sown_on": pd.Timestamp("2018-06-01"),
            "seasons_since_sowing": 7,
            "area_ha": 10.0,
            "verdict": "no-gain",
            "reason": "",
            "gain": 0.0,
            "gain_low": -1.0,
            "gain_high": 1.0,
            "gain_unit": "points",
            "answer_by": "",
            "controls": 16,
            "cost": np.nan,
        }
        return pd.DataFrame([{**usual, **row} for row in rows])

    return make
