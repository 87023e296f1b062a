"""From looks to season values: which dates count, and what clouds at one site may not do."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st

from afterrains.signals.common_dates import means_over_common_dates
from afterrains.signals.season_values import judged_values, season_of, season_values

_CALENDAR = pd.DataFrame(
    {
        "season": ["2020-rains", "2020-dry"],
        "kind": ["rains", "dry"],
        "start": pd.to_datetime(["2020-06-15", "2020-10-01"]),
        "end": pd.to_datetime(["2020-09-30", "2021-06-10"]),
        "observe_from": pd.to_datetime(["2020-06-15", "2020-11-30"]),
    }
)


def test_season_of_takes_both_ends_and_leaves_other_days_out() -> None:
    """By hand: the first and last day belong to a season, the days around it to none."""
    dates = pd.Series(
        pd.to_datetime(["2020-06-14", "2020-06-15", "2020-09-30", "2020-10-01", "2021-06-11"])
    )
    found = season_of(dates, _CALENDAR)
    assert found.isna().tolist() == [True, False, False, False, True]
    assert found.dropna().tolist() == ["2020-rains", "2020-rains", "2020-dry"]


def test_season_values_by_hand() -> None:
    """A date before grass has died back and a date half under cloud do not count."""
    series = pd.DataFrame(
        {
            "site_id": "a",
            "date": pd.to_datetime(
                ["2020-10-20", "2020-12-01", "2021-01-01", "2021-02-01", "2021-03-01"]
            ),
            "clear_fraction": [1.0, 1.0, 0.8, 0.4, 1.0],
            "ndvi": [0.50, 0.20, 0.22, 0.90, 0.30],
        }
    )
    table = season_values(series, _CALENDAR, ["a", "b"], ["ndvi"]).set_index(["site_id", "season"])
    dry = table.loc[("a", "2020-dry")]
    assert dry["clear_dates"] == 3
    assert dry["clear_fraction"] == pytest.approx((1.0 + 0.8 + 1.0) / 3)
    assert dry["ndvi_median"] == pytest.approx(0.22)
    assert dry["ndvi_low"] == pytest.approx(np.quantile([0.20, 0.22, 0.30], 0.1))
    unseen = table.loc[("b", "2020-rains")]
    assert unseen["clear_dates"] == 0
    assert np.isnan(unseen["ndvi_median"])


def test_common_dates_equal_plain_means_where_nothing_is_missing(
    rng: np.random.Generator,
) -> None:
    """A site and a date effect without noise or gaps: the plain mean of each row."""
    values = rng.normal(0.2, 0.05, (12, 1)) + rng.normal(0, 0.1, (1, 9))
    np.testing.assert_allclose(means_over_common_dates(values), values.mean(axis=1), atol=1e-9)


def test_common_dates_agree_with_statsmodels_huber_regression(rng: np.random.Generator) -> None:
    """Statsmodels' RLM with site and date dummies, Huber's norm and the same scale estimate."""
    values = rng.normal(0.2, 0.05, (8, 1)) + rng.normal(0, 0.1, (1, 7))
    values += rng.normal(0, 0.01, values.shape)
    values[2, 3] += 0.4  # a haze that one site had
    values[rng.random(values.shape) < 0.2] = np.nan
    site, date = np.nonzero(np.isfinite(values))
    design = np.zeros((site.size, 8 + 7))
    design[np.arange(site.size), site] = 1
    design[np.arange(site.size), 8 + date] = 1
    fit = sm.RLM(
        values[site, date],
        np.delete(design, 8, axis=1),  # the first date is the reference
        M=sm.robust.norms.HuberT(1.345),
    ).fit(scale_est=_MedianAbsoluteResidual(), tol=1e-12, maxiter=500)
    dates = np.concatenate([[0.0], fit.params[8:]])
    # Each stops its iteration by its own rule; 1e-5 NDVI is far below any sensor's noise.
    expected = fit.params[:8] + dates.mean()
    np.testing.assert_allclose(means_over_common_dates(values), expected, atol=1e-5)


class _MedianAbsoluteResidual(sm.robust.scale.HuberScale):
    """Median absolute residual about zero, over its value for normal noise."""

    def __call__(self, _df_resid: float, _nobs: float, resid: np.ndarray) -> float:
        return float(1.4826 * np.median(np.abs(resid)))


def test_clouds_at_one_site_do_not_move_it() -> None:
    """By hand: two equal sites on drying ground, one seen early and one late, plus three others."""
    drying = np.linspace(0.4, 0.1, 6)
    values = np.tile(drying, (5, 1))
    values[0, 3:] = np.nan
    values[1, :3] = np.nan
    means = means_over_common_dates(values)
    assert means[0] == pytest.approx(means[1], abs=1e-9)
    assert means[0] == pytest.approx(drying.mean(), abs=1e-9)


def test_sites_that_share_no_date_keep_their_own_means() -> None:
    """Nothing links the two grounds, so neither moves the other."""
    values = np.array([[0.1, 0.2, np.nan, np.nan], [np.nan, np.nan, 0.5, 0.7]])
    np.testing.assert_allclose(means_over_common_dates(values), [0.15, 0.6], atol=1e-9)


@given(shift=st.floats(-1, 1), scale=st.floats(0.1, 10), seed=st.integers(0, 10_000))
def test_common_dates_follow_shift_and_scale(shift: float, scale: float, seed: int) -> None:
    """Another unit or zero of the index gives the same figures in that unit."""
    rng = np.random.default_rng(seed)
    values = rng.normal(0.3, 0.1, (6, 5))
    values[rng.random(values.shape) < 0.3] = np.nan
    moved = means_over_common_dates(shift + scale * values)
    # The iteration stops at a fixed size of step, which a scale of ten magnifies.
    np.testing.assert_allclose(
        moved, shift + scale * means_over_common_dates(values), atol=2e-5, rtol=1e-5
    )


def test_judged_values_pass_over_incomplete_looks() -> None:
    """By hand: a look half under cloud does not count, nor one before the last 90 days; a site
    never seen has no value.
    """
    series = pd.DataFrame(
        {
            "site_id": ["a", "a", "a", "b", "b", "b"],
            "date": pd.to_datetime(["2021-03-12", "2021-04-01", "2021-05-01"] * 2),
            "clear_fraction": [1.0, 1.0, 1.0, 1.0, 1.0, 0.3],
            "ndvi": [0.8, 0.3, 0.2, 0.1, 0.4, 0.9],
        }
    )
    table = judged_values(series, _CALENDAR, ["a", "b", "c"], "ndvi").set_index(
        ["site_id", "season"]
    )
    assert table.loc[("a", "2020-dry"), "judged_value"] == pytest.approx(0.25)
    assert table.loc[("b", "2020-dry"), "judged_value"] == pytest.approx(0.35)
    assert table.loc[("b", "2020-dry"), "judged_dates"] == 1
    assert np.isnan(table.loc[("c", "2020-dry"), "judged_value"])
