"""Die-back measured from the greenness curve."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from afterrains.programme import NamedRains
from afterrains.rain.dieback import measured_dieback
from afterrains.rain.seasons import from_calendar

RAINS = [NamedRains(name="rains", start="06-01", end="09-30")]


def curve(half_life_days: float, every: int = 5) -> pd.Series:
    """0.6 in the rains; from 1 October it falls to 0.1 by halves of the difference."""
    days = pd.date_range("2020-06-01", "2022-05-31", freq=f"{every}D")
    since = np.array([(day - pd.Timestamp(day.year - (day.month < 6), 9, 30)).days for day in days])
    return pd.Series(0.1 + 0.5 * 0.5 ** (np.maximum(since, 0) / half_life_days), index=days)


def calendar() -> pd.DataFrame:
    return from_calendar(RAINS, "2020-06-01", "2022-05-31")


@pytest.mark.parametrize("half_life", [10, 20, 30])
def test_an_exponential_fall_by_hand(half_life):
    """A share of 0.25 is two half-lives after 30 September; a day or two of interpolation."""
    found = measured_dieback(curve(half_life), calendar(), share=0.25)
    assert found["season"].tolist() == ["2020-dry", "2021-dry"]
    # The first day of the dry season is 1 October: one day after the fall begins.
    np.testing.assert_allclose(found["days"], 2 * half_life - 1, atol=2)
    first = found["died_back_on"].iloc[0]
    assert first == pd.Timestamp(2020, 10, 1) + pd.Timedelta(days=found["days"].iloc[0])


def test_clear_dates_may_be_rare_or_missing():
    seen = curve(15)
    rare = seen.iloc[::3].copy()
    rare.iloc[7] = np.nan
    dense = measured_dieback(seen, calendar())["days"]
    np.testing.assert_allclose(measured_dieback(rare, calendar())["days"], dense, atol=5)


def test_it_is_not_told_from_too_few_dates_or_flat_ground():
    seen = curve(15)
    few = seen[(seen.index < "2020-10-01") | (seen.index > "2021-05-20")]
    assert measured_dieback(few, calendar())["days"].isna().tolist() == [True, False]
    flat = measured_dieback(seen * 0 + 0.3, calendar())
    assert flat["days"].isna().all() and flat["died_back_on"].isna().all()
    # Still green at the end of what is seen: nothing has come down yet, whatever the floor.
    rising = pd.Series(np.linspace(0.1, 0.6, len(seen)), index=seen.index)
    assert measured_dieback(rising, calendar())["days"].isna().iloc[0]


def test_grass_that_died_before_the_rains_ended_is_dead_from_the_first_day():
    seen = curve(15)
    seen["2020-09-10":"2020-12-31"] = 0.1
    assert measured_dieback(seen, calendar())["days"].iloc[0] == 0


def test_an_empty_curve_and_a_wrong_share():
    nothing = measured_dieback(curve(15)[:0], calendar())
    assert nothing["days"].isna().all() and len(nothing) == 2
    with pytest.raises(ValueError, match="between 0 and 1"):
        measured_dieback(curve(15), calendar(), share=1.0)
