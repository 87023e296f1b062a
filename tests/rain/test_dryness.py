"""SPI, classes, ranks and dry spells against printed values and xclim."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from scipy import stats

from afterrains.rain.dryness import (
    dry_runs,
    dry_spells,
    fit_gamma_with_zeros,
    longest_run,
    rank_from_driest,
    spi,
    spi_class,
)

# A deprecation inside xclim 0.62 under pandas 3, of no effect on its numbers.
pytestmark = pytest.mark.filterwarnings("ignore:The 'name' property is deprecated")

TOTALS = np.array(
    "312 405 288 190 450 377 260 341 298 520 143 366 402 275 330 "
    "219 480 355 301 410 265 388 342 170 297 433 318 361 246 392".split(),
    dtype=float,
)
SPELLS = np.array([5, 0, 0, 0, 2, 0, 0, 0, 0, 3, 0.5, 0.4, 1, 0, 0])


def test_gamma_fit_has_the_printed_parameters():
    """Scipy 1.17.1 `gamma.fit(floc=0)`, 30 totals; Thom's (1958) closed form lies beside it."""
    fitted = fit_gamma_with_zeros(TOTALS)
    assert fitted.shape == pytest.approx(12.722959, abs=5e-7)
    assert fitted.scale_mm == pytest.approx(26.026441, abs=5e-7)
    assert (fitted.zero_share, fitted.years) == (0, 30)
    gap = np.log(TOTALS.mean()) - np.log(TOTALS).mean()
    assert gap == pytest.approx(0.0398135, abs=5e-8)
    thom = (1 + np.sqrt(1 + 4 * gap / 3)) / (4 * gap)
    # Thom's form is an approximation of the maximum likelihood; 1e-5 is how close it comes here.
    assert fitted.shape == pytest.approx(thom, rel=1e-5)


def test_spi_has_the_printed_values():
    """Scipy 1.17.1, same 30 totals."""
    found = spi(np.array([143, 190, 250, 320, 450, 520.0]), TOTALS)
    np.testing.assert_allclose(
        found, [-2.5295, -1.7163, -0.8620, -0.0274, 1.2441, 1.8304], atol=5e-5
    )


def test_spi_of_a_rainless_season_is_the_share_of_zeros():
    """By hand: q = 0.2 gives the normal quantile of 0.2, -0.8416."""
    totals = np.concatenate([np.zeros(6), TOTALS[:24]])
    assert spi(totals)[:6] == pytest.approx(-0.8416, abs=5e-5)


def test_spi_agrees_with_xclim(rng):
    """`xclim.indices.standardized_precipitation_index`, gamma by maximum likelihood, yearly."""
    from xclim.indices import standardized_precipitation_index

    months = pd.date_range("1990-01-01", periods=360, freq="MS")
    rain = rng.gamma(4, 30, size=360)
    rain[6::12] = TOTALS  # the July index is that of the totals, taken as July means
    pr = xr.DataArray(rain, coords={"time": months}, dims="time", attrs={"units": "mm/day"})
    theirs = standardized_precipitation_index(
        pr, freq="MS", window=1, dist="gamma", method="ML", fitkwargs={"floc": 0}
    )
    july = theirs.sel(time=theirs.time.dt.month == 7).to_numpy()
    np.testing.assert_allclose(spi(TOTALS), july, atol=1e-6)


def test_spi_stays_silent_on_short_constant_or_unknown_records():
    assert np.isnan(spi(TOTALS[:9])).all()
    assert np.isfinite(spi(TOTALS[:10])).all()
    assert np.isnan(spi(np.full(30, 300.0))).all()
    assert np.isnan(spi(np.zeros(30))).all()
    known = spi(np.append(TOTALS, np.nan))
    assert np.isnan(known[-1])
    np.testing.assert_array_equal(known[:-1], spi(TOTALS))
    with pytest.raises(ValueError, match="below zero"):
        spi(np.array([-1.0]), TOTALS)


