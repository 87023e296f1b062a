"""Rows laid out on the disk against pandas, which holds and sorts them all."""

from __future__ import annotations

from collections import Counter
from datetime import date
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from afterrains.results import HeldSeries
from afterrains.stages import site_rows
from afterrains.stages.ledger import Ledger
from afterrains.stages.site_rows import gathered

_ORDER = ["site_id", "date", "sensor", "scene_id"]
_NAME = "rows.parquet"
# The 1st of May to the 31st of October belong to no season.
_CALENDAR = pd.DataFrame(
    {
        "season": ["2020-dry", "2020-rains", "2021-dry"],
        "start": pd.to_datetime(["2020-01-01", "2020-05-01", "2021-01-01"]),
        "end": pd.to_datetime(["2020-04-30", "2020-09-30", "2021-04-30"]),
    }
)
_STRETCHES = ("2019-10-01", "2020-01-01", "2020-05-01", "2020-10-01", "2021-01-01")
_SITES = [f"s{number:02d}" for number in range(23)]


def _written(folder: Path, rng: np.random.Generator) -> tuple[Ledger, list[Any], pd.DataFrame]:
    """Tasks of four cells through all stretches, their tables, and all rows at once."""
    ledger, tasks, tables = Ledger(folder / "store"), [], []
    for cell in range(4):
        sites = _SITES[cell::4]
        for first in _STRETCHES:
            key = f"{cell}{first}"
            days = pd.Timestamp(first) + pd.to_timedelta(rng.integers(0, 80, 6), "D")
            seen = [(site, day) for site in sites for day in days if rng.random() < 0.6]
            table = pd.DataFrame(
                {
                    "site_id": pd.Series([site for site, _ in seen], dtype="str"),
                    "date": pd.Series([day for _, day in seen], dtype="datetime64[s]"),
                    "sensor": pd.Series(rng.choice(["a", "b"], len(seen)), dtype="str"),
                    "scene_id": pd.Series([f"{n:04d}" for n in range(len(seen))], dtype="str"),
                    "ndvi": rng.random(len(seen)),
                }
            )
            if cell == 3 and first == "2021-01-01":
                table = table.iloc[:0]
            place = ledger.place(key)
            place.mkdir(parents=True)
            table.to_parquet(place / _NAME, index=False)
            tasks.append(
                SimpleNamespace(
                    key=key,
                    start=date.fromisoformat(first),
                    overpasses=(None,) * 6,
                    cell=SimpleNamespace(site_ids=tuple(sites)),
                )
            )
            tables.append(table)
    rng.shuffle(tasks)
    # Parquet has no seconds.
    rows = pd.concat(tables, ignore_index=True).astype({"date": "datetime64[ms]"})
    return ledger, tasks, rows


@pytest.mark.parametrize("at_once", [5, 60, 20_000])
def test_rows_come_in_the_order_of_pandas_and_by_season(
    tmp_path: Path, rng: np.random.Generator, monkeypatch: pytest.MonkeyPatch, at_once: int
) -> None:
    """Whether cut into a piece for each site or in one; days of no season go with none."""
    monkeypatch.setattr(site_rows, "_FEWEST_ROWS", at_once)
    monkeypatch.setattr(site_rows, "_MOST_ROWS", at_once)
    monkeypatch.setattr(site_rows, "_PARTS_OF_A_RUN", 1)
    ledger, tasks, expected = _written(tmp_path, rng)
    folder = tmp_path / "aside"
    with gathered(ledger, tasks, _NAME, _CALENDAR, _SITES, folder) as rows:
        pieces = list(rows.pieces())
        assert rows.sensors() == Counter(expected["sensor"])
        held = HeldSeries(expected, _CALENDAR)
        for season in _CALENDAR["season"]:
            found = rows.of_season(season, ["site_id", "date", "ndvi"])
            inside = HeldSeries(found.assign(sensor=""), _CALENDAR)
            columns = ["site_id", "date", "ndvi"]
            assert sorted(inside.of_season(season, columns).itertuples(index=False)) == sorted(
                held.of_season(season, columns).itertuples(index=False)
            )
    assert not folder.exists()
    assert (len(pieces) > 20) == (at_once == 5)
    pd.testing.assert_frame_equal(
        pd.concat(pieces, ignore_index=True), expected.sort_values(_ORDER, ignore_index=True)
    )
    sites = [site for piece in pieces for site in piece["site_id"].unique()]
    assert len(sites) == len(set(sites))


def test_a_season_that_nothing_was_read_of_has_no_rows(
    tmp_path: Path, rng: np.random.Generator
) -> None:
    """Its columns are there."""
    ledger, tasks, _ = _written(tmp_path, rng)
    early = [task for task in tasks if task.start < date(2020, 10, 1)]
    with gathered(ledger, early, _NAME, _CALENDAR, _SITES, tmp_path / "aside") as rows:
        found = rows.of_season("2021-dry", ["ndvi", "site_id"])
    assert list(found) == ["ndvi", "site_id"]
    assert found.empty


def test_nothing_stays_of_a_run_that_fails_or_was_killed(
    tmp_path: Path, rng: np.random.Generator
) -> None:
    """What a killed one left is cleared away before."""
    ledger, tasks, expected = _written(tmp_path, rng)
    folder = tmp_path / "aside"
    folder.mkdir()
    (folder / "99.arrow").write_text("half")
    with (
        pytest.raises(RuntimeError, match="by design"),
        gathered(ledger, tasks, _NAME, _CALENDAR, _SITES, folder) as rows,
    ):
        assert sum(len(piece) for piece in rows.pieces()) == len(expected)
        raise RuntimeError("by design")
    assert not folder.exists()
