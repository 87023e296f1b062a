"""A verdict that a second look at the same ground does not bear out is no verdict."""

import pandas as pd
import pytest

from afterrains.contrast import judge
from afterrains.evidence.borne_out import NO_SUPPORT, borne_out


def told(verdict, gain, p_value, **more):
    """One row of a history."""
    row = {"site_id": "s01", "as_of": "2020-dry", "verdict": verdict, "reason": "as told"}
    row |= {"gain": gain, "p_value": p_value, "answer_by": "", "break_season": ""}
    return pd.DataFrame([row | more])


@pytest.mark.parametrize(
    ("verdict", "gain", "p_value", "stays"),
    [
        ("gain", 0.02, 2 * NO_SUPPORT - 0.01, True),
        ("gain", 0.02, 2 * NO_SUPPORT + 0.01, False),
        ("gain", -0.02, 0.9, False),
        ("gain", float("nan"), float("nan"), True),
        ("loss", -0.02, 2 * NO_SUPPORT - 0.01, True),
        ("loss", -0.02, 2 * NO_SUPPORT + 0.01, False),
        ("loss", 0.02, 0.001, False),
        ("no-gain", 0.02, 0.001, True),
    ],
)
def test_a_gain_or_loss_without_support_is_taken_back(verdict, gain, p_value, stays):
    """By sign and one-sided p-value; what could not be judged a second time is left alone."""
    history = told(verdict, 0.03 if verdict == "gain" else -0.03, 0.001, break_season="2020-dry")
    second = told("too-early", gain, p_value)
    now = borne_out(history, second, "another index")
    if stays:
        pd.testing.assert_frame_equal(now, history)
    else:
        assert now["verdict"].tolist() == ["too-early"]
        assert "not borne out by another index" in now["reason"].iat[0]
        assert now["break_season"].tolist() == [""]
        assert history["verdict"].tolist() == [verdict]


def test_seasons_that_the_second_look_lacks_are_not_asked():
    """A sensor that began late cannot speak against what was seen before it."""
    history = told("gain", 0.03, 0.001)
    second = told("too-early", -0.03, 0.001, as_of="2021-dry")
    pd.testing.assert_frame_equal(borne_out(history, second, "one family"), history)


def test_a_shift_of_the_main_value_alone_is_withdrawn(invented):
    """Six sites rise by 8 in the one value and not in the other; six rise in both."""
    panel, sowing = invented([8.0] * 12, sd=1.0)
    history = judge(panel, sowing, woody_model=True)
    assert (history.groupby("site_id")["verdict"].last() == "gain").all()
    other = panel.copy()
    artefact = other["site_id"].isin([f"s{n:02d}" for n in range(6)]) & (other["kind"] == "dry")
    since = pd.to_datetime(other["time"]).dt.year - 2008
    other.loc[artefact, "value"] -= 8.0 * (since / 3).clip(0, 1)[artefact]
    now = borne_out(history, judge(other, sowing, woody_model=True), "another index")
    last = now.groupby("site_id")["verdict"].last()
    assert (last.iloc[6:] == "gain").all()
    assert (last.iloc[:6] == "too-early").sum() >= 4
