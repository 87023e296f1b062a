"""Why a verdict is what it is: one plain sentence for each row."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from afterrains.evidence.changed_ground import FLUSH_DOUBT
from afterrains.evidence.rules import FRAGILE, Rules

__all__ = ["reasons"]


def reasons(
    facts: pd.DataFrame,
    rules: Rules,
    unsure: NDArray[np.bool_],
    crossed: NDArray[np.bool_],
    over: NDArray[np.bool_],
    expected: NDArray[np.float64],
) -> NDArray[np.object_]:
    """One sentence for each row of the facts, in their order.

    Parameters
    ----------
    facts : DataFrame
        As `verdicts.decide` leaves them, with `verdict` and all that it was decided by.
    rules : Rules
    unsure : array of bool
        Rows whose gain may be grass.
    crossed : array of bool
        Rows whose gain is beyond chance at this season by itself.
    over : array of bool
        Rows still undecided when the seasons planned are over.
    expected : array
        Share of the full gain that is to be expected by now.

    Returns
    -------
    array of str
    """
    out = np.full(len(facts), "", dtype=object)
    verdict = facts["verdict"].to_numpy()
    answer = facts["answer_by"].to_numpy()
    fragile = facts["weakest_p"].to_numpy() > FRAGILE
    smallest = facts["detectable_gain"].to_numpy()
    largest_drift, before = facts["largest_drift"].to_numpy(), facts["before_seen"].to_numpy()
    unruled = facts["gain_low"].to_numpy() <= facts["drift_may_add"].to_numpy()
    refusal = facts["refusal"].to_numpy()
    season, fall = facts["as_of"].to_numpy(), facts["break_season"].to_numpy()
    flush_rose = facts["grass_p"].fillna(1.0).to_numpy() <= FLUSH_DOUBT
    grass_known = facts["grass_p"].notna().to_numpy()
    swir_known = facts["crowns_p"].notna().to_numpy()
    leaning = facts["p_gain"].fillna(1.0).to_numpy() <= rules.error_rate / 2
    for row in range(len(facts)):
        match verdict[row]:
            case "not-assessable" if over[row]:
                out[row] = (
                    f"undecided after the {rules.judged_seasons} seasons planned: the noise is too"
                    " large for these controls; more comparable controls, or pooling sites, would"
                    " help"
                )
            case "not-assessable" if facts["drifting"].iat[row]:
                out[row] = (
                    "beyond chance only if sown ground was not already gaining on its controls"
                    " before sowing, and all sown sites together hint that it was"
                )
            case "not-assessable" if facts["untold"].iat[row]:
                out[row] = (
                    "more than comparable ground in the dry season, beyond chance, but whether"
                    " by grass or by trees cannot be told yet: "
                    + ("visit" if rules.woody_model else "fit a woody-cover model, or visit")
                )
            case "not-assessable":
                out[row] = refusal[row]
            case "loss" if fall[row]:
                out[row] = f"fell suddenly in {fall[row]} against its own record and control"
                if fall[row] != season[row]:
                    out[row] += ", and has not come back"
            case "loss":
                out[row] = "less than comparable unsown ground, beyond chance"
            case "gain":
                out[row] = "more than comparable unsown ground, beyond chance"
                if not crossed[row]:
                    out[row] = "gain shown in an earlier season, and it still stands"
                if not (rules.woody_model or grass_known[row] or swir_known[row]):
                    out[row] += "; the rains flush is not known, so grass is not ruled out"
                if unruled[row]:
                    out[row] += (
                        f"; {before[row]} dry seasons before sowing cannot rule out that sown"
                        f" ground was already gaining {largest_drift[row]:.2g} a season on its"
                        " controls, which would explain it"
                    )
            case "grass-only" if unsure[row]:
                out[row] = "greener in the dry season, but " + (
                    "the rains flush rose too"
                    if flush_rose[row]
                    else "the shortwave infrared shows dead grass, not crowns"
                    if facts["dead_grass"].iat[row]
                    else "it rose at once and did not grow as trees do"
                )
                if not rules.woody_model:
                    out[row] += ": without a woody model grass cannot be told from trees"
            case "grass-only":
                out[row] = "the rains flush rose against control, the dry season did not"
            case "no-gain":
                out[row] = "the sowing has had its time, and a meaningful gain is ruled out"
            case _ if fragile[row]:
                out[row] = (
                    f"the difference rests on one control, {facts['weakest_control'].iat[row]}:"
                    " without it nothing is beyond chance"
                )
            case _:
                out[row] = _too_early(
                    smallest[row], answer[row], rules, expected[row], leaning=leaning[row]
                )
    return out


def _too_early(
    smallest: float, answer: str, rules: Rules, expected: float, *, leaning: bool
) -> str:
    due = rules.meaningful_gain * expected
    if leaning:
        # "Could not be seen" would contradict an interval that lies above zero.
        text = (
            "more than comparable unsown ground at a single look, but not yet beyond the chance"
            " that looking each season and at many sites brings"
        )
    elif not np.isfinite(smallest) or smallest > due:
        unit = "points" if rules.woody_model else "NDVI"
        text = f"a gain of {due:.3g} {unit}, as is to be expected by now, could not be seen yet"
    else:
        text = "neither a gain nor its absence is beyond chance yet"
    if answer:
        return f"{text}; it could by {answer}"
    return (
        f"{text}, nor within the {rules.judged_seasons} seasons planned with these controls"
        " and this record"
    )
