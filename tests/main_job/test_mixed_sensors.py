"""Landsat 5, 7 and 8 and Sentinel-2 in one run, over ground whose reflectance is known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from mixed_ground import B08_MORE, CENTRES, LOOKS, ndvi, seen, truth, write_ground

from afterrains.errors import InputError
from afterrains.jobs.run import run_programme
from afterrains.programme import load_programme
from afterrains.scenes.mixing import bands_given
from afterrains.stages.cellwork import SERIES_OF_TASK, load_composites, perform
from afterrains.stages.ledger import Ledger
from afterrains.stages.prepare import prepare

# Numbers in the files are whole: 5e-5 of reflectance in Sentinel-2's, 1.4e-5 in Landsat's, twice
# in a ratio whose denominator is above 0.4.
_ROUNDING = 3e-4


def _series(programme: Path) -> pd.DataFrame:
    """All looks at all sites, by the tasks of a run one after the other."""
    ledger = Ledger(programme.parent / "ledger")
    found = [perform(task, ledger) for task in prepare(programme).tasks]
    assert not any(result.unreadable or result.doubted for result in found)
    return pd.concat(pd.read_parquet(ledger.place(each.key) / SERIES_OF_TASK) for each in found)


def _expected(row: pd.Series, *, adjusted: bool) -> float:
    if adjusted:
        return ndvi(truth(row["site_id"]))
    bands = seen(row["sensor"], row["site_id"])
    if row["sensor"] == "sentinel-2a":
        bands["nir"] += B08_MORE
    return ndvi(bands)


@pytest.mark.parametrize("method", ["off", "harmonised-coefficients"])
@pytest.mark.parametrize("resolution_m", [10, 30])
def test_one_look_a_pass_with_its_sensor_and_the_published_adjustment(
    tmp_path: Path, method: str, resolution_m: int
) -> None:
    """Adjusted, all four agree with OLI; unadjusted, each shows what it saw (Roy; Claverie)."""
    more = f"  adjust_bandpasses: {method}\n"
    programme = write_ground(tmp_path, more)
    with programme.open("a", encoding="utf-8") as file:
        file.write(f"grid: {{resolution_m: {resolution_m}}}\n")
    series = _series(programme)
    passes = sorted((site, pd.Timestamp(day), s) for site in CENTRES for s, day in LOOKS)
    told = zip(series["site_id"], series["date"], series["sensor"], strict=True)
    assert sorted(told) == passes
    np.testing.assert_allclose(series["clear_fraction"], 1, rtol=1e-9)
    expected = series.apply(_expected, axis=1, adjusted=method != "off")
    np.testing.assert_allclose(series["ndvi"], expected, atol=_ROUNDING)
    # A site is 480 m wide; its core leaves out a rim of one pixel.
    np.testing.assert_allclose(series["pixels"], (480 / resolution_m - 2) ** 2, rtol=1e-9)


def test_rma_has_no_pair_for_sentinel_2_and_is_refused(tmp_path: Path) -> None:
    """Roy et al. give TM and ETM+ to OLI; nothing published there brings MSI to OLI."""
    programme = write_ground(tmp_path, "  adjust_bandpasses: rma\n")
    with pytest.raises(InputError, match=r"bring sentinel-2a to what .* set harmonised"):
        prepare(programme)
    text = programme.read_text(encoding="utf-8").replace(", sentinel-2-l2a]", "]")
    programme.write_text(text, encoding="utf-8")
    series = _series(programme)
    assert set(series["sensor"]) == {"landsat-5", "landsat-7", "landsat-8"}
    expected = series.apply(_expected, axis=1, adjusted=True)
    np.testing.assert_allclose(series["ndvi"], expected, atol=_ROUNDING)


def test_bands_without_coefficients_are_no_bands_of_the_run(tmp_path: Path) -> None:
    """Red edge has none: a woody model that needs it must not be fed with nothing."""
    programme = write_ground(tmp_path, "  adjust_bandpasses: harmonised-coefficients\n")
    plan = prepare(programme)
    for adjusts in (False, True):
        given = bands_given(plan.scenes, plan.tasks[0].profiles, adjusts=adjusts)
        assert ("rededge1" in given) is not adjusts
    ledger = Ledger(tmp_path / "ledger")
    found = load_composites(ledger, perform(plan.tasks[-1], ledger).key)
    layers = [name for name in found if name.endswith("_median") and "late" not in name]
    assert layers
    assert all(np.isfinite(found[name]).any() for name in layers)


def test_a_bare_off_is_a_word_not_a_false(tmp_path: Path) -> None:
    """YAML 1.1 reads `off` as false; the programme file means the word."""
    programme = write_ground(tmp_path, "  adjust_bandpasses: off\n")
    assert load_programme(programme).scenes.adjust_bandpasses == "off"


def test_the_main_job_tells_the_sensor_of_each_look(tmp_path: Path) -> None:
    """From the programme file to the tables, by default adjusted."""
    summary = run_programme(write_ground(tmp_path), workers=1)
    assert summary.exit_status == 0
    series = pd.read_csv(summary.output / "series.csv", parse_dates=["date"])
    looks = series.loc[series["site_id"] == "S1", ["sensor", "date"]]
    assert sorted(map(tuple, looks.to_numpy())) == sorted((s, pd.Timestamp(d)) for s, d in LOOKS)
    np.testing.assert_allclose(series["ndvi"], series["site_id"].map(lambda s: ndvi(truth(s))),
                               atol=_ROUNDING)  # fmt: skip