def test_spi_far_out_stays_finite():
    """A rainless season that the reference never had."""
    assert np.isfinite(spi(np.array([0.0, 1e9]), TOTALS)).all()


@pytest.mark.parametrize(
    ("index", "name"),
    [
        (2.0, "extremely wet"),
        (1.99, "very wet"),
        (1.5, "very wet"),
        (1.49, "moderately wet"),
        (1.0, "moderately wet"),
        (0.99, "near normal"),
        (-0.99, "near normal"),
        (-1.0, "moderately dry"),
        (-1.49, "moderately dry"),
        (-1.5, "severely dry"),
        (-1.99, "severely dry"),
        (-2.0, "extremely dry"),
        (np.nan, ""),
    ],
)
def test_classes_of_the_wmo_guide(index, name):
    """WMO-No. 1090 (2012), table of SPI values."""
    assert spi_class(np.array([index])).tolist() == [name]


def test_ranks_share_places_and_skip_unknown():
    ranks = rank_from_driest(np.array([300, 100, np.nan, 300, 500.0]))
    np.testing.assert_array_equal(ranks, [2, 1, np.nan, 2, 4])
    np.testing.assert_array_equal(rank_from_driest(TOTALS), stats.rankdata(TOTALS, method="min"))


def test_dry_runs_of_the_printed_series():
    """Longest run under 1 mm: 4 (xclim 0.62.0 `maximum_consecutive_dry_days`)."""
    from xclim.indices import maximum_consecutive_dry_days

    runs = dry_runs(SPELLS)
    assert runs.tolist() == [0, 1, 2, 3, 0, 1, 2, 3, 4, 0, 1, 2, 0, 1, 2]
    assert longest_run(runs) == 4
    time = pd.date_range("2001-01-01", periods=len(SPELLS))
    pr = xr.DataArray(SPELLS, coords={"time": time}, dims="time", attrs={"units": "mm/day"})
    assert int(maximum_consecutive_dry_days(pr, thresh="1 mm/day", freq="YS").item()) == 4


def test_dry_spells_of_the_printed_series(rng):
    """Printed: 2 spells of 7 days in all (xclim 0.62.0, 1 mm, window 3, sum); 20 random ones."""
    from xclim.indices import dry_spell_frequency, dry_spell_total_length

    assert dry_spells(SPELLS) == (2, 7)
    # Quarters of a millimetre, so that sums are exact and ties do occur.
    for rain in rng.choice([0, 0.25, 0.5, 1, 4], size=(20, 60), p=[0.5, 0.2, 0.1, 0.1, 0.1]):
        time = pd.date_range("2001-01-01", periods=len(rain))
        pr = xr.DataArray(rain, coords={"time": time}, dims="time", attrs={"units": "mm/day"})
        rule = {"thresh": "1 mm", "window": 3, "freq": "YS", "op": "sum"}
        theirs = (dry_spell_frequency(pr, **rule), dry_spell_total_length(pr, **rule))
        assert dry_spells(rain) == tuple(int(found.item()) for found in theirs)


def test_dry_spells_at_the_edges():
    """By hand."""
    assert dry_spells(np.zeros(2)) == (0, 0)
    assert dry_spells(np.zeros(5)) == (1, 5)
    assert dry_spells(np.array([0, 0, np.nan, 0, 0, 0])) == (1, 3)


def test_longest_run_is_cut_at_the_start_of_the_stretch():
    """By hand: five dry days of which the stretch holds the last two."""
    assert longest_run(dry_runs(np.zeros(5))[3:]) == 2


def test_a_missing_day_is_not_dry():
    runs = dry_runs(np.array([0, 0, np.nan, 0, 0, 0.0]))
    assert runs.tolist() == [1, 2, 0, 1, 2, 3]


def test_dry_runs_of_many_sites_equal_one_by_one(rng):
    rain = rng.gamma(0.3, 5, size=(200, 3))
    rain[rng.random(rain.shape) < 0.1] = np.nan
    runs = dry_runs(rain)
    for site in range(3):
        np.testing.assert_array_equal(runs[:, site], dry_runs(rain[:, site]))
