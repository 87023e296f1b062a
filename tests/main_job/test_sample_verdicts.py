"""The sample programme's known truth against the verdicts, over three invented districts."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from afterrains.jobs.run import run_programme
from afterrains.sample import write_sample

_LEAST_GAIN_POINTS = 10
_LEAST_SEASONS = 5


_WITH_MODEL = "woody: {train: plots.csv}\n"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("seed", "modes"),
    # Greenness alone on one district: each further run costs CI a minute.
    [(1, ("points", "ndvi")), (2, ("points",)), (3, ("points",))],
)
def test_no_real_gain_is_denied_and_no_gain_is_invented(
    seed: int, modes: tuple[str, ...], tmp_path: Path
) -> None:
    """Truth: the cover with and without sowing that the sample was drawn from.

    A gain of 10 points or more with five dry seasons behind it is never `no-gain`, and ground
    that gained nothing, grassy ground above all, is never `gain` – at any season of the history,
    with the sample's woody-cover model and on greenness alone.
    """
    written = write_sample(tmp_path, seed=seed)
    text = written.programme.read_text(encoding="utf-8")
    assert _WITH_MODEL in text
    for unit in modes:
        programme = tmp_path / f"{unit}.yaml"
        content = text if unit == "points" else text.replace(_WITH_MODEL, "")
        programme.write_text(content.replace("output: out", f"output: {unit}"), encoding="utf-8")
        summary = run_programme(programme)
        assert summary.exit_status == 0
        history = pd.read_csv(summary.output / "verdict_history.csv")
        assert history["gain_unit"].value_counts().idxmax() == unit
        _hold_against_truth(history, tmp_path / "truth" / "seasons.csv")


def _hold_against_truth(history: pd.DataFrame, seasons: Path) -> None:
    truth = pd.read_csv(seasons)
    truth = truth[truth["role"] == "sown"].set_index(["site_id", "season"])["gain_points"]
    history["true_points"] = [
        truth[site, season]
        for site, season in zip(history["site_id"], history["as_of"], strict=True)
    ]
    grown = (history["true_points"] >= _LEAST_GAIN_POINTS) & (
        history["seasons_since_sowing"] >= _LEAST_SEASONS
    )
    assert grown.sum() >= 6
    denied = history[grown & history["verdict"].isin(["no-gain", "loss"])]
    assert denied.empty, denied[["site_id", "as_of", "verdict", "gain", "true_points"]]
    invented = history[(history["true_points"] <= 0) & (history["verdict"] == "gain")]
    assert invented.empty, invented[["site_id", "as_of", "verdict", "gain", "true_points"]]
    # The test can see: most of the large gains are found by the newest season.
    newest = history.groupby("site_id").tail(1)
    large = newest[newest["true_points"] >= _LEAST_GAIN_POINTS]
    assert (large["verdict"] == "gain").sum() >= 2
